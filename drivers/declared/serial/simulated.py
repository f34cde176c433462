"""A simulated board at the far end of a serial line, with any codec."""

from __future__ import annotations

import contextlib
import os
import select
import socket
import stat
import time
import tty
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any, Protocol

from drivers.base import DriverError
from drivers.declared.common import PACE, BoardLogic
from drivers.declared.serial.codec import Codec
from drivers.declared.serial.options import FieldCounter, SerialOptions
from drivers.simulated import advance, real_time
from drivers.transport import Scaling

# A local socket, not a pseudo-terminal: the bytes of a terminal pass through a kernel thread of
# ordinary priority, which a busy computer delays by milliseconds, and even a non-blocking read
# waits for it. A real serial port does not have this delay.
WIRE_NAME = "board.sock"
SOCKET_SUFFIX = ".sock"
IDLE_S = 0.001
DOOR_S = 0.01
CHUNK = 4096
CLOCK_FAST = 40e-6  # typical crystal error
CLOCK_START_S = 3.7


def redirected(data: dict[str, Any], directory: Path) -> dict[str, Any]:
    """Return the description with its port in ``directory``, where the simulated board is found."""
    port = data.get("port")
    kept = (
        {key: value for key, value in port.items() if key != "usb"}
        if (isinstance(port, dict))
        else {}
    )
    return {**data, "port": {**kept, "path": str(directory / WIRE_NAME)}}


class FarEnd(Protocol):
    """Firmware run by ``simulate_serial``.

    Attributes:
        out: bytes that wait to be sent.
    """

    out: bytearray

    def next_due_s(self) -> float:
        """Return the time of the next streamed message; infinite: never."""

    def take(self, chunk: bytes, now_s: float) -> None:
        """Bytes from the host; physics has been brought up to now."""

    def tick(self, now_s: float) -> None:
        """Send due messages, and watch over the host."""


class SimulatedSerialBoard:
    """Board that takes messages, answers polls and streams messages.

    Attributes:
        echo, prompt: whether it repeats received bytes, and its text when ready.
        out: bytes that wait to be sent.
    """

    def __init__(
        self,
        options: SerialOptions,
        core: Any,
        codec: Codec,
        rolling: Mapping[str, FieldCounter | None],
    ) -> None:
        self._options = options
        self._core = core
        self._codec = codec
        self._logic = BoardLogic(options, core)
        self._sent_names = options.sent()
        self._rolling = {name: counter for name, counter in rolling.items() if counter}
        self._counts = dict.fromkeys(self._rolling, -1)
        self.echo = False
        self.prompt = b""
        self.out = bytearray()
        sources: dict[str, list[tuple[str, str, Scaling]]] = {}
        for quantity, given in options.gives.items():
            message, _, field = given.source.partition(".")
            sources.setdefault(message, []).append((str(quantity), field, given))
        self._sources = sources
        cadence, answered = options.cadence(), options.answered()
        self._streams = {name: every for name in sources if (every := cadence[name]) is not None}
        self._due = dict.fromkeys(self._streams, 0.0)
        self._asked = {
            name: answered.get(name) or options.poll for name in sources if cadence[name] is None
        }
        heartbeat = options.heartbeat
        commands = {taken.target.partition(".")[0] for taken in options.takes.values()}
        self._signs_of_life = {heartbeat.send} if heartbeat is not None else commands

    def next_due_s(self) -> float:
        """Return the time of the next streamed message."""
        return min(self._due.values(), default=float("inf"))

    def take(self, chunk: bytes, now_s: float) -> None:
        """Take bytes from the host; the physics is up to date. Answers go to ``out``."""
        if self.echo:
            self.out += chunk
        for name, values in self._codec.feed(chunk):
            self._obey(name, dict(zip(self._sent_names[name], values, strict=True)), now_s)
            self.out += self.prompt

    def _obey(self, name: str, values: dict[str, float], now_s: float) -> None:
        options, logic = self._options, self._logic

        def matches(wanted: Mapping[str, float]) -> bool:
            return all(abs(values[key] - value) < 1e-6 for key, value in wanted.items())

        if name in self._signs_of_life:
            logic.received(now_s)
        logic.order(name, matches)
        for quantity, taken in options.takes.items():
            message, _, field = taken.target.partition(".")
            if message == name:
                logic.target(str(quantity), taken.to_si(values[field]))
        for _, steps in options.sequences:
            for step in steps:
                if step.send == name and matches(step.values):
                    self._confirm(step.expect, now_s)
        for message, asked in self._asked.items():
            if asked == name:
                self._tell(message, now_s)

    def _confirm(self, expect: Mapping[str, float | bool], now_s: float) -> None:
        """Answer a dialogue's step with what it expects beyond the state of the power stage."""
        messages: list[str] = []
        for path, value in expect.items():
            message, dot, field = path.partition(".")
            if path in ("energised", "fault"):
                continue
            if dot:
                self._codec.set(message, field, float(value))
            if message not in messages:
                messages.append(message)
        for message in messages:
            self._tell(message, now_s)

    def tick(self, now_s: float) -> None:
        """Send streamed messages that are due, and watch over the host."""
        self._logic.watch(now_s)
        for name, every in self._streams.items():
            due = self._due[name]
            if now_s >= due:
                self._due[name] = due + every if now_s - due < every else now_s + every
                self._tell(name, now_s)

    def _tell(self, name: str, now_s: float) -> None:
        environment = self._core.environment
        if environment.silent:
            return
        sources = self._sources.get(name, ())
        moving = any(quantity in PACE for quantity, _, _ in sources)
        if environment.loses_sample() if moving else sources and environment.slow_values_silent:
            return
        codec, logic = self._codec, self._logic
        for quantity, field, scaling in sources:
            codec.set(name, field, scaling.from_si(logic.reading(quantity)))
        counter = self._rolling.get(name)
        if counter is not None:
            self._counts[name] = (self._counts[name] + 1) % counter.modulo
            codec.set(name, counter.field, self._counts[name])
        clock = self._options.clock
        if clock is not None and clock.source.partition(".")[0] == name:
            seconds = CLOCK_START_S + now_s * (1.0 + CLOCK_FAST)
            ticks = int(seconds / clock.tick) % clock.modulo
            codec.set(name, clock.source.partition(".")[2], ticks)
        self.out += codec.build(name)


def simulate_serial(options: Any, core: Any, control: Any, board: FarEnd) -> None:
    """Run a board until ``control.ending``; physics is paced by real time.

    ``options.port`` is a ``PortOptions``; its path becomes a local socket if it ends in
    ``.sock``, else a link to a pseudo-terminal.

    Raises:
        DriverError: neither can be made, or the path is something else.
    """
    path = Path(str(options.port.path))
    try:
        line = SocketLine(path) if path.suffix == SOCKET_SUFFIX else TerminalLine(path)
    except OSError as error:
        raise DriverError(f"{path}: no serial line can be made: {error.strerror}") from error
    real_time()
    try:
        control.ready()
        last = time.monotonic()
        polled = 0.0
        while not control.ending:
            chunk = line.read(min(IDLE_S, max(0.0, board.next_due_s() - time.monotonic())))
            now = time.monotonic()
            advance(core, now - last)
            last = now
            if chunk:
                board.take(chunk, now)
            board.tick(now)
            if board.out:
                line.write(board.out)
                board.out.clear()
            if now - polled > DOOR_S:
                polled = now
                control.poll()
    except OSError as error:
        raise DriverError(f"{path}: the serial line was lost: {error.strerror}") from error
    finally:
        line.close()


class TerminalLine:
    """The far end of a pseudo-terminal, to which ``path`` is a link. Raises ``OSError``."""

    def __init__(self, path: Path) -> None:
        _clear(path, stat.S_ISLNK)
        self._path = path
        # The host's end is kept open, otherwise a disconnecting host would end the connection.
        self._near, self._far = os.openpty()
        tty.setraw(self._far)
        os.set_blocking(self._near, False)
        path.symlink_to(os.ttyname(self._far))

    def read(self, wait_s: float) -> bytes:
        """Return the bytes received, or nothing after ``wait_s``."""
        if select.select((self._near,), (), (), wait_s)[0]:
            with contextlib.suppress(BlockingIOError):
                return os.read(self._near, CHUNK)
        return b""

    def write(self, data: bytes | bytearray) -> None:
        """Write; data that the host does not read is lost, as on any wire."""
        with contextlib.suppress(BlockingIOError):
            os.write(self._near, data)

    def close(self) -> None:
        with contextlib.suppress(OSError):
            self._path.unlink()
        os.close(self._near)
        os.close(self._far)


class SocketLine:
    """A local socket with one host at a time; a new one replaces the old."""

    def __init__(self, path: Path) -> None:
        _clear(path, stat.S_ISSOCK)
        self._path = path
        self._listener = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        os.fchmod(self._listener.fileno(), 0o600)
        self._listener.bind(str(path))
        self._listener.listen(1)
        self._listener.setblocking(False)
        self._host: socket.socket | None = None

    def read(self, wait_s: float) -> bytes:
        """See ``TerminalLine``."""
        host = self._host
        watched = [self._listener] if host is None else [host, self._listener]
        ready = select.select(watched, (), (), wait_s)[0]
        if self._listener in ready:
            self._let_go()
            self._host = self._listener.accept()[0]
            self._host.setblocking(False)
        elif host is not None and ready:
            try:
                chunk = host.recv(CHUNK)
            except BlockingIOError:
                return b""
            except OSError:
                chunk = b""
            if not chunk:
                self._let_go()
            return chunk
        return b""

    def write(self, data: bytes | bytearray) -> None:
        """See ``TerminalLine``."""
        if self._host is not None:
            with contextlib.suppress(OSError):
                self._host.send(data)

    def close(self) -> None:
        self._let_go()
        self._listener.close()
        with contextlib.suppress(OSError):
            self._path.unlink()

    def _let_go(self) -> None:
        host, self._host = self._host, None
        if host is not None:
            host.close()


def _clear(path: Path, is_kind: Callable[[int], bool]) -> None:
    """Remove the socket or link of an earlier board, and nothing else."""
    try:
        kind = path.lstat().st_mode
    except FileNotFoundError:
        return
    if not is_kind(kind):
        raise DriverError(f"{path} exists and is something else: give the port another path")
    path.unlink()
