"""A second connection to the rig host of an existing client."""

from __future__ import annotations

from hil.link.client import Client


def connect_beside(client: Client, name: str) -> Client:
    """Return another client of the same rig host, with the same keys but its own control.

    Raises:
        As ``Client.connect``.
    """
    sockets = client._sockets
    return Client.connect(sockets.where, name=name, keys=sockets.keys)
