"""Operator at a terminal: prompted by text, answers by keys.

Hold-to-run is a key that is held: the terminal repeats it for as long as it is down. The first
press only arms; a repeat within ``LETS_GO_S`` is holding, and a longer silence is a release.
This hold-to-run control is software only and replaces no device.
"""

from __future__ import annotations

import codecs
import contextlib
import math
import os
import queue
import select
import termios
import textwrap
import threading
import time
import tty
from collections.abc import Iterator
from types import TracebackType
from typing import Any

from pydantic_core import PydanticCustomError

from drivers.quantities import kind_of
from hil.procedures import Choose, Hand, ProcedureFailed, Read, RequireHoldToRun

LETS_GO_S = 0.25
ARMING_S = 120.0
SETTLES_S = 0.5
HOLD_KEY, HOLD_NAME = " ", "the space bar"
WIDTH = 76
GONE = "the terminal is closed: no one can be prompted"


class TerminalOperator:
    """Implementation of ``hil.procedures.Operator``; a context manager that restores the terminal.

    Ctrl-C stays a signal. Prompts run in one thread at a time; any thread may read ``holding``.

    Args:
        keys, screen: file descriptors of the terminal's input and output.
    """

    def __init__(self, keys: int = 0, screen: int = 2) -> None:
        self._keys, self._screen = keys, screen
        self._typed: queue.Queue[str] = queue.Queue()
        self._gripping = False
        self._last_press_s = -math.inf
        self._repeats = False
        self._ending = threading.Event()
        self._gone = False
        self._before: list[Any] | None = None
        self._reader = threading.Thread(target=self._read_keys, daemon=True)

    def __enter__(self) -> TerminalOperator:
        with contextlib.suppress(termios.error):
            self._before = termios.tcgetattr(self._keys)
            tty.setcbreak(self._keys)
        self._reader.start()
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._ending.set()
        self._reader.join(1.0)
        if self._before is not None:
            with contextlib.suppress(termios.error):
                termios.tcsetattr(self._keys, termios.TCSAFLUSH, self._before)

    # -- the operator ----------------------------------------------------------------------

    @property
    def holding(self) -> bool:
        """True if the key repeats."""
        fresh = time.monotonic() - self._last_press_s <= LETS_GO_S
        return self._gripping and self._repeats and fresh

    def act(self, hand: Hand) -> float:
        self._ask(hand.instruction, "Enter when it is done, q if it cannot be done")
        if self._line().strip().lower() in ("q", "quit", "no", "n"):
            raise ProcedureFailed(f"not done: {hand.instruction}")
        return hand.amount if hand.act == "wiggle_cable" else SETTLES_S

    def read(self, question: Read) -> float:
        while True:
            self._ask(
                question.question,
                f"number with unit ({question.shown_unit}), or Enter if it cannot be read",
            )
            typed = self._line().strip()
            if not typed:
                return math.nan
            with contextlib.suppress(ValueError):
                typed = f"{float(typed):.12g} {question.shown_unit}"
            try:
                return float(kind_of(question.dimension, question.along).parse(typed))
            except (PydanticCustomError, ValueError) as error:
                self._say(f"Not understood: {error}")

    def choose(self, question: Choose) -> str:
        listed = "\n".join(f"  {i}  {option}" for i, option in enumerate(question.options, 1))
        while True:
            self._ask(f"{question.question}\n{listed}", "number or word, then Enter")
            typed = self._line().strip().lower()
            if typed.isdigit() and 1 <= int(typed) <= len(question.options):
                return question.options[int(typed) - 1]
            near = [o for o in question.options if typed and o.lower().startswith(typed)]
            if len(near) == 1 or typed in (o.lower() for o in near):
                return near[0] if len(near) == 1 else typed

    def confirm(self, question: str) -> bool:
        """Ask a question; any answer but yes is no."""
        self._ask(question, "y and Enter for yes, Enter for no")
        return self._line().strip().lower() in ("y", "yes")

    def hold_to_run(self, wanted: RequireHoldToRun) -> bool:
        if not wanted.on:
            was, self._gripping = self._gripping, False
            if was:
                self._say("Release it.")
                self._forget()
            return True
        self._forget()
        self._repeats = False
        self._gripping = True
        self._ask(
            wanted.text or "the rig is about to move",
            f"hold {HOLD_NAME} down; releasing it stops the rig; q to refuse",
        )
        until = time.monotonic() + ARMING_S
        while time.monotonic() < until and not self._gone:
            if self.holding:
                return True
            with contextlib.suppress(queue.Empty):
                if self._typed.get(timeout=0.02) in ("q", "Q"):
                    break
        self._gripping = False
        return False

    # -- keys and texts --------------------------------------------------------------------

    def _read_keys(self) -> None:
        decoder = codecs.getincrementaldecoder("utf-8")("replace")
        while not self._ending.is_set():
            try:
                if not select.select([self._keys], [], [], 0.05)[0]:
                    continue
                raw = os.read(self._keys, 256)
            except (OSError, ValueError):
                raw = b""
            if not raw:
                self._gone = True
                return
            for key in decoder.decode(raw):
                if self._gripping and key == HOLD_KEY:
                    now = time.monotonic()
                    self._repeats = now - self._last_press_s <= LETS_GO_S
                    self._last_press_s = now
                else:
                    self._typed.put(key)

    def _line(self) -> str:
        typed = ""
        for key in self._each():
            if key in ("\r", "\n"):
                self._write("\n")
                return typed
            if key in ("\x7f", "\b"):
                if typed:
                    typed = typed[:-1]
                    self._write("\b \b")
            elif key.isprintable():
                typed += key
                self._write(key)
        raise ProcedureFailed(GONE)

    def _each(self) -> Iterator[str]:
        while True:
            try:
                yield self._typed.get(timeout=0.05)
            except queue.Empty:
                if self._gone or self._ending.is_set():
                    return

    def _forget(self) -> None:
        """Discard keys pressed before a prompt: they do not answer it."""
        with contextlib.suppress(queue.Empty):
            while True:
                self._typed.get_nowait()

    def _ask(self, text: str, how: str) -> None:
        self._forget()
        self._write("\a")
        self._say(f"\n{text}")
        self._write(f"  [{how}] > ")

    def _say(self, text: str) -> None:
        for line in text.split("\n"):
            self._write(textwrap.fill(line, WIDTH, drop_whitespace=False) + "\n")

    def _write(self, text: str) -> None:
        with contextlib.suppress(OSError):
            os.write(self._screen, text.encode())
