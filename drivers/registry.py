"""Find a wire protocol by its name, through the entry point group ``hookeline.protocols``."""

from __future__ import annotations

import difflib
from collections.abc import Mapping
from importlib.metadata import entry_points
from pathlib import Path
from typing import Any, cast

from drivers.base import DriverError, Redirecting, WireProtocol

GROUP = "hookeline.protocols"
LOCAL_BUS = "can.sock"  # in the directory of a simulated rig's wires


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


def redirected(data: Mapping[str, Any], directory: Path) -> dict[str, Any]:
    """A ``drive`` mapping with its wires in ``directory``, where simulated devices are found.

    Raises:
        DriverError: no such protocol.
    """
    protocol = find_protocol(str(data.get("protocol")))
    if isinstance(protocol, Redirecting):
        return protocol.redirected(dict(data), directory)
    bus = {"interface": "local_socket", "channel": str(directory / LOCAL_BUS)}
    declared = data.get("bus")
    flexible = isinstance(declared, Mapping) and declared.get("fd")
    return {**data, "bus": {**bus, "fd": True} if flexible else bus}
