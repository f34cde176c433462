"""Find a wire protocol by its name, through the entry point group ``hookeline.protocols``."""

from __future__ import annotations

import difflib
from importlib.metadata import entry_points
from typing import cast

from drivers.base import DriverError, WireProtocol

GROUP = "hookeline.protocols"


def protocol_names() -> list[str]:
    """Names of all installed protocols, sorted."""
    return sorted({entry.name for entry in entry_points(group=GROUP)})


def find_protocol(name: str) -> WireProtocol:
    """The protocol registered as ``name``.

    Raises:
        DriverError: no such protocol, or its module does not import.
    """
    for entry in entry_points(group=GROUP):
        if entry.name == name:
            try:
                return cast(WireProtocol, entry.load())
            except Exception as error:
                raise DriverError(f"protocol '{name}' does not load: {error}") from error
    near = difflib.get_close_matches(name, protocol_names(), 1)
    hint = f"; did you mean '{near[0]}'?" if near else ""
    raise DriverError(
        f"no drive protocol '{name}'{hint} (installed: {', '.join(protocol_names()) or 'none'})"
    )
