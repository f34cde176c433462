"""Compile the modules of the cycle with mypyc into a directory: ``python -m drivers.compiled DIR``."""

from __future__ import annotations

import os
import sys
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

from mypyc.build import mypycify
from setuptools import Distribution  # type: ignore[import-untyped]  # it ships no types
from setuptools.command.build_ext import build_ext  # type: ignore[import-untyped]

from drivers.compiled.modules import SOURCES

SETTINGS = """[mypy]
namespace_packages = True
explicit_package_bases = True
ignore_missing_imports = True
follow_imports = normal
plugins = pydantic.mypy
cache_dir = {cache}
"""
# Contraction to fused multiply-add rounds differently from the interpreter.
FLAGS = ["-O1", "-g0", "-ffp-contract=off", "-w"]


class ParallelBuild(build_ext):  # type: ignore[misc]
    """Build that runs one C compiler for each processor.

    Setuptools runs one for each extension, and nearly all of the code is in one extension.
    """

    def build_extensions(self) -> None:
        """Build all extensions; replace the compiler's loop over the sources of one."""
        compile_one = self.compiler.compile

        def compile_all(sources: list[str], *rest: Any, **named: Any) -> list[str]:
            with ThreadPoolExecutor(os.cpu_count()) as pool:
                made = pool.map(lambda source: compile_one([source], *rest, **named), sources)
                return [file for files in made for file in files]

        self.compiler.compile = compile_all
        super().build_extensions()


def build(scratch: Path) -> None:
    """Compile into ``scratch/lib``; exit with the compiler's message if it fails."""
    settings = scratch / "mypy.ini"
    settings.write_text(SETTINGS.format(cache=scratch / "cache"))
    extensions = mypycify(
        ["--config-file", str(settings), *SOURCES],
        target_dir=str(scratch / "c"),
        group_name="hookeline",
        multi_file=True,  # one C file of 26 MB takes longer than many of 10 MB in all
    )
    for extension in extensions:
        extension.extra_compile_args = list(FLAGS)
    command = ParallelBuild(Distribution({"name": "hookeline", "ext_modules": extensions}))
    command.parallel = os.cpu_count()
    command.build_lib = str(scratch / "lib")
    command.build_temp = str(scratch / "temp")
    command.ensure_finalized()
    command.run()


if __name__ == "__main__":
    build(Path(sys.argv[1]))
