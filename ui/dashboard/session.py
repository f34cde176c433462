"""The window's connections: the link to the rig host, and the simulated rig's surroundings.

No Qt. ``pump`` is called from the window's main loop and carries its heartbeat: a window that
hangs stops beating, and the rig host stops the rig.
"""

from __future__ import annotations

import queue
import threading
import time
from collections.abc import Callable
from typing import Any

from drivers.base import DriverError
from drivers.simulated.surroundings_door import SurroundingsClient
from hil.link.client import Client, HostGone, LinkError, Refused
from hil.requests import (
    Apply,
    Behaviour,
    EndRun,
    Energise,
    Marker,
    PowerOff,
    Request,
    Reset,
    StartRun,
    Tare,
)
from ui.dashboard.operate_model import OperateModel

ANSWER_S = 0.25  # a silent rig host must not hold the window longer
STATE_EVERY_S = 0.2
DOOR_TIMEOUT_S = 1.0


class LoadHand:
    """Weights and hand of the simulated rig, asked for from a thread of its own.

    The rig's process may be busy; the window must not wait for it.
    """

    def __init__(self, endpoint: str) -> None:
        self.hung_kg: float | None = None
        self.hand_N = 0.0
        self.troubles: queue.SimpleQueue[str] = queue.SimpleQueue()
        self._tasks: queue.SimpleQueue[Callable[[SurroundingsClient], Any] | None] = (
            queue.SimpleQueue()
        )
        self._endpoint = endpoint
        self._thread = threading.Thread(target=self._run, name="simulated load", daemon=True)
        self._thread.start()

    def hang(self, mass_kg: float) -> None:
        self._tasks.put(lambda door: door.hang(mass_kg))

    def push(self, force_N: float) -> None:
        self._tasks.put(lambda door: door.push(force_N))

    def close(self) -> None:
        self._tasks.put(None)
        self._thread.join(2 * DOOR_TIMEOUT_S)

    def _run(self) -> None:
        door = SurroundingsClient(self._endpoint, DOOR_TIMEOUT_S)
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
                    task(door)
                state = door.state()
                self.hung_kg = float(state["mass_kg"])
                self.hand_N = float(state["hand_force_N"])
                said = ""
            except (DriverError, ValueError) as error:
                self.hung_kg = None
                if str(error) != said:
                    said = str(error)
                    self.troubles.put(said)
        door.close()


class Session:
    """What the window asks of the bench, and what it hears.

    Args:
        client: connected.
        watch_only: never ask for control.
    """

    def __init__(self, client: Client, watch_only: bool = False) -> None:
        self.client = client
        self.model = OperateModel(client.description)
        self.model.watch_only = watch_only
        self.load: LoadHand | None = None
        endpoint = client.description.get("surroundings")
        if self.model.simulated and endpoint:
            self.load = LoadHand(str(endpoint))
        # Control is taken at the first beat: building a window takes longer than one may be.
        self._to_take = not watch_only

    def close(self) -> None:
        """Leave; with control held and power on, that stops the rig."""
        if self.load is not None:
            self.load.close()
        self.client.close()

    def pump(self) -> None:
        """Beat, hear, and hand on. Never waits."""
        model = self.model
        self._take_if_due()
        if self.client.in_control:
            self.client.beat()
        items = self.client.poll()
        now_s = time.monotonic()
        if items:
            model.feed(items, now_s)
        else:
            model.tick(now_s)
        model.in_control = self.client.in_control
        model.lost_samples = self.client.lost_samples
        if self.load is not None:
            model.hung_kg = self.load.hung_kg
            model.hand_N = self.load.hand_N
            while not self.load.troubles.empty():
                model.say(self.load.troubles.get())

    def _take_if_due(self) -> None:
        if self._to_take:
            self._to_take = False
            self.take_control()

    # ------------------------------------------------------------------ acts

    def stop(self) -> None:
        """Stop the rig, in control or not."""
        try:
            self.client.stop("operator", timeout_s=ANSWER_S)
        except (LinkError, Refused) as error:
            self.model.say(f"stop was sent but not answered: {error}")

    def take_control(self) -> None:
        try:
            self.client.take_control()
        except (LinkError, Refused) as error:
            self.model.say(str(error))
        self.model.in_control = self.client.in_control

    def energise(self) -> None:
        """Ask for power, the operator having said that the load is supported."""
        self.model.energising = self.ask(Energise(load_supported=True))

    def power_off(self) -> None:
        self.ask(PowerOff())

    def reset(self) -> None:
        self.ask(Reset())

    def apply(self, behaviour: Behaviour) -> None:
        self.ask(Apply(behaviour=behaviour))

    def mark(self, text: str) -> None:
        self.ask(Marker(text=text[:200]))

    def tare(self) -> None:
        self.ask(Tare())

    def toggle_record(self) -> None:
        """Start a run, or end the one that is recorded."""
        running = self.model.recording_since is not None
        self.ask(EndRun() if running else StartRun(name="operate"))

    def ask(self, request: Request) -> bool:
        """Send a request; a refusal ends up in the deck, in words."""
        model = self.model
        model.refusal = ""
        self._take_if_due()
        try:
            answer = self.client.request(request, timeout_s=ANSWER_S)
        except Refused as error:
            model.refusal = str(error)
            return False
        except (HostGone, LinkError) as error:
            model.refusal = f"no answer: {error}"
            return False
        if "trimmed" in answer:
            model.say(answer)
        return True
