"""A serial port by its path or by the identity of its adapter, read in whole chunks."""

from __future__ import annotations

import contextlib
import errno
import fcntl
import os
import select
import socket
import stat
import struct
import termios
import time
from collections import deque
from typing import Annotated, Literal

import serial
from pydantic import Field, model_validator
from serial.tools import list_ports

from drivers.base import DriverError
from drivers.capture import wires
from drivers.transport.board_quantities import Part
from drivers.transport.line_speed import actual_baud, wrong_speed

CHUNK = 4096
STALE_S = 0.02  # age of a sample at which most profiles stop
# Unread by the other end of a local socket, as counted by the system: about 40 messages.
MOST_UNREAD = 32_768
BLOCKED_S = 0.5  # without any read there, until it is reported. Common practice, no source
LONGEST_SEND_S = 0.002  # a full output buffer: the line is slower than what is sent on it
FIXES = {
    errno.EACCES: "no permission: get access, often by membership of the device's group",
    errno.EPERM: "no permission: get access, often by membership of the device's group",
    errno.ENOENT: "no such device: check drive.port.path and that the board is plugged in",
    errno.ENODEV: "no such device: check drive.port.path and that the board is plugged in",
    errno.ECONNREFUSED: "no process serves it: start the other end first",
    errno.EAGAIN: "another program uses it: end that one first",
    errno.EBUSY: "another program uses it: end that one first",
}
GENERAL_FIX = "check that the board is plugged in, drive.port is right and you have permission"


class UsbIdentity(Part):
    """USB identity of an adapter; the serial number distinguishes two of a kind."""

    vendor_id: Annotated[int, Field(ge=0, le=0xFFFF)]
    product_id: Annotated[int, Field(ge=0, le=0xFFFF)]
    serial_number: str | None = None

    def __str__(self) -> str:
        number = f", serial number {self.serial_number}" if self.serial_number else ""
        return f"USB {self.vendor_id:04x}:{self.product_id:04x}{number}"


class PortOptions(Part):
    """Port, and its bit format: eight data bits always."""

    path: str | None = None
    usb: UsbIdentity | None = None
    baud: Annotated[int, Field(ge=300, le=20_000_000)] = 115_200
    parity: Literal["none", "even", "odd"] = "none"
    stop_bits: Literal[1, 2] = 1

    @model_validator(mode="after")
    def _one_name(self) -> PortOptions:
        if (self.path is None) == (self.usb is None):
            raise ValueError("a port needs either path or usb; name one of the two")
        return self

    @property
    def bits_per_byte(self) -> int:
        return 9 + (self.parity != "none") + self.stop_bits


class SerialPort:
    """An open port. Once lost it stays lost: after reopening, power is off."""

    def __init__(self, options: PortOptions) -> None:
        self._options = options
        self._port: serial.Serial | socket.socket | None = None
        self._number = -1
        self._most_waiting = 0
        self._held: deque[tuple[float, bytes]] = deque()  # for a socket: write time and data
        self._cut = b""  # the rest of a partly sent message
        self._taken_s = 0.0  # when the socket last took all data
        self.path = options.path or str(options.usb)

    def open(self) -> None:
        """Open it and discard waiting data.

        Raises:
            DriverError: naming the port and the fix.
        """
        self.close()
        recording = wires.replayed()
        if recording is not None:
            # Replay instead of reading and writing.
            port = recording.port()
            self.__dict__.update(read=port.read, write=port.write)
            return
        self._open()
        wires.opened_port(self, self.path)

    def _open(self) -> None:
        options = self._options
        self.path = path = options.path or find_port(options.usb)
        if is_socket(path):
            self._connect(path)
            return
        try:
            port = serial.Serial(
                path,
                options.baud,
                parity=options.parity[0].upper(),
                stopbits=options.stop_bits,
                timeout=0,
                write_timeout=0,
                exclusive=True,
            )
        except (OSError, ValueError) as error:  # pyserial's exception is an OSError
            number = getattr(error, "errno", None)
            raise _not_opened(path, error, number) from error
        wrong = wrong_speed(options.baud, actual_baud(port.fileno()))
        if wrong:
            port.close()
            raise DriverError(f"serial port {path}: {wrong}")
        with contextlib.suppress(Exception):
            port.set_low_latency_mode(True)  # adapters otherwise hold bytes back for 16 ms
        with contextlib.suppress(Exception):
            port.reset_input_buffer()
        self._port = port
        self._most_waiting = max(64, int(STALE_S * options.baud / options.bits_per_byte))
        self._number = port.fileno()
        os.set_blocking(self._number, False)

    def _connect(self, path: str) -> None:
        """Connect to a local socket instead of a port, of a serial server or simulated board."""
        connection = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        try:
            connection.connect(path)
        except OSError as error:
            connection.close()
            raise _not_opened(path, error, error.errno) from error
        connection.setblocking(False)
        self._port = connection
        self._number = connection.fileno()
        self._held.clear()
        self._cut, self._taken_s = b"", time.monotonic()

    def read(self, until_s: float = 0.0) -> bytes:
        """Return the waiting bytes; if there are none, wait until ``until_s`` (monotonic) at most.

        Raises:
            DriverError: not open, or the port was lost.
        """
        number = self._number
        if number < 0:
            raise DriverError("the drive is not open")
        try:
            with contextlib.suppress(BlockingIOError):
                chunk = os.read(number, CHUNK)
                if chunk:
                    return chunk
                if isinstance(self._port, socket.socket):  # of a terminal, nothing waits
                    raise self._gone(None)
            left = until_s - time.monotonic()
            if left <= 0.0 or not select.select((number,), (), (), left)[0]:
                return b""
            chunk = os.read(number, CHUNK)
        except BlockingIOError:
            return b""
        except OSError as error:
            raise self._gone(error) from error
        if not chunk:
            raise self._gone(None)
        return chunk

    def write(self, data: bytes) -> None:
        """Send all data; drop data that has waited for ``STALE_S`` first.

        A command to remove power must not queue behind old commands. A message cut by this is
        damaged for the board; its checksum or the next cycle corrects that.

        Raises:
            DriverError: not open, lost, or so far behind that it takes no more.
        """
        if self._number < 0:
            raise DriverError("the drive is not open")
        if isinstance(self._port, socket.socket):
            self._write_socket(data)
            return
        give_up = 0.0
        self._drop_stale()
        while data:
            try:
                data = data[os.write(self._number, data) :]
                continue
            except BlockingIOError:
                pass
            except OSError as error:
                raise self._gone(error) from error
            now = time.monotonic()
            give_up = give_up or now + LONGEST_SEND_S
            if now >= give_up:
                raise DriverError(
                    f"serial port {self.path} takes no more bytes: send less, or raise its baud"
                )
            select.select((), (self._number,), (), give_up - now)

    def _write_socket(self, data: bytes) -> None:
        """Write as far as the other end reads; the rest waits here for the next call.

        The queue of a socket cannot be emptied, so it is not filled.
        """
        now_s, held = time.monotonic(), self._held
        held.append((now_s, data))
        while held[0][0] < now_s - STALE_S:
            held.popleft()
        try:
            while (self._cut or held) and self._unread() < MOST_UNREAD:
                message = self._cut or held.popleft()[1]
                self._cut = message
                self._cut = message[os.write(self._number, message) :]
        except BlockingIOError:
            pass
        except OSError as error:
            raise self._gone(error) from error
        if not held and not self._cut:
            self._taken_s = now_s
        elif now_s - self._taken_s > BLOCKED_S:
            raise DriverError(
                f"serial port {self.path} takes no more bytes: its other end is stuck"
            )

    def _unread(self) -> int:
        """Return the bytes not yet read by the other end of the socket, counted by the system."""
        try:
            return int(struct.unpack("i", fcntl.ioctl(self._number, termios.TIOCOUTQ, bytes(4)))[0])
        except OSError:  # no such count on this system: its own limit applies
            return 0

    def _drop_stale(self) -> None:
        """Empty the port's output queue if it holds more than the line can carry in time."""
        with contextlib.suppress(OSError, termios.error):
            waiting = struct.unpack("i", fcntl.ioctl(self._number, termios.TIOCOUTQ, bytes(4)))[0]
            if waiting > self._most_waiting:
                termios.tcflush(self._number, termios.TCOFLUSH)

    def close(self) -> None:
        """Release the port. Never raises."""
        for replaced in ("read", "write"):
            self.__dict__.pop(replaced, None)
        port, self._port = self._port, None
        self._number = -1
        if port is not None:
            with contextlib.suppress(Exception):
                port.close()

    def _gone(self, error: OSError | None) -> DriverError:
        reason = f": {error.strerror}" if error else ""
        return DriverError(
            f"serial port {self.path} was lost{reason}: check its plug and its power"
        )


def is_socket(path: str) -> bool:
    """Return whether this path is a local socket."""
    try:
        return stat.S_ISSOCK(os.stat(path).st_mode)
    except (OSError, ValueError):
        return False


def _not_opened(path: str, error: Exception, number: int | None) -> DriverError:
    reason = os.strerror(number) if number else str(error)
    fix = FIXES.get(number or 0, GENERAL_FIX)
    return DriverError(f"serial port {path} does not open: {reason}: {fix}")


def find_port(usb: UsbIdentity | None) -> str:
    """Return the path of the adapter with this identity.

    Raises:
        DriverError: none is plugged in, or more than one.
    """
    assert usb is not None
    plugged = list(list_ports.comports())
    found = [
        port.device
        for port in plugged
        if (port.vid, port.pid) == (usb.vendor_id, usb.product_id)
        and usb.serial_number in (None, port.serial_number)
    ]
    if len(found) == 1:
        return str(found[0])
    if found:
        raise DriverError(
            f"{usb}: plugged in {len(found)} times ({', '.join(found)}): "
            "name the serial_number in drive.port.usb"
        )
    there = ", ".join(
        f"{port.device} {port.vid:04x}:{port.pid:04x}" for port in plugged if port.vid is not None
    )
    raise DriverError(f"{usb}: not plugged in (found: {there or 'none'})")
