"""Find a wire protocol by its name, through the entry point group ``hookeline.protocols``."""

from __future__ import annotations

import os
import sys
from collections.abc import Mapping
from functools import lru_cache
from importlib.metadata import EntryPoint, entry_points
from pathlib import Path
from typing import Any, cast

from drivers.base import DriverError, Redirecting, WireProtocol
from drivers.suggest import did_you_mean

GROUP = "hookeline.protocols"
PARTS = ("name", "options", "make", "simulate")
LOCAL_BUS = "can.sock"  # in the directory of a simulated rig's wires


def _registered() -> tuple[EntryPoint, ...]:
    changed = []
    for place in sys.path:
        try:
            changed.append((place, os.stat(place or ".").st_mtime_ns))
        except OSError:
            continue
    return _registered_by(tuple(changed))


@lru_cache(maxsize=4)
def _registered_by(_folders: tuple[tuple[str, int], ...]) -> tuple[EntryPoint, ...]:
    """Return the entry points of packages in these folders at these change times: takes 10 ms."""
    return tuple(entry_points(group=GROUP))


def protocol_names() -> list[str]:
    """Return the names of all installed protocols, sorted."""
    return sorted({entry.name for entry in _registered()})


def find_protocol(name: str) -> WireProtocol:
    """Return the protocol registered as ``name``.

    Raises:
        DriverError: no such protocol, two of that name, or it cannot be used.
    """
    # A package installed twice registers the same value twice; two packages do not.
    found = {entry.value: entry for entry in _registered() if entry.name == name}
    if len(found) > 1:
        raise DriverError(
            f"protocol '{name}' is registered twice, as {' and as '.join(sorted(found))}: "
            "uninstall the package that is not needed"
        )
    for place, entry in found.items():
        try:
            protocol = entry.load()
        except Exception as error:
            raise DriverError(
                f"protocol '{name}' does not load from {place}: {error}; correct or uninstall its "
                "package"
            ) from error
        lacking = [part for part in PARTS if not hasattr(protocol, part)]
        if lacking or protocol.name != name:
            what = (
                f"has no {' and no '.join(lacking)}"
                if lacking
                else (f"calls itself '{protocol.name}'")
            )
            raise DriverError(
                f"protocol '{name}' from {place} {what}: correct its package, see 'Add a drive "
                "protocol' in DEVELOPERS.md"
            )
        return cast(WireProtocol, protocol)
    hint = did_you_mean(name, protocol_names(), "; ")
    raise DriverError(
        f"no drive protocol '{name}'{hint} (installed: {', '.join(protocol_names()) or 'none'})"
    )


def redirected(data: Mapping[str, Any], directory: Path) -> dict[str, Any]:
    """Return a ``drive`` mapping with its wires in ``directory``, for simulated devices.

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
