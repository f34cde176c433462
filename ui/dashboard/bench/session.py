"""The window's connections: the link to the rig host, and the simulated rig's environment.

No Qt. ``pump`` is called from the window's main loop and carries its heartbeat: a window that
hangs sends no heartbeat, and the rig host stops the rig.
"""

from __future__ import annotations

import contextlib
import queue
import threading
import time
import traceback
from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any

from drivers.base import DriverError
from drivers.simulated import EnvironmentClient
from hil.core import (
    Apply,
    Behaviour,
    Enable,
    EndRun,
    Marker,
    PowerOff,
    PowerOn,
    Request,
    Reset,
    StartRun,
)
from hil.link import Answer, Client, Refused
from ui.dashboard.bench.operate_model import OperateModel
from ui.dashboard.bench.wording import asked_words

ANSWER_S = 0.5  # after which the operator is informed that none came
SMOOTH_S, SMOOTH_TURNS = 0.05, 8  # turns of the main loop that show it runs smoothly
OPENING_S = 2.0  # after which control is taken anyway
STATE_EVERY_S = 0.2
DOOR_TIMEOUT_S = 1.0


class LoadHand:
    """Weights and hand of the simulated rig, requested from a separate thread.

    The rig's process may be busy; the window must not wait for it.
    """

    def __init__(self, endpoint: str) -> None:
        self.hung_kg: float | None = None
        self.hand_N = 0.0
        self.troubles: queue.SimpleQueue[str] = queue.SimpleQueue()
        self._tasks: queue.SimpleQueue[Callable[[EnvironmentClient], Any] | None] = (
            queue.SimpleQueue()
        )
        self._endpoint = endpoint
        self._thread = threading.Thread(target=self._run, name="simulated load", daemon=True)
        self._thread.start()

    def hang(self, mass_kg: float) -> None:
        self._tasks.put(lambda control: control.hang(mass_kg))

    def push(self, force_N: float) -> None:
        self._tasks.put(lambda control: control.push(force_N))

    def close(self) -> None:
        self._tasks.put(None)
        self._thread.join(2 * DOOR_TIMEOUT_S)

    def _run(self) -> None:
        control = EnvironmentClient(self._endpoint, DOOR_TIMEOUT_S)
        said = ""
        while True:
            try:
                task = self._tasks.get(timeout=STATE_EVERY_S)
                if task is None:
                    break
            except queue.Empty:
                task = None
            try:
                if task is not None:
                    task(control)
                state = control.state()
                self.hung_kg = float(state["mass_kg"])
                self.hand_N = float(state["hand_force_N"])
                said = ""
            except (DriverError, ValueError) as error:
                self.hung_kg = None
                if str(error) != said:
                    said = str(error)
                    self.troubles.put(said)
        control.close()


@dataclass(frozen=True)
class _Asked:
    what: str  # as text, for the notices
    request: Request | None
    then: Callable[[Answer], None] | None


class Session:
    """Session of the window with the bench. No call blocks.

    Args:
        client: connected.
        watch_only: never ask for control.
        profile_file: the rig's profile, if its file is on this computer.
    """

    def __init__(
        self, client: Client, watch_only: bool = False, profile_file: Path | None = None
    ) -> None:
        self.client = client
        self.profile_file = profile_file
        self.model = OperateModel(client.description)
        self.model.watch_only = watch_only
        self.load: LoadHand | None = None
        endpoint = client.description.get("environment")
        if self.model.simulated and endpoint:
            self.load = LoadHand(str(endpoint))
        self._asked: dict[int, _Asked] = {}
        self.on_accepted: list[
            Callable[[Request], None]
        ] = []  # called with what the bench has accepted
        self._listeners: list[tuple[Any, str]] = []
        # Control is taken once the loop turns smoothly: building a window and first drawing it,
        # with fonts to load, takes longer than a heartbeat may.
        self._to_take = not watch_only
        self._opened_s = self._turned_s = time.monotonic()
        self._smooth = 0

    def close(self) -> None:
        """Close the connections; with control held and power on, that stops the rig."""
        if self.load is not None:
            self.load.close()
        self.client.close()

    def listen(self, listener: Any, name: str) -> None:
        """Pass what arrives to ``listener.feed(items, now_s)`` and ``listener.answered(answer)``.

        Either may be missing. A listener that raises receives no more, and the rig is stopped:
        what it watched would continue unwatched.

        Args:
            name: name of the listener, for the notice about it.
        """
        if hasattr(listener, "feed") or hasattr(listener, "answered"):
            self._listeners.append((listener, name))

    def pump(self) -> None:
        """Send the heartbeat, receive, and pass on. Never blocks."""
        now_s = time.monotonic()
        self._smooth = self._smooth + 1 if now_s - self._turned_s < SMOOTH_S else 0
        self._turned_s = now_s
        if self._smooth >= SMOOTH_TURNS or now_s - self._opened_s > OPENING_S:
            self._take_if_due()
        self.heartbeat()
        items = self.client.poll()
        now_s = time.monotonic()
        model = self.model
        if items:
            model.feed(items, now_s)
        else:
            model.tick(now_s)
        answers = self._answers()
        model.in_control = self.client.in_control
        model.lost_samples = self.client.lost_samples
        model.link_delay_s = self.client.link_delay_s
        if self.load is not None:
            model.hung_kg = self.load.hung_kg
            model.hand_N = self.load.hand_N
            while not self.load.troubles.empty():
                model.say(self.load.troubles.get())
        for answer in answers:
            self._answered(answer)
        for listener, name in list(self._listeners):
            self._guarded(name, listener, partial(_hand_on, listener, items, answers, now_s))

    def heartbeat(self) -> None:
        """Send only the heartbeat, between the parts of bounded work (pages being rebuilt)."""
        if self.client.in_control:
            self.client.heartbeat()

    def _answers(self) -> list[Answer]:
        try:
            return self.client.answers()
        except Refused as error:
            self.model.say(str(error))
            return []

    def _answered(self, answer: Answer) -> None:
        asked = self._asked.pop(answer.number, None)
        if asked is None:
            return
        self.model.answered(asked.what, answer)
        if answer.accepted and asked.request is not None:
            for accepted in self.on_accepted:
                accepted(asked.request)
        if asked.then is not None:
            self._guarded(asked.what, None, partial(asked.then, answer))

    def _guarded(self, name: str, listener: Any, act: Callable[[], None]) -> None:
        try:
            act()
        except Exception as error:  # no error of a page may stop the heartbeat
            self._listeners = [pair for pair in self._listeners if pair[0] is not listener]
            self.model.say(f"{name} has failed ({type(error).__name__}: {error}); rig stopped")
            self.stop()
            traceback.print_exc()

    def _take_if_due(self) -> None:
        if self._to_take:
            self._to_take = False
            self.take_control()

    # ------------------------------------------------------------------ acts

    def stop(self) -> None:
        """Stop the rig, in control or not. The stop has been sent when this returns."""
        self._note("stop", self.client.post_stop("operator", ANSWER_S))

    def give_control(self) -> None:
        """Release control to the next client that requests it, and cancel the window's first taking."""
        self._to_take = False
        self.client.post_release()

    def take_control(self) -> None:
        self._note("take control", self.client.post_take())

    def power_on(self) -> None:
        """Request power; the operator has confirmed that the load is supported."""
        self.model.energising = True
        self.ask(PowerOn(load_supported=True))

    def power_off(self) -> None:
        self.ask(PowerOff())

    def reset(self) -> None:
        self.ask(Reset())

    def apply(self, behaviour: Behaviour, load_may_move: bool = False) -> None:
        self.ask(Apply(behaviour=behaviour, load_may_move=load_may_move))

    def hold(self, held: bool) -> None:
        """Report that the hold-to-run control is held or released, without awaiting an answer."""
        # Refused means not held, and the host stops what moves: its event gives the reason.
        with contextlib.suppress(Refused):
            self.client.post(Enable(held=held), ANSWER_S)

    def mark(self, text: str) -> None:
        self.ask(Marker(text=text[:200]))

    def toggle_record(self) -> None:
        """Start a run, or end the one being recorded."""
        running = self.model.recording_since is not None
        self.ask(EndRun() if running else StartRun(name="operate"))

    def ask(self, request: Request, then: Callable[[Answer], None] | None = None) -> int:
        """Send a request and return its number; the answer goes to the strip and the deck.

        Args:
            then: called with the answer, from ``pump``, exactly once. A request too long to be
                sent is answered at once, as 0.
        """
        self._take_if_due()
        what = asked_words(request)
        try:
            number = self.client.post(request, ANSWER_S)
        except Refused as error:
            answer = Answer(0, False, str(error))
            self.model.answered(what, answer)
            if then is not None:
                then(answer)
            return 0
        self._note(what, number, request, then)
        return number

    def _note(
        self,
        what: str,
        number: int,
        request: Request | None = None,
        then: Callable[[Answer], None] | None = None,
    ) -> None:
        self._asked[number] = _Asked(what, request, then)
        self.model.asked(what)


def _hand_on(listener: Any, items: list[Any], answers: list[Answer], now_s: float) -> None:
    if items and hasattr(listener, "feed"):
        listener.feed(items, now_s)
    if hasattr(listener, "answered"):
        for answer in answers:
            listener.answered(answer)
