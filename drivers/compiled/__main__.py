"""Compile the modules of the cycle with mypyc into a directory: ``python -m drivers.compiled DIR``."""

from __future__ import annotations

import os
import sys
from pathlib import Path

from mypyc.build import mypycify
from setuptools import Distribution  # type: ignore[import-untyped]  # it ships no types

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


def build(scratch: Path) -> None:
    """Compile into ``scratch/lib``; exit with the compiler's message if it fails."""
    settings = scratch / "mypy.ini"
    settings.write_text(SETTINGS.format(cache=scratch / "cache"))
    extensions = mypycify(
        ["--config-file", str(settings), *SOURCES],
        target_dir=str(scratch / "c"),
        group_name="hookeline",
    )
    for extension in extensions:
        extension.extra_compile_args = list(FLAGS)
    command = Distribution({"name": "hookeline", "ext_modules": extensions}).get_command_obj(
        "build_ext"
    )
    command.parallel = os.cpu_count()
    command.build_lib = str(scratch / "lib")
    command.build_temp = str(scratch / "temp")
    command.ensure_finalized()
    command.run()


if __name__ == "__main__":
    build(Path(sys.argv[1]))
