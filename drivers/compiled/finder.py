"""Imports of the compiled modules in place of their source, where a build of it exists."""

from __future__ import annotations

import os
import sys
from collections.abc import Sequence
from importlib.abc import MetaPathFinder
from importlib.machinery import EXTENSION_SUFFIXES, ExtensionFileLoader, ModuleSpec
from importlib.util import spec_from_file_location
from pathlib import Path
from types import ModuleType

from drivers.compiled.modules import BUILDS, MODULES, build_directory

UNCOMPILED = "HOOKELINE_UNCOMPILED"  # environment variable: 1 runs the source


class CompiledFinder(MetaPathFinder):
    """Finds the modules of one build.

    Args:
        directory: of the build.
    """

    def __init__(self, directory: Path) -> None:
        suffix = EXTENSION_SUFFIXES[0]
        self._files = {name: directory / (name.replace(".", "/") + suffix) for name in MODULES}
        # What all of them share lies beside them, under a name of its own.
        for file in directory.glob(f"*__mypyc{suffix}"):
            self._files[file.name.removesuffix(suffix)] = file

    def find_spec(
        self, fullname: str, path: Sequence[str] | None = None, target: ModuleType | None = None
    ) -> ModuleSpec | None:
        """Return where the module lies in the build; None for any other."""
        file = self._files.get(fullname)
        if file is None:
            return None
        loader = ExtensionFileLoader(fullname, str(file))
        return spec_from_file_location(fullname, file, loader=loader)


def install() -> None:
    """Take compiled modules from now on, if there is a build of the source as it stands."""
    if os.environ.get(UNCOMPILED) == "1" or not BUILDS.is_dir():
        return
    if any(isinstance(finder, CompiledFinder) for finder in sys.meta_path):
        return
    directory = build_directory()
    if directory.is_dir():
        sys.meta_path.insert(0, CompiledFinder(directory))


def run_the_source() -> None:
    """Begin this program again without its build, if it runs with one; does not return then."""
    if compiled_modules():
        environment = {**os.environ, UNCOMPILED: "1"}
        os.execve(sys.executable, [sys.executable, *sys.orig_argv[1:]], environment)


def compiled_modules() -> list[str]:
    """Modules of this process that run as machine code."""
    suffixes = tuple(EXTENSION_SUFFIXES)
    return [
        name
        for name in MODULES
        if name in sys.modules and str(sys.modules[name].__file__).endswith(suffixes)
    ]
