"""CAN adapters on a serial line for python-can: interface ``serial_line``, channel = port.

The open text protocol of python-can's ``slcan``, with the same option names:
``t`` and ``T`` are data frames with 11 and 29 bits of identifier, ``r`` and ``R`` remote ones,
``d``, ``D``, ``b`` and ``B`` CAN FD frames (``b``, ``B`` with the data bit rate), supported by some
adapters; a line ends with CR, and BELL alone refuses a command. All waiting bytes are read and
split into frames at once, where the stock reader makes a system call for each byte.
"""

from __future__ import annotations

import contextlib
import fcntl
import os
import select
import struct
import termios
import time
from collections import deque
from typing import Any

import can
import serial

from drivers.transport.line_speed import actual_baud, held_back_ms, wrong_speed
from drivers.transport.serial_line_frames import LONGEST_LINE, frame_line, line_frame

BIT_RATES = {
    10_000: b"S0",
    20_000: b"S1",
    50_000: b"S2",
    100_000: b"S3",
    125_000: b"S4",
    250_000: b"S5",
    500_000: b"S6",
    750_000: b"S7",
    1_000_000: b"S8",
    83_300: b"S9",
}
DATA_BIT_RATES = {2_000_000: b"Y2", 5_000_000: b"Y5"}
CHUNK = 65536
MOST_HELD_MS = 1.0  # the shortest that adapters offer
MOST_QUEUED = 512  # bytes in the port: about twenty frames
BLOCKED_S = 0.1  # without a byte taken: the adapter is reported as stuck
ANSWER_S = 0.3
ANSWERS = frozenset(b"zZVvNFA")  # taken, version, serial number, flags
# General options of python-can that are meaningful or harmless here.
TAKEN = frozenset({"can_filters", "fd", "receive_own_messages"})


class SerialLineBus(can.BusABC):
    """One adapter, on a port used only by this process.

    Attributes:
        malformed: lines that were neither frame nor answer, ignored.
        refused: commands and frames answered with BELL.
        acknowledged: commands and frames acknowledged.

    Args:
        channel: port, such as a path; ``PORT@BAUD`` also gives the line's rate.
        tty_baudrate: bit rate of the serial line in bit/s; ignored by USB adapters.
        bitrate: bit rate of the bus in bit/s; by default the adapter keeps its own.
        data_bitrate: bit rate of the data of CAN FD frames in bit/s, for adapters that support
            them.
        listen_only: the adapter acknowledges and sends nothing.
        sleep_after_open: seconds needed by an adapter that restarts when opened.
        rtscts: hardware handshake.

    Raises:
        can.CanInitializationError: the port does not open, or the adapter refuses.
        ValueError: a bit rate without a command in the protocol.
    """

    def __init__(
        self,
        channel: str,
        tty_baudrate: int = 115200,
        bitrate: int | None = None,
        data_bitrate: int | None = None,
        listen_only: bool = False,
        sleep_after_open: float = 0.0,
        rtscts: bool = False,
        **kwargs: Any,
    ) -> None:
        self._is_shutdown = True  # until initialised
        for key in set(kwargs) - TAKEN:
            raise can.CanInitializationError(f"serial_line has no option '{key}': remove it")
        if not channel:
            raise can.CanInitializationError("serial_line needs a port as its channel")
        commands = [_rate(bitrate, BIT_RATES, "bitrate")]
        commands += [_rate(data_bitrate, DATA_BIT_RATES, "data_bitrate")]
        path, at, baud = str(channel).rpartition("@")
        if at and baud.isdecimal():
            tty_baudrate = int(baud)
        else:
            path = str(channel)
        self.malformed = self.refused = self.acknowledged = 0
        self._path = path
        self._frames: deque[can.Message] = deque()
        self._rest = b""  # the beginning of a line
        self._skipping = False  # the rest of a line that was too long
        self._cut = b""  # the rest of a line whose beginning was taken
        self._waiting: dict[object, bytes] = {}  # lines by identifier
        self._blocked_since_s = 0.0
        try:
            self._port = serial.Serial(path, tty_baudrate, timeout=0, rtscts=rtscts, exclusive=True)
            self._number = self._port.fileno()
            os.set_blocking(self._number, False)
        except (OSError, ValueError) as error:
            raise can.CanInitializationError(
                f"{path}: {getattr(error, 'strerror', None) or error}",
                getattr(error, "errno", None),
            ) from error
        wrong = wrong_speed(tty_baudrate, actual_baud(self._number))
        if wrong:
            self._port.close()
            raise can.CanInitializationError(f"{path}: {wrong}")
        with contextlib.suppress(Exception):
            # Otherwise converters collect bytes for up to 16 ms; not all support this setting.
            self._port.set_low_latency_mode(True)
        self._is_shutdown = False
        self.channel_info = f"serial_line {path}"
        held = held_back_ms(path)
        if held is not None and held > MOST_HELD_MS:
            self.channel_info += f", whose adapter holds received bytes back for {held:g} ms"
        self._can_protocol = (
            can.CanProtocol.CAN_FD if kwargs.get("fd") or data_bitrate else can.CanProtocol.CAN_20
        )
        try:
            self._start(commands, listen_only, sleep_after_open)
            super().__init__(channel=channel, **kwargs)
        except BaseException:
            self.shutdown()
            raise

    def _start(self, commands: list[bytes], listen_only: bool, settle_s: float) -> None:
        if settle_s > 0:
            time.sleep(settle_s)
        # A closed adapter may refuse to close; one left open, or in the middle of a line, gets a
        # known state by this. Never send an empty line: some adapters treat it as an error.
        for _ in range(2):
            self._ask(b"C", 0.1)
        self._drain()
        for command in (*commands, b"L" if listen_only else b"O"):
            if command and self._ask(command, ANSWER_S) is False:
                raise can.CanInitializationError(
                    f"{self._path}: the adapter refuses '{command.decode()}': check that it "
                    "supports this bit rate and mode"
                )

    def _ask(self, command: bytes, wait_s: float) -> bool | None:
        """Send a command; return whether the adapter took it, None if it does not answer."""
        taken, refused = self.acknowledged, self.refused
        self._write(command + b"\r")
        until = time.monotonic() + wait_s
        while (left := until - time.monotonic()) > 0:
            self._fill(left)
            if self.refused != refused:
                return False
            if self.acknowledged != taken:
                return True
        return None

    def _drain(self) -> None:
        """Drop data sent before the adapter was closed."""
        while self._fill(0.0):
            pass
        self._frames.clear()
        self._rest, self._skipping = b"", False
        self.malformed = self.refused = self.acknowledged = 0

    def send(self, msg: can.Message, timeout: float | None = None) -> None:
        """Pass a frame to the adapter, without waiting.

        While the adapter accepts nothing, only the latest frame of each identifier is kept: a
        command to remove power must not queue behind old commands.

        Raises:
            can.CanOperationError: the port was lost, or has been blocked for long; the frame is
                still kept.
            ValueError: an error frame.
        """
        self._write(frame_line(msg), (msg.arbitration_id, msg.is_extended_id, msg.is_remote_frame))

    def _write(self, line: bytes, key: object = None) -> None:
        if self._cut or self._waiting:
            # Put last, so that frames are sent in the order of their latest values.
            self._waiting.pop(key, None)
            self._waiting[object() if key is None else key] = line
            self._flush()
            return
        count = self._hand_over(line)
        if count == len(line):
            return
        self._blocked_since_s = time.monotonic()
        if count:
            self._cut = line[count:]
        else:
            self._waiting[object() if key is None else key] = line

    def _hand_over(self, line: bytes) -> int:
        """Write as much of ``line`` as the port takes, and return the count; 0 while it is full.

        Bytes in the port cannot be withdrawn, so it is not filled: lines wait here instead.
        """
        try:
            queued = struct.unpack("i", fcntl.ioctl(self._number, termios.TIOCOUTQ, bytes(4)))[0]
            return 0 if queued > MOST_QUEUED else os.write(self._number, line)
        except BlockingIOError:
            return 0
        except OSError as error:
            raise self._gone(error) from error

    def _flush(self) -> None:
        """Write waiting lines, as far as the port takes them.

        Raises:
            can.CanOperationError: the port was lost, or has taken nothing for ``BLOCKED_S``.
        """
        while self._cut or self._waiting:
            key = next(iter(self._waiting), None)
            line = self._cut or self._waiting[key]
            count = self._hand_over(line)
            if not count:
                if time.monotonic() - self._blocked_since_s > BLOCKED_S:
                    raise can.CanOperationError(f"{self._path}: the adapter takes no more frames")
                return
            self._blocked_since_s = time.monotonic()
            if not self._cut:
                del self._waiting[key]
            self._cut = line[count:]

    def recv(self, timeout: float | None = None) -> can.Message | None:
        """Return one frame, or None after ``timeout`` seconds; 0 does not wait.

        Its time stamp is the time of reception here.

        Raises:
            can.CanOperationError: the port was lost.
        """
        if self._filters:
            return super().recv(timeout)
        # Without python-can's own wait, clock and log: this runs in cycles.
        return self._recv_internal(timeout)[0]

    def _recv_internal(self, timeout: float | None) -> tuple[can.Message | None, bool]:
        frames = self._frames
        if frames:
            return frames.popleft(), False
        deadline = None if not timeout else time.monotonic() + timeout
        left = timeout
        while True:
            if self._cut or self._waiting:
                self._flush()
            read = self._fill(left)
            if frames:
                return frames.popleft(), False
            if deadline is not None:
                left = max(0.0, deadline - time.monotonic())
            if not read and left is not None and left <= 0:
                return None, False
            if read and timeout == 0:
                # An incomplete line: the rest has not arrived yet.
                return None, False

    def _fill(self, timeout: float | None) -> bool:
        """Receive all waiting bytes; return whether any came within ``timeout``."""
        try:
            ready = select.select((self._number,), (), (), timeout)[0]
            if not ready:
                return False
            chunk = os.read(self._number, CHUNK)
        except BlockingIOError:
            return False
        except (OSError, ValueError) as error:
            raise self._gone(error) from error
        if not chunk:
            # Readable and yet empty: unplugged.
            raise self._gone(None)
        self._take(chunk, time.time())
        return True

    def _take(self, chunk: bytes, now_s: float) -> None:
        if b"\a" in chunk:
            self.refused += chunk.count(b"\a")
            # A line interrupted by BELL is not a frame; a line end alone would be an answer.
            chunk = chunk.replace(b"\a", b"\a\r")
        lines = (self._rest + chunk).split(b"\r")
        rest = lines.pop()
        if self._skipping and lines:
            self._skipping = False
            lines[0] = b"\a"
        if len(rest) > LONGEST_LINE or self._skipping:
            if not self._skipping:
                self.malformed += 1
            self._skipping = True
            rest = b""
        self._rest = rest
        append = self._frames.append
        for line in lines:
            if not line:
                self.acknowledged += 1
                continue
            frame = line_frame(line, now_s)
            if frame is not None:
                append(frame)
            elif line[0] in ANSWERS:
                self.acknowledged += 1
            elif line != b"\a":
                self.malformed += 1

    def _gone(self, error: BaseException | None) -> can.CanOperationError:
        text = (getattr(error, "strerror", None) or str(error)) if error else "it was unplugged"
        return can.CanOperationError(f"{self._path}: the port was lost: {text}")

    def shutdown(self) -> None:
        """Close the adapter and the port."""
        if self._is_shutdown:
            return
        super().shutdown()
        with contextlib.suppress(can.CanError):
            self._write(b"C\r")
        with contextlib.suppress(Exception):
            self._port.close()


def _rate(given: int | None, known: dict[int, bytes], name: str) -> bytes:
    if given is None:
        return b""
    if given not in known:
        raise ValueError(f"{name} {given}: choose one of {', '.join(map(str, sorted(known)))}")
    return known[given]
