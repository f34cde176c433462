"""A simulated serial-line CAN adapter on a pseudo-terminal, in a thread of the test."""

from __future__ import annotations

import contextlib
import os
import pty
import select
import threading
import tty
from types import TracebackType


class Adapter:
    """Adapter that takes commands; the test supplies the bus traffic.

    Attributes:
        path: path of the port.
        lines: every command received, without its CR, in order.
        refuses: first letters of the commands answered with BELL.
        mute: never answers, as some adapters.
        echo: sent frames come back from the bus.
    """

    def __init__(
        self, refuses: tuple[bytes, ...] = (), mute: bool = False, echo: bool = False
    ) -> None:
        self.master, self._slave = pty.openpty()
        tty.setraw(self._slave)
        self.path = os.ttyname(self._slave)
        self.lines: list[bytes] = []
        self.refuses = refuses
        self.mute = mute
        self.echo = echo
        self._ending = False
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()

    def _run(self) -> None:
        rest = b""
        while not self._ending:
            if not select.select((self.master,), (), (), 0.02)[0]:
                continue
            try:
                rest += os.read(self.master, 65536)
            except OSError:
                return
            *lines, rest = rest.split(b"\r")
            for line in lines:
                self.lines.append(line)
                self.say(self._answer(line))

    def _answer(self, line: bytes) -> bytes:
        # An empty line is an error to this adapter, as to some real ones.
        if not line or line.startswith(self.refuses or (b"\0",)):
            return b"\a"
        if self.mute:
            return b""
        if line[:1] in b"tTrRdDbB":
            done = b"z\r" if line[:1].islower() else b"Z\r"
            return done + (line + b"\r" if self.echo else b"")
        return b"\r"

    def say(self, data: bytes) -> None:
        """Send bytes to the computer unchanged."""
        while data:
            data = data[os.write(self.master, data) :]

    def unplug(self) -> None:
        self._ending = True
        self._thread.join(2.0)
        for number in (self.master, self._slave):
            with contextlib.suppress(OSError):
                os.close(number)
        self.master = self._slave = -1

    def __enter__(self) -> Adapter:
        return self

    def __exit__(
        self,
        _kind: type[BaseException] | None,
        _error: BaseException | None,
        _trace: TracebackType | None,
    ) -> None:
        if self.master >= 0:
            self.unplug()
