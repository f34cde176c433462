"""A CAN bus on one machine for python-can: interface ``local_socket``, channel = socket path.

One member opens with ``role="hub"`` (the simulated node) and passes every frame on to all
others; when it goes, the bus is gone and the others are told. A frame is 16 bytes: identifier
with flags (bit 31 extended, bit 30 remote), length, 3 bytes of padding, 8 data bytes, little
endian, one packet each (Unix SOCK_SEQPACKET).
"""

from __future__ import annotations

import contextlib
import os
import select
import socket
import struct
import time
from typing import Any

import can

FRAME = struct.Struct("<IB3x8s")
EXTENDED = 0x8000_0000
REMOTE = 0x4000_0000
PACK = FRAME.pack
UNPACK = FRAME.unpack
LONGEST_PATH = 100


class LocalSocketBus(can.BusABC):
    """Attributes: ``malformed`` packets ignored, ``dropped`` frames that a full member missed."""

    def __init__(self, channel: str, role: str = "member", **kwargs: Any) -> None:
        if role not in ("hub", "member"):
            raise can.CanInitializationError(f"role '{role}': write 'hub' or 'member'")
        path = str(channel)
        if len(path.encode()) > LONGEST_PATH:
            raise can.CanInitializationError(
                f"socket path of {len(path)} characters is too long: at most {LONGEST_PATH}"
            )
        self.malformed = 0
        self.dropped = 0
        self._path = path
        self._hub = role == "hub"
        self._peers: dict[int, socket.socket] = {}
        self._watched: list[int] = []
        self._waiting: list[int] = []
        self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_SEQPACKET)
        try:
            if self._hub:
                with contextlib.suppress(FileNotFoundError):
                    os.unlink(path)
                self._socket.bind(path)
                os.chmod(path, 0o600)
                self._socket.listen(16)
            else:
                self._socket.connect(path)
                self._peers[self._socket.fileno()] = self._socket
        except OSError as error:
            self._socket.close()
            raise can.CanInitializationError(f"{path}: {error.strerror}") from error
        self._socket.setblocking(False)
        self._watched.append(self._socket.fileno())
        self.channel_info = f"local_socket {path}"
        super().__init__(channel=channel, **kwargs)

    def fileno(self) -> int:
        """Readable when a frame waits (for a hub only if it has no member yet)."""
        return self._socket.fileno() if not self._hub else -1

    def send(self, msg: can.Message, timeout: float | None = None) -> None:
        """Send to all others. A member whose queue is full misses the frame.

        Raises:
            can.CanOperationError: the hub is gone.
        """
        identifier = msg.arbitration_id
        if msg.is_extended_id:
            identifier |= EXTENDED
        if msg.is_remote_frame:
            identifier |= REMOTE
        self._pass_on(PACK(identifier, msg.dlc, bytes(msg.data)), -1)

    def _pass_on(self, packet: bytes, but: int) -> None:
        for number, peer in list(self._peers.items()):
            if number == but:
                continue
            try:
                peer.send(packet)
            except BlockingIOError:
                self.dropped += 1
            except OSError as error:
                self._gone(number, error)

    def _gone(self, number: int, error: OSError | None) -> None:
        if not self._hub:
            raise can.CanOperationError(f"{self._path}: the bus is gone") from error
        peer = self._peers.pop(number, None)
        if peer is not None:
            self._watched.remove(number)
            peer.close()

    def _recv_internal(self, timeout: float | None) -> tuple[can.Message | None, bool]:
        deadline = None if timeout is None else time.monotonic() + timeout
        while True:
            if not self._waiting:
                # select, not poll: poll rounds a wait of 0.3 ms up to a whole millisecond.
                left = None if deadline is None else max(0.0, deadline - time.monotonic())
                self._waiting = select.select(self._watched, (), (), left)[0]
                if not self._waiting:
                    return None, False
            number = self._waiting[-1]
            if self._hub and number == self._socket.fileno():
                self._waiting.pop()
                self._accept()
                continue
            peer = self._peers.get(number)
            if peer is None:
                self._waiting.pop()
                continue
            try:
                packet = peer.recv(64)
            except BlockingIOError:
                self._waiting.pop()
                continue
            except OSError as error:
                self._waiting.pop()
                self._gone(number, error)
                continue
            if not packet:
                self._waiting.pop()
                self._gone(number, None)
                continue
            if self._hub:
                self._pass_on(packet, number)
            if len(packet) != 16 or packet[4] > 8:
                self.malformed += 1
                continue
            identifier, length, data = UNPACK(packet)
            extended = bool(identifier & EXTENDED)
            return can.Message(
                timestamp=time.time(),
                arbitration_id=identifier & (0x1FFF_FFFF if extended else 0x7FF),
                is_extended_id=extended,
                is_remote_frame=bool(identifier & REMOTE),
                data=data[:length],
                dlc=length,
            ), False

    def _accept(self) -> None:
        with contextlib.suppress(BlockingIOError, OSError):
            peer, _ = self._socket.accept()
            peer.setblocking(False)
            self._peers[peer.fileno()] = peer
            self._watched.append(peer.fileno())

    def shutdown(self) -> None:
        """Leave the bus; a hub takes it down."""
        if self._is_shutdown:
            return
        super().shutdown()
        for peer in self._peers.values():
            peer.close()
        self._socket.close()
        if self._hub:
            with contextlib.suppress(OSError):
                os.unlink(self._path)
