"""Sockets of a client: local in a private directory, or encrypted over the network."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import zmq

from hil.link.directory import REQUESTS, SAMPLES, check_link_directory, endpoint
from hil.link.errors import KeysNeeded, LinkError
from hil.link.keys import ClientKeys
from hil.link.stop_socket import StopSocket

BUFFERED = 10_000  # messages kept for a client that does not poll, about two minutes
_TCP = re.compile(r"tcp://(?P<host>[^/\s]+):(?P<port>[0-9]{1,5})")


class Sockets:
    """The two sockets of a client and what belongs to them.

    Attributes:
        where: as the user wrote it.
        local: whether both ends share one machine and its monotonic clock.
        unlimited: whether everything is kept until it is polled.
        keys: keys of an encrypted link.
        stops: connection for stops alone; None on a network link.
    """

    def __init__(self, where: str, local: bool) -> None:
        self.where = where
        self.local = local
        self.stops: StopSocket | None = None
        self.unlimited = False
        self.keys: ClientKeys | None = None
        self._context: zmq.Context[zmq.Socket[bytes]] = zmq.Context()
        self.requests = self._context.socket(zmq.DEALER)
        self.samples = self._context.socket(zmq.SUB)
        self._monitor: zmq.Socket[bytes] | None = None
        self._samples_at = ""
        for socket in (self.requests, self.samples):
            socket.setsockopt(zmq.LINGER, 0)
            socket.setsockopt(zmq.RECONNECT_IVL, 50)
            socket.setsockopt(zmq.RECONNECT_IVL_MAX, 1000)
        # Requests sent while no rig host is connected must not reach the next one.
        self.requests.setsockopt(zmq.IMMEDIATE, 1)

    def encrypt(self, keys: ClientKeys) -> None:
        self.keys = keys
        for socket in (self.requests, self.samples):
            socket.setsockopt(zmq.CURVE_PUBLICKEY, keys.public.encode())
            socket.setsockopt(zmq.CURVE_SECRETKEY, keys.secret.encode())
            socket.setsockopt(zmq.CURVE_SERVERKEY, keys.server.encode())
            socket.setsockopt(zmq.HEARTBEAT_IVL, 1000)
            socket.setsockopt(zmq.HEARTBEAT_TIMEOUT, 5000)
        self._monitor = self.requests.get_monitor_socket(
            zmq.EVENT_HANDSHAKE_FAILED_AUTH | zmq.EVENT_HANDSHAKE_FAILED_PROTOCOL
        )

    def connect(self, requests: str, samples: str, unlimited: bool) -> None:
        self.unlimited = unlimited
        self.samples.setsockopt(zmq.RCVHWM, 0 if unlimited else BUFFERED)
        self._samples_at = samples
        try:
            self.requests.connect(requests)
        except zmq.ZMQError as error:
            raise LinkError(f"'{self.where}' is not an address to connect to: {error}") from None

    def subscribe(self, port: int) -> None:
        """Connect to the samples; ``port`` is that of the network link."""
        address, self._samples_at = self._samples_at.format(port=port), ""
        if address:
            self.samples.subscribe(b"")
            self.samples.connect(address)

    def refused(self) -> str:
        """Return why the rig host refuses the connection, if known; else ""."""
        if self._monitor is None or not self._monitor.poll(0):
            return ""
        from zmq.utils.monitor import recv_monitor_message  # imports asyncio: only if needed

        kind: Any = recv_monitor_message(self._monitor)["event"]
        if kind == zmq.EVENT_HANDSHAKE_FAILED_AUTH:
            return (
                "the rig host does not allow this client's key; put its client.public into the "
                "rig host's directory 'allowed' and restart the rig host"
            )
        return "the encrypted handshake failed; is server.public the rig host's own key?"

    def close(self) -> None:
        if self._monitor is not None:
            self.requests.disable_monitor()
            self._monitor.close(0)
            self._monitor = None
        if self.stops is not None:
            self.stops.close()
        # Let a disconnect message leave.
        self.requests.close(100)
        self.samples.close(0)
        self._context.term()


def open_sockets(where: str | Path, keys: ClientKeys | None, unlimited: bool) -> Sockets:
    """Open the sockets of a client and start connecting.

    Raises:
        LinkError: the address or directory cannot be used, or keys are missing.
    """
    text = str(where)
    if "://" in text:
        match = _TCP.fullmatch(text)
        if match is None or not 0 < int(match["port"]) < 65535:
            raise LinkError(f"'{text}' is not an address of a rig host; write tcp://HOST:PORT")
        if keys is None:
            raise KeysNeeded(
                f"'{text}' is on the network, where links are always encrypted: give the client's "
                "key directory as well"
            )
        sockets = Sockets(text, local=False)
        sockets.encrypt(keys)
        requests, samples = text, f"tcp://{match['host']}:{{port}}"
    else:
        directory = Path(where)
        check_link_directory(directory)
        sockets = Sockets(text, local=True)
        requests = endpoint(directory, REQUESTS)
        samples = endpoint(directory, SAMPLES).replace("{", "{{").replace("}", "}}")
        sockets.stops = StopSocket(directory / REQUESTS)
    try:
        sockets.connect(requests, samples, unlimited)
    except BaseException:
        sockets.close()
        raise
    return sockets
