"""A second connection to where a client is connected already."""

from __future__ import annotations

from hil.link.client import Client


def connect_beside(client: Client, name: str) -> Client:
    """Another client of the same rig host, with the same keys; control is its own affair.

    Raises:
        As ``Client.connect``.
    """
    sockets = client._sockets
    return Client.connect(sockets.where, name=name, keys=sockets.keys)
