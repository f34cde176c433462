"""Text of a calibration file: YAML, with each table row on its own line."""

from __future__ import annotations

from typing import Any

import yaml


class _Line(list[Any]):
    """A list that is written on one line."""


class _Dumper(yaml.SafeDumper):
    def ignore_aliases(self, data: Any) -> bool:
        return True


# Any Unicode line break is read back as a blank from plain text, but unchanged from quotes.
_Dumper.add_representer(
    str,
    lambda dumper, text: dumper.represent_scalar(
        "tag:yaml.org,2002:str", text, style=None if text.isprintable() else '"'
    ),
)
_Dumper.add_representer(
    _Line, lambda dumper, line: dumper.represent_sequence("tag:yaml.org,2002:seq", line, True)
)


def as_text(plain: dict[str, Any]) -> str:
    """Return plain values as YAML that reads back unchanged."""
    head = (
        "# Calibration of a force measurement by springs. Do not edit: the hash at the end would\n"
        "# no longer match, and the file would be refused. Units are in the names.\n"
    )
    return head + str(
        yaml.dump(_lined(plain), Dumper=_Dumper, sort_keys=False, allow_unicode=True, width=1000)
    )


def _lined(value: Any) -> Any:
    if isinstance(value, dict):
        return {key: _lined(item) for key, item in value.items()}
    if isinstance(value, list):
        flat = all(not isinstance(item, list | dict) for item in value)
        return _Line(value) if flat else [_lined(item) for item in value]
    return value
