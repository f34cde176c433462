"""Reader of YAML files written by the program itself.

Such files have no aliases and are neither deep nor large. Any other file is malicious or damaged: a
few hundred bytes with aliases can expand to gigabytes.
"""

from __future__ import annotations

import os
import stat
from pathlib import Path
from typing import Any

import yaml

MOST_BYTES = 16 * 1024 * 1024
DEEPEST = 40

# The C loader is ten times faster; PyYAML may be built without it.
LOADER: Any = getattr(yaml, "CSafeLoader", yaml.SafeLoader)


class PlainYamlError(ValueError):
    """Error of a file that cannot be used; the text gives the reason without the file's name."""


def read_plain_yaml(path: Path | str, most_bytes: int = MOST_BYTES) -> Any:
    """Return the contents of a YAML file.

    Raises:
        OSError: the file is missing or cannot be opened.
        PlainYamlError: not a regular file, too large, not UTF-8, not YAML, aliases, too deep.
    """
    return parse_plain_yaml(read_plain_bytes(path, most_bytes))


def read_plain_bytes(path: Path | str, most_bytes: int = MOST_BYTES) -> bytes:
    """Return the bytes of a regular file that is not too large.

    Raises:
        OSError: the file is missing or cannot be opened.
        PlainYamlError: not a regular file, or too large.
    """
    # Without O_NONBLOCK a named pipe would block the caller forever.
    handle = os.open(path, os.O_RDONLY | os.O_CLOEXEC | os.O_NONBLOCK)
    with os.fdopen(handle, "rb") as file:
        if not stat.S_ISREG(os.fstat(file.fileno()).st_mode):
            raise PlainYamlError("not a regular file")
        data = file.read(most_bytes + 1)
    if len(data) > most_bytes:
        raise PlainYamlError(f"larger than {most_bytes // 1024} kB")
    return data


def parse_plain_yaml(data: bytes) -> Any:
    """Return the contents of YAML in UTF-8.

    Raises:
        PlainYamlError: not UTF-8, not YAML, aliases, too deep.
    """
    try:
        text = data.decode("utf-8")
    except UnicodeDecodeError:
        raise PlainYamlError("not UTF-8 text") from None
    try:
        depth = 0
        for event in yaml.parse(text, Loader=LOADER):
            if isinstance(event, yaml.AliasEvent):
                raise PlainYamlError("aliases are not read")
            depth += isinstance(event, yaml.CollectionStartEvent)
            depth -= isinstance(event, yaml.CollectionEndEvent)
            if depth > DEEPEST:
                raise PlainYamlError("nested too deeply")
        return yaml.load(text, Loader=LOADER)
    except yaml.MarkedYAMLError as error:
        line = f", line {error.problem_mark.line + 1}" if error.problem_mark else ""
        raise PlainYamlError(f"not YAML{line}") from None
    except (yaml.YAMLError, ValueError, RecursionError, OverflowError, TypeError) as error:
        if isinstance(error, PlainYamlError):
            raise
        raise PlainYamlError("not YAML") from None
