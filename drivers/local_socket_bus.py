"""A CAN bus on one machine for python-can: interface ``local_socket``, channel = socket path.

One member opens with ``role="hub"`` (the simulated node) and passes every frame on to all
others; when it goes, the bus is gone and the others are told. A frame is 16 bytes: identifier
with flags (bit 31 extended, bit 30 remote), length, 3 bytes of padding, 8 data bytes, little
endian, one packet each (Unix SOCK_SEQPACKET). Classic frames only.
"""

from __future__ import annotations

import contextlib
import os
import select
import socket
import stat
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
# Of python-can's general options, those that make sense here or do no harm.
TAKEN = frozenset({"can_filters", "bitrate", "fd", "receive_own_messages"})


class LocalSocketBus(can.BusABC):
    """Hub or member of a local bus.

    Attributes:
        malformed: packets that were no frame and were ignored.
        dropped: frames that a member with a full queue missed; a hub counts each member.

    Raises:
        can.CanInitializationError: no hub there, a hub there already, or no such place.
    """

    def __init__(self, channel: str, role: str = "member", **kwargs: Any) -> None:
        self._is_shutdown = True  # until there is something to shut down
        if role not in ("hub", "member"):
            raise can.CanInitializationError(f"role '{role}': write 'hub' or 'member'")
        for key in set(kwargs) - TAKEN:
            raise can.CanInitializationError(f"local_socket has no option '{key}': take it out")
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
        self._waiting: list[int] = []
        if self._hub:
            _clear(path)
        self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_SEQPACKET)
        self._number = self._socket.fileno()
        try:
            if self._hub:
                # Before bind, so that the socket never exists with wider rights.
                os.fchmod(self._number, 0o600)
                self._socket.bind(path)
                self._socket.listen(16)
            else:
                self._socket.connect(path)
                self._peers[self._number] = self._socket
        except OSError as error:
            self._socket.close()
            raise can.CanInitializationError(
                f"{path}: {error.strerror}", error.errno
            ) from error
        self._socket.setblocking(False)
        self._watched = [self._number]
        self.channel_info = f"local_socket {path}"
        self._is_shutdown = False
        super().__init__(channel=channel, **kwargs)

    def fileno(self) -> int:
        """For a member: readable when a frame waits. A hub has no single one: -1."""
        return -1 if self._hub else self._number

    def send(self, msg: can.Message, timeout: float | None = None) -> None:
        """Send to all others, without waiting. A member whose queue is full misses the frame.

        Raises:
            can.CanOperationError: the hub is gone.
            ValueError: no classic data or remote frame.
        """
        data = msg.data
        if msg.is_fd or msg.is_error_frame or len(data) > 8:
            raise ValueError("local_socket carries classic data and remote frames only")
        identifier = msg.arbitration_id
        if msg.is_extended_id:
            identifier |= EXTENDED
        if msg.is_remote_frame:
            identifier |= REMOTE
        self._pass_on(PACK(identifier, msg.dlc, data), -1)

    def _pass_on(self, packet: bytes, but: int) -> None:
        # A copy, made in one step: another thread may be accepting a member meanwhile.
        for number, peer in tuple(self._peers.items()):
            if number == but:
                continue
            try:
                peer.send(packet)
            except BlockingIOError:
                self.dropped += 1
            except OSError as error:
                # A member that left may have sent frames that are still to be read: the hub
                # lets go of it only when it has read them all.
                if not self._hub:
                    raise can.CanOperationError(f"{self._path}: the bus is gone") from error

    def recv(self, timeout: float | None = None) -> can.Message | None:
        """One frame, or None after ``timeout`` seconds; 0 does not wait.

        Raises:
            can.CanOperationError: the hub is gone.
        """
        if self._filters:
            return super().recv(timeout)
        # The wait, the clock and the log of python-can's own are left out: cycles run here.
        return self._recv_internal(timeout)[0]

    def _recv_internal(self, timeout: float | None) -> tuple[can.Message | None, bool]:
        deadline = None
        waiting = self._waiting
        while True:
            if waiting:
                number = waiting.pop()
            else:
                # select, not poll: poll rounds a wait of 0.3 ms up to a whole millisecond.
                if not timeout:
                    left = timeout
                elif deadline is None:
                    deadline = time.monotonic() + timeout
                    left = timeout
                else:
                    left = max(0.0, deadline - time.monotonic())
                try:
                    ready = select.select(self._watched, (), (), left)[0]
                except (OSError, ValueError) as error:
                    raise can.CanOperationError(f"{self._path}: the bus is closed") from error
                if not ready:
                    return None, False
                number = ready.pop()
                waiting[:] = ready  # one frame of each in turn: none can keep the others out
            peer = self._peers.get(number)
            if peer is None:
                if self._hub and number == self._number:
                    self._accept()
                continue
            try:
                packet = peer.recv(64)
            except BlockingIOError:
                continue
            except ConnectionResetError:
                continue  # told once, ahead of what is still to be read
            except OSError:
                packet = b""
            if not packet:
                self._gone(number)
                continue
            if len(packet) != 16 or packet[4] > 8:
                self.malformed += 1
                continue
            if self._hub and len(self._peers) > 1:
                self._pass_on(packet, number)
            identifier, length, data = UNPACK(packet)
            extended = identifier >= EXTENDED
            remote = bool(identifier & REMOTE)
            return can.Message(
                time.time(),
                identifier & (0x1FFF_FFFF if extended else 0x7FF),
                extended,
                remote,
                dlc=length,
                data=None if remote else bytearray(data[:length]),
            ), False

    def _gone(self, number: int) -> None:
        if not self._hub:
            raise can.CanOperationError(f"{self._path}: the bus is gone")
        self._watched.remove(number)
        self._peers.pop(number).close()

    def _accept(self) -> None:
        with contextlib.suppress(OSError):
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


def _clear(path: str) -> None:
    """Remove the socket that a hub left behind, and nothing else."""
    try:
        kind = os.lstat(path).st_mode
    except OSError:
        return  # bind says what is wrong, if anything is
    if not stat.S_ISSOCK(kind):
        raise can.CanInitializationError(
            f"{path} exists and is no socket: give the bus another path"
        )
    with socket.socket(socket.AF_UNIX, socket.SOCK_SEQPACKET) as probe:
        probe.setblocking(False)
        try:
            probe.connect(path)
        except ConnectionRefusedError:
            os.unlink(path)
            return
        except OSError:
            pass
    raise can.CanInitializationError(f"{path}: a hub is there already; open it as a member")
