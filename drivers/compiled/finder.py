"""Import of the compiled modules in place of their source, if a build exists."""

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
    """Finder of the modules of one build.

    Args:
        directory: directory of the build.
    """

    def __init__(self, directory: Path) -> None:
        suffix = EXTENSION_SUFFIXES[0]
        self._files = {name: directory / (name.replace(".", "/") + suffix) for name in MODULES}
        # Their shared code lies next to them, under its own name.
        for file in directory.glob(f"*__mypyc{suffix}"):
            self._files[file.name.removesuffix(suffix)] = file

    def find_spec(
        self, fullname: str, path: Sequence[str] | None = None, target: ModuleType | None = None
    ) -> ModuleSpec | None:
        """Return the spec of a compiled module; None for any other."""
        file = self._files.get(fullname)
        if file is None:
            return None
        loader = ExtensionFileLoader(fullname, str(file))
        return spec_from_file_location(fullname, file, loader=loader)


def install() -> None:
    """Use compiled modules from now on, if a build of the current source exists."""
    if os.environ.get(UNCOMPILED) == "1" or not BUILDS.is_dir():
        return
    if any(isinstance(finder, CompiledFinder) for finder in sys.meta_path):
        return
    directory = build_directory()
    if directory.is_dir():
        sys.meta_path.insert(0, CompiledFinder(directory))


def run_the_source() -> None:
    """Restart this program without its build, if it runs with one; does not return then."""
    if compiled_modules():
        environment = {**os.environ, UNCOMPILED: "1"}
        os.execve(sys.executable, [sys.executable, *sys.orig_argv[1:]], environment)


def compiled_modules() -> list[str]:
    """Return the modules of this process that run as machine code."""
    suffixes = tuple(EXTENSION_SUFFIXES)
    return [
        name
        for name in MODULES
        if name in sys.modules and str(sys.modules[name].__file__).endswith(suffixes)
    ]
