"""Run a procedure through the link, in real time, on a real or a simulated rig."""

from __future__ import annotations

import contextlib
import threading
import time
from collections.abc import Callable
from functools import partial
from typing import Generic, TypeVar

import numpy as np
from numpy.typing import NDArray

from drivers.base import PowerStage
from hil.core import (
    INDEX,
    Commission,
    Enable,
    EndCommission,
    EndRun,
    PowerOff,
    Request,
    Reset,
    State,
    Stop,
)
from hil.link import Block, Client, HostGone, LinkError, Refused, favoured
from hil.procedures.procedure import (
    Action,
    Drop,
    Ended,
    EnvironmentLike,
    Operator,
    Procedure,
    Push,
    no_rows,
)
from hil.procedures.runner import AFTER_TRIP_S, ENABLE_EVERY_S, Runner

POLL_S = 0.01
T = TypeVar("T")
POWER_OFF_WAIT_S = 3.0
COMPUTES_S = 10.0  # longest wait, at the end, for a procedure that still computes
STATE, POWER = INDEX["state"], INDEX["power_stage"]


class _Beside(Generic[T]):
    """A call in its own thread, and its result or error."""

    def __init__(self, call: Callable[[], T]) -> None:
        self._answers: list[T] = []
        self._errors: list[BaseException] = []
        # Not Thread.join: in Python 3.11 a join that Ctrl-C breaks off marks its thread as ended.
        self._ended = threading.Event()
        self._call = call

    def start(self) -> None:
        """Make the call."""
        threading.Thread(target=self._work, daemon=True).start()

    def _work(self) -> None:
        try:
            self._answers.append(self._call())
        except BaseException as error:
            self._errors.append(error)
        self._ended.set()

    def ends_within(self, seconds: float) -> bool:
        """Wait for the end of the call; return False if it takes longer."""
        return self._ended.wait(seconds)

    def result(self) -> T:
        """Return what the call returned, or raise what it raised; it has ended."""
        if self._errors:
            raise self._errors[0]
        return self._answers[0]


class LiveRunner(Runner):
    """Runner of a procedure through the link, in real time.

    It holds control for the whole procedure and sends heartbeats while it waits, also while it
    waits for a person's answer.

    Args:
        client: connected, not used by anything else.
        environment: environment of a simulated rig; None on a real one, where a person is asked
            instead.
        prompt: asks a person and returns the answer; called in its own thread.
        tell: takes progress lines.
        operator: stand-in for a person's hands, where a procedure needs them; called in its own thread.
    """

    def __init__(
        self,
        client: Client,
        environment: EnvironmentLike | None,
        prompt: Callable[[str], bool],
        tell: Callable[[str], None] = lambda _text: None,
        operator: Operator | None = None,
    ) -> None:
        super().__init__(tell, operator)
        self._next_enable_s = 0.0
        self._envelope: Commission | None = None
        self._interrupted = threading.Event()
        self._client = client
        self._environment = environment
        self._prompt = prompt
        self.recording = ""  # run folder's name, once the recorder has sent it
        self.recorded = ""  # the same, once the run is complete on disk
        self._computing: _Beside[Action] | None = None
        self._blocks: list[NDArray[np.float64]] = []
        self._last: NDArray[np.float64] | None = None

    def run(self, procedure: Procedure) -> Ended:
        """Run as in the base class.

        Raises:
            Refused: another client holds control.
        """
        with favoured():
            self._take_control()
            try:
                return super().run(procedure)
            finally:
                # If the host is gone or has dropped this client, there is nothing to release.
                with contextlib.suppress(LinkError):
                    self._client.request(EndRun())
                    self._client.release_control()

    def interrupt(self) -> None:
        """End the procedure at its next action as Ctrl-C does; may be called from any thread."""
        self._interrupted.set()

    def wait_recorded(self, timeout_s: float) -> str:
        """Return the name of the run's folder once it is complete on disk.

        After ``timeout_s``, return the name as far as it is known; empty if no recorder reported it.
        """
        until = time.monotonic() + timeout_s
        with contextlib.suppress(HostGone):
            while self._still_recording and time.monotonic() < until:
                self._service()
                time.sleep(POLL_S)
        return self.recorded or self.recording

    @property
    def _still_recording(self) -> bool:
        return not self.recorded or self.recording not in ("", self.recorded)

    def _send(self, request: Request) -> tuple[bool, str]:
        self._service()
        try:
            if isinstance(request, Stop):
                return True, self._client.stop(request.cause)
            self._take_back()
            try:
                text = self._client.request(request)
            except Refused:
                self._service()
                if not self._take_back():
                    raise
                text = self._client.request(request)
            if isinstance(request, Commission):
                self._envelope = request
            elif isinstance(request, EndCommission):
                self._envelope = None
            return True, text
        except Refused as refusal:
            return False, str(refusal)
        finally:
            self._service()

    def _take_back(self) -> bool:
        """Take control again if a busy computer made a heartbeat late while nothing could move."""
        if self._client.in_control or not self._without_power:
            return False
        self._take_control()
        if self._envelope is not None:
            # The host dropped it when control was lost.
            self._client.request(self._envelope)
        return True

    def _take_control(self) -> None:
        self._client.take_control()
        if self._client.reset_needed:
            # The bench rests de-energised; only the reset of an earlier holder has expired.
            self._client.request(Reset())

    @property
    def _without_power(self) -> bool:
        resting = (State.DE_ENERGISED, State.STOPPED)
        return self._last is not None and self._last[STATE] in resting

    def _pause(self, seconds: float) -> None:
        until = time.monotonic() + seconds
        while (left := until - time.monotonic()) > 0:
            self._service()
            self._raise_if_stopped()
            time.sleep(min(POLL_S, left))
        self._service()

    def _confirm(self, question: str) -> bool:
        if self._environment is not None:
            return True
        return bool(self._meanwhile(lambda: self._prompt(question)))

    def _meanwhile(self, ask: Callable[[], T]) -> T:
        """Call ``ask`` in a thread while the bench continues; return or raise as it does."""
        beside = _Beside(ask)
        beside.start()
        while not beside.ends_within(POLL_S):
            self._service()
            self._raise_if_stopped()
        return beside.result()

    def _advance(self, go: Callable[[], Action]) -> Action:
        """Let the procedure compute, for seconds if needed, while the heartbeat continues.

        A stop meanwhile is thrown into it before the next action.
        """
        # Known before it starts: Ctrl-C may come while the thread begins.
        self._computing = beside = _Beside(go)
        beside.start()
        while not beside.ends_within(POLL_S):
            self._service()
        return beside.result()

    def _close(self, procedure: Procedure) -> None:
        if self._computing is not None:
            self._computing.ends_within(COMPUTES_S)
        with contextlib.suppress(ValueError):  # it still computes, but power is off
            super()._close(procedure)

    def _wait_for(self, answer: Callable[[Operator], T]) -> T:
        return self._meanwhile(lambda: super(LiveRunner, self)._wait_for(answer))

    def _hang(self, mass_kg: float) -> bool:
        if self._environment is not None:
            # In its own thread: the answer may take longer than a heartbeat may.
            self._meanwhile(partial(self._environment.hang, mass_kg))
            return True
        return self._confirm(f"Hang {mass_kg:g} kg." if mass_kg > 0 else "Take every weight off.")

    def _drop(self, drop: Drop) -> bool:
        if self._environment is not None:
            self._meanwhile(partial(self._environment.drop, drop.mass_kg, drop.height_m))
            return True
        return self._confirm(drop.words)

    def _push(self, push: Push) -> None:
        if self._environment is not None:
            push_it = partial(
                self._environment.push, push.force_N, push.frequency_Hz, push.duration_s
            )
            self._meanwhile(push_it)
        elif push.force_N:
            rhythm = f", {push.frequency_Hz:g} times a second" if push.frequency_Hz else ""
            lasting = f" for {push.duration_s:g} s" if push.duration_s else ""
            self._tell(f"Push by hand at the load with about {push.force_N:g} N{rhythm}{lasting}.")

    def _service(self) -> None:
        """Take the host's messages; ``poll`` sends heartbeats whenever they are due.

        Raises:
            HostGone: the host has fallen silent.
        """
        for item in self._client.poll():
            if isinstance(item, Block):
                self._blocks.append(item.rows)
                self._last = item.rows[-1]
            elif item.kind == "recording":
                self.recording = str(item.get("run", ""))
            elif item.kind == "recorded":
                self.recorded = str(item.get("run", ""))
            else:
                if item.kind in ("recorder_lost", "recorder_back", "power_removal"):
                    self._tell(str(item.get("text", "")))
                self._events.append(item)
        now = time.monotonic()
        if self._held and self._operator is not None and now >= self._next_enable_s:
            self._next_enable_s = now + ENABLE_EVERY_S
            # Refused means not enabled, and the host stops any motion: its event says why.
            with contextlib.suppress(Refused):
                self._client.request(Enable(held=self._operator.holding))
        if not self._client.alive:
            raise HostGone("the rig host has fallen silent; the drive stops by itself")

    def _raise_if_stopped(self) -> None:
        # While the rig is stopped anyway, the interrupt waits for what comes next.
        if self._interrupted.is_set() and not self._stop_is_own:
            self._interrupted.clear()
            raise KeyboardInterrupt
        super()._raise_if_stopped()

    def _take_rows(self) -> NDArray[np.float64]:
        rows = np.concatenate(self._blocks) if self._blocks else no_rows()
        self._blocks.clear()
        return rows

    def _power_down(self) -> None:
        if self._last is not None and self._last[STATE] in (State.STANDBY, State.RUNNING):
            self._send(PowerOff())
        self._await_power_off()

    def _after_stop(self, trip: bool) -> None:
        self._stop_is_own = True
        if trip:
            self._pause(AFTER_TRIP_S)
        self._await_power_off()

    def _stop(self, cause: str) -> None:
        self._stop_is_own = True
        self._client.stop(cause)
        self._await_power_off()

    def _await_power_off(self) -> None:
        until = time.monotonic() + POWER_OFF_WAIT_S
        self._last = None
        while self._last is None or self._last[POWER] not in (PowerStage.OFF, PowerStage.FAULT):
            if time.monotonic() > until:
                self._tell("NOTHING SHOWS THAT POWER IS OFF: press the emergency stop.")
                return
            self._service()
            time.sleep(POLL_S)
