"""``hookeline compile``: the cycle as machine code."""

from __future__ import annotations

import argparse
import time
from typing import Any

from drivers.compiled import MODULES, CompileError, build_directory, compile_modules, remove_builds
from ui.commands.answers import OK, CommandError, add_command, answer, say


def add(commands: Any) -> None:
    parser = add_command(
        commands,
        "compile",
        "run the cycle as machine code",
        "Compile the modules that run in each cycle, control, supervision and the simulated rig,\n"
        "with mypyc and the C compiler. The source stays as it is and computes the same, sample\n"
        "for sample; a cycle takes a fraction of the time. After a change of the source the build\n"
        "no longer matches: Python runs the source until it is compiled again. Needs a C compiler\n"
        "and the extra 'compile'; takes about a minute. HOOKELINE_UNCOMPILED=1 in the environment\n"
        "runs the source despite a build.",
        "  hookeline compile\n  hookeline compile --remove\n",
    )
    parser.add_argument("--remove", action="store_true", help="remove the build: run the source")
    parser.set_defaults(run=run)


def run(options: argparse.Namespace) -> int:
    if options.remove:
        removed = remove_builds()
        say(options, "The build is removed." if removed else "There is no build.")
        answer(options, {"removed": removed})
        return OK
    present = build_directory().is_dir()
    began = time.monotonic()
    if not present:
        say(options, f"Compiling {len(MODULES)} modules; this takes about a minute ...")
    try:
        compile_modules()
    except CompileError as error:
        raise CommandError(str(error)) from error
    seconds = time.monotonic() - began
    say(
        options,
        f"{len(MODULES)} modules are already compiled."
        if present
        else f"{len(MODULES)} modules are compiled ({seconds:.0f} s). Programs started now use them.",
    )
    answer(options, {"modules": len(MODULES), "compiled_before": present})
    return OK
