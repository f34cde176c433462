"""A CAN bus on one machine for python-can: interface ``local_socket``, channel = socket path.

One member opens with ``role="hub"`` (the simulated node) and passes every frame on to all others;
when it leaves, the bus ends and the others get an error. A classic frame is 16 bytes: identifier
with flags (bit 31 extended, bit 30 remote, bit 29 CAN FD), length, 3 bytes of padding, 8 data
bytes, little endian, one packet each (Unix SOCK_SEQPACKET). Classic frames sent in one call
(``send_together``) share a packet: the receiver wakes once for all of them. A CAN FD frame has its
flags (1: data at the second bit rate, 2: error state) in the first byte of padding, only as many
data bytes as its length, and its own packet. As on a wire, it needs ``fd=True`` at both ends:
classic-only nodes treat FD frames as errors.
"""

from __future__ import annotations

import contextlib
import os
import select
import socket
import stat
import struct
import time
from collections.abc import Sequence
from typing import Any, Final

import can

from drivers.transport.kernel_stamps import (
    StampClock,
    StampedFrame,
    receive_stamped,
    stamp_receptions,
)

FRAME: Final = struct.Struct("<IB3x8s")
FRAME_BYTES: Final = 16
MOST_TOGETHER: Final = 8  # classic frames in one packet
EXTENDED: Final = 0x8000_0000
REMOTE: Final = 0x4000_0000
FLEXIBLE: Final = 0x2000_0000
FLEXIBLE_HEAD: Final = struct.Struct("<IBB2x")
SWITCHED: Final = 1
ERROR_STATE: Final = 2
FLEXIBLE_LENGTHS: Final = frozenset((*range(9), 12, 16, 20, 24, 32, 48, 64))
LONGEST: Final = FRAME_BYTES * MOST_TOGETHER  # of a packet; one of CAN FD has 72 bytes at most
PACK: Final = FRAME.pack
UNPACK_FROM: Final = FRAME.unpack_from
# Looked up once: they are called several times in each cycle.
_select: Final = select.select
_monotonic: Final = time.monotonic
_wall: Final = time.time
LONGEST_PATH: Final = 100
# General options of python-can that are meaningful or harmless here.
TAKEN: Final = frozenset({"can_filters", "bitrate", "data_bitrate", "receive_own_messages"})


class LocalSocketBus(can.BusABC):
    """Hub or member of a local bus.

    Args:
        stamps: take the kernel's time of each reception, as SocketCAN does.

    Attributes:
        malformed: packets that were not frames and were ignored.
        dropped: frames that a member with a full queue missed; a hub counts each member.

    Raises:
        can.CanInitializationError: no hub, a second hub, or no such path.
    """

    def __init__(
        self,
        channel: str,
        role: str = "member",
        fd: bool = False,
        stamps: bool = False,
        **kwargs: Any,
    ) -> None:
        self._is_shutdown = True  # until initialised
        if role not in ("hub", "member"):
            raise can.CanInitializationError(f"role '{role}': write 'hub' or 'member'")
        for key in set(kwargs) - TAKEN:
            raise can.CanInitializationError(f"local_socket has no option '{key}': remove it")
        path = str(channel)
        if len(path.encode()) > LONGEST_PATH:
            raise can.CanInitializationError(
                f"socket path of {len(path)} characters is too long: at most {LONGEST_PATH}"
            )
        self._flexible = fd
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
            raise can.CanInitializationError(f"{path}: {error.strerror}", error.errno) from error
        self._socket.setblocking(False)
        self._watched = [self._number]
        self._ready: list[can.Message] = []  # rest of a packet's frames, the next one last
        # A member looks for one socket only. A look that does not wait costs less by poll.
        self._look = select.poll()
        self._look.register(self._number, select.POLLIN)
        self._clock: StampClock | None = None
        self._received_s = 0.0
        if stamps and not self._hub and stamp_receptions(self._socket):
            self._clock = StampClock()
        self._kind = can.Message if self._clock is None else StampedFrame
        self.channel_info = f"local_socket {path}"
        self._is_shutdown = False
        super().__init__(channel=channel, **kwargs)

    def fileno(self) -> int:
        """Return the descriptor of a member, readable when a packet waits; -1 for a hub."""
        return -1 if self._hub else self._number

    def send(self, msg: can.Message, timeout: float | None = None) -> None:
        """Send to all others, without waiting. A member whose queue is full misses the frame.

        Raises:
            can.CanOperationError: the hub has left.
            ValueError: a frame that this bus does not carry.
        """
        if msg.is_fd:
            self._pass_on(self._flexible_packet(msg), -1)
        else:
            self._send_packet(self._classic_packet(msg))

    def send_together(self, messages: Sequence[can.Message]) -> None:
        """Send classic frames as one packet: their receivers wake once.

        Args:
            messages: any number; more than ``MOST_TOGETHER`` take several packets.

        Raises:
            can.CanOperationError, ValueError: as ``send``.
        """
        for first in range(0, len(messages), MOST_TOGETHER):
            some = messages[first : first + MOST_TOGETHER]
            self._send_packet(b"".join([self._classic_packet(message) for message in some]))

    def _classic_packet(self, msg: can.Message) -> bytes:
        data = msg.data
        if msg.is_fd or msg.is_error_frame or len(data) > 8:
            raise ValueError(
                "local_socket carries no error frames, and classic ones of 8 bytes at most"
            )
        identifier = msg.arbitration_id
        if msg.is_extended_id:
            identifier |= EXTENDED
        if msg.is_remote_frame:
            identifier |= REMOTE
        return PACK(identifier, msg.dlc, data)

    def _send_packet(self, packet: bytes) -> None:
        if self._hub:
            self._pass_on(packet, -1)
            return
        try:
            self._socket.send(packet)
        except BlockingIOError:
            self.dropped += 1
        except OSError as error:
            raise can.CanOperationError(f"{self._path}: the bus was lost") from error

    def _flexible_packet(self, msg: can.Message) -> bytes:
        if not self._flexible:
            raise ValueError("this bus is classic: open it with fd=True for CAN FD frames")
        length = len(msg.data)
        if length not in FLEXIBLE_LENGTHS or msg.is_remote_frame:
            raise ValueError(f"CAN FD has no remote frames, and none of {length} bytes")
        identifier = msg.arbitration_id | FLEXIBLE
        if msg.is_extended_id:
            identifier |= EXTENDED
        flags = msg.bitrate_switch * SWITCHED | msg.error_state_indicator * ERROR_STATE
        return FLEXIBLE_HEAD.pack(identifier, length, flags) + msg.data

    def _pass_on(self, packet: bytes, but: int) -> None:
        # An atomic copy: another thread may be accepting a member.
        for number, peer in tuple(self._peers.items()):
            if number == but:
                continue
            try:
                peer.send(packet)
            except BlockingIOError:
                self.dropped += 1
            except OSError as error:
                # A member that left may have sent frames not yet read: the hub releases it only
                # after reading them all.
                if not self._hub:
                    raise can.CanOperationError(f"{self._path}: the bus was lost") from error

    def recv(self, timeout: float | None = None) -> can.Message | None:
        """Return one frame, or None after ``timeout`` seconds; 0 does not wait.

        Raises:
            can.CanOperationError: the hub has left.
        """
        if self._filters:
            return super().recv(timeout)
        # Without python-can's own wait, clock and log: this runs in cycles.
        return self._recv_internal(timeout)[0]

    def _recv_internal(self, timeout: float | None) -> tuple[can.Message | None, bool]:
        ready = self._ready
        if ready:
            return ready.pop(), False
        deadline = -1.0
        while True:
            if not self._waiting:
                left = timeout
                if timeout:
                    now = _monotonic()
                    if deadline < 0.0:
                        deadline = now + timeout
                    else:
                        left = max(0.0, deadline - now)
                if not self._wait(left):
                    return None, False
            number = self._waiting.pop()
            packet = self._packet(number)
            if packet and (frame := self._frames(packet, number)) is not None:
                return frame, False

    def _wait(self, timeout: float | None) -> bool:
        """Wait until some socket has a packet; False after ``timeout`` seconds, None waits on."""
        try:
            if timeout == 0.0 and not self._hub:
                if not self._look.poll(0):
                    return False
                self._waiting.append(self._number)
                return True
            # select, not poll: poll rounds a wait of 0.3 ms up to a whole millisecond.
            # One packet of each in turn: none can starve the others.
            self._waiting = _select(self._watched, (), (), timeout)[0]
        except (OSError, ValueError) as error:
            raise can.CanOperationError(f"{self._path}: the bus is closed") from error
        return bool(self._waiting)

    def _packet(self, number: int) -> bytes:
        """Return a packet of one socket; empty if none waits, it is new, or disconnected."""
        peer = self._peers.get(number)
        if peer is None:
            if self._hub and number == self._number:
                self._accept()
            return b""
        clock = self._clock
        try:
            if clock is None:
                packet = peer.recv(LONGEST + 1)
            else:
                packet, _, self._received_s = receive_stamped(peer, LONGEST + 1, clock)
        except BlockingIOError:
            return b""
        except ConnectionResetError:
            return b""  # reported once, before the remaining packets
        except OSError:
            packet = b""
        if not packet:
            self._gone(number)
        return packet

    def _frames(self, packet: bytes, number: int) -> can.Message | None:
        """Return the first frame of a packet and keep the others; None: counted as malformed."""
        if len(packet) > 3 and packet[3] & 0x20:
            return self._flexible_frame(packet, number)
        size = len(packet)
        sound = size % FRAME_BYTES == 0 and 0 < size <= LONGEST
        if sound:
            for first in range(0, size, FRAME_BYTES):
                if packet[first + 4] > 8 or packet[first + 3] & 0x20:
                    sound = False
        if not sound:
            self.malformed += 1
            return None
        if self._hub and len(self._peers) > 1:
            self._pass_on(packet, number)
        for first in range(size - FRAME_BYTES, 0, -FRAME_BYTES):
            self._ready.append(self._classic_frame(packet, first))
        return self._classic_frame(packet, 0)

    def _classic_frame(self, packet: bytes, first: int) -> can.Message:
        number, length, data = UNPACK_FROM(packet, first)
        identifier: int = number
        extended = identifier >= EXTENDED
        remote = identifier & REMOTE != 0
        # Without the class's own constructor, which checks what is known here: 1 us of a cycle.
        frame = self._kind.__new__(self._kind)
        frame.timestamp = _wall()
        frame.arbitration_id = identifier & (0x1FFF_FFFF if extended else 0x7FF)
        frame.is_extended_id = extended
        frame.is_remote_frame = remote
        frame.is_error_frame = False
        frame.channel = None
        frame.dlc = length
        frame.data = bytearray() if remote else bytearray(data)
        if length < 8 and not remote:
            del frame.data[length:]
        frame.is_fd = False
        frame.is_rx = True
        frame.bitrate_switch = False
        frame.error_state_indicator = False
        if isinstance(frame, StampedFrame):
            frame.received_s = self._received_s
        return frame

    def _flexible_frame(self, packet: bytes, number: int) -> can.Message | None:
        """Return a CAN FD frame, or None: counted as malformed."""
        size = FLEXIBLE_HEAD.size
        sound = (
            len(packet) >= size
            and packet[4] in FLEXIBLE_LENGTHS
            and (len(packet) == size + packet[4] and not packet[3] & 0x40)
        )
        if sound and self._hub:
            self._pass_on(packet, number)
        if not sound or not self._flexible:
            self.malformed += 1
            return None
        identifier, length, flags = FLEXIBLE_HEAD.unpack_from(packet)
        extended = identifier >= EXTENDED
        frame = self._kind(
            _wall(),
            identifier & (0x1FFF_FFFF if extended else 0x7FF),
            extended,
            dlc=length,
            data=bytearray(packet[size:]),
            is_fd=True,
            bitrate_switch=bool(flags & SWITCHED),
            error_state_indicator=bool(flags & ERROR_STATE),
        )
        if isinstance(frame, StampedFrame):
            frame.received_s = self._received_s
        return frame

    def _gone(self, number: int) -> None:
        if not self._hub:
            raise can.CanOperationError(f"{self._path}: the bus was lost")
        self._watched.remove(number)
        self._peers.pop(number).close()

    def _accept(self) -> None:
        with contextlib.suppress(OSError):
            peer, _ = self._socket.accept()
            peer.setblocking(False)
            self._peers[peer.fileno()] = peer
            self._watched.append(peer.fileno())

    def shutdown(self) -> None:
        """Leave the bus; a hub ends it."""
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
    """Remove the socket left by an earlier hub, and nothing else."""
    try:
        kind = os.lstat(path).st_mode
    except OSError:
        return  # bind reports any problem
    if not stat.S_ISSOCK(kind):
        raise can.CanInitializationError(
            f"{path} exists and is not a socket: give the bus another path"
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
    raise can.CanInitializationError(f"{path}: there is already a hub; open it as a member")
