"""Modules of the cycle as machine code, made from their own source by ``hookeline compile``.

The same source runs either way, sample for sample. A build is named by the digest of
every source it was made from: after any change it is not found, and Python runs the source.
"""

from drivers.compiled.build import CompileError, compile_modules, remove_builds
from drivers.compiled.finder import UNCOMPILED, compiled_modules, install, run_the_source
from drivers.compiled.modules import MODULES, build_directory, code_digest

__all__ = [
    "MODULES",
    "UNCOMPILED",
    "CompileError",
    "build_directory",
    "code_digest",
    "compile_modules",
    "compiled_modules",
    "install",
    "remove_builds",
    "run_the_source",
]
