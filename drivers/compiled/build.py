"""Compile the modules of the cycle in a separate process; keep complete builds only."""

from __future__ import annotations

import os
import shutil
import sys
from importlib.util import find_spec
from pathlib import Path

from drivers.compiled.finder import UNCOMPILED
from drivers.compiled.modules import BUILDS, ROOT, build_directory


class CompileError(Exception):
    """A failed build; its text names the reason and the fix."""


def compile_modules() -> Path:
    """Compile the current source; return the build's directory.

    Raises:
        CompileError: no compiler, no mypyc, no write permission, or a compiler error.
    """
    import subprocess  # here: every process imports this module
    import tempfile

    target = build_directory()
    if target.is_dir():
        return target
    if find_spec("mypyc") is None:
        raise CompileError("mypyc is not installed. Fix: pip install 'hookeline[compile]'")
    if shutil.which(os.environ.get("CC", "cc").split()[0]) is None:
        raise CompileError("there is no C compiler. Fix: apt-get install gcc libc6-dev")
    try:
        BUILDS.mkdir(exist_ok=True)
        scratch = Path(tempfile.mkdtemp(prefix="part-", dir=BUILDS))
    except OSError as error:
        raise CompileError(
            f"{BUILDS}: {error.strerror}. Fix: run this as the owner of the installation"
        ) from error
    try:
        made = subprocess.run(
            [sys.executable, "-m", "drivers.compiled", str(scratch)],
            cwd=ROOT,
            env={**os.environ, UNCOMPILED: "1", "PYTHONPATH": str(ROOT)},
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
            errors="replace",
        )
        if made.returncode:
            last = "\n".join(made.stdout.strip().splitlines()[-5:])
            raise CompileError(f"the compiler failed; the source runs as before. It said:\n{last}")
        if build_directory() != target:
            raise CompileError("the source changed meanwhile. Fix: compile again")
        remove_builds()
        (scratch / "lib").rename(target)
    finally:
        shutil.rmtree(scratch, ignore_errors=True)
    return target


def remove_builds() -> int:
    """Remove every finished build, of these or other sources; return their number."""
    builds = [part for part in BUILDS.glob("*") if not part.name.startswith("part-")]
    for build in builds:
        shutil.rmtree(build)
    return len(builds)
