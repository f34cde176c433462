"""Links of the axes of one rig host: link directories, or two ports for each."""

from __future__ import annotations

import json
from collections.abc import Iterable
from pathlib import Path

from hil.link.client import Client
from hil.link.errors import LinkError
from hil.link.keys import ClientKeys

PORTS_OF_AXIS = 2  # requests and samples
MOST_PORT = 65535


def axis_addresses(first: str, axes: Iterable[str]) -> dict[str, str]:
    """Return the address of each axis, by axis.

    Args:
        first: address of the first axis, ``HOST:PORT`` or ``tcp://HOST:PORT``.

    Raises:
        LinkError: it is not an address, or there are not enough ports above it.
    """
    host, _, text = first.rpartition(":")
    names = tuple(axes)
    if not host or not text.isdecimal():
        raise LinkError(f"'{first}' is not an address to serve on; write HOST:PORT, 0.0.0.0:5600")
    port = int(text)
    if not 0 < port <= MOST_PORT + 1 - PORTS_OF_AXIS * len(names):
        raise LinkError(
            f"'{first}': {len(names)} axes take {PORTS_OF_AXIS * len(names)} ports from this one on. "
            "Fix: name a port such as 7700"
        )
    return {axis: f"{host}:{port + PORTS_OF_AXIS * n}" for n, axis in enumerate(names)}


def links_of_axes(where: str | Path, keys: ClientKeys | None = None) -> dict[str, str | Path]:
    """Return where each axis served at ``where`` is reached; empty for one rig, or a single axis.

    Args:
        where: link directory or ``tcp://HOST:PORT`` of a running bench; on the network the address
            of the first axis stands for all.
        keys: needed for ``tcp://``.

    Raises:
        LinkError: the rig host cannot be reached over the network.
    """
    text = str(where)
    if "://" in text:
        with Client.connect(text, name="axes query", keys=keys) as client:
            axes = client.description.get("axes") or []
            first = bool(axes) and client.description.get("axis") == axes[0]
        return dict(axis_addresses(text, axes)) if first else {}
    try:
        hosts = json.loads((Path(where) / "axes.json").read_text(encoding="utf-8"))["hosts"]
    except (OSError, ValueError, KeyError):
        return {}
    return {axis: Path(where) / axis for axis in hosts}
