"""The output of a command, read as a program would read it."""

from __future__ import annotations

import json
from typing import Any

from ui import cli


def last_object(out: str) -> dict[str, Any]:
    """Return the JSON object, which is the last line."""
    data: dict[str, Any] = json.loads(out.splitlines()[-1])
    return data


def called(capfd: Any, *arguments: str) -> tuple[int, dict[str, Any], str]:
    """Return exit code, JSON object, and the text for people."""
    code = cli.main([*arguments, "--json"])
    said = capfd.readouterr()
    data = last_object(said.out) if said.out else {}
    return code, data, said.err
