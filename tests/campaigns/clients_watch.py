"""The client in control beside hostile clients: its work, and its observations of the bench."""

from __future__ import annotations

import contextlib
import os
import sys
import threading
import time
from collections import Counter
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np

from hil.core import (
    COLUMNS,
    Apply,
    Behaviour,
    ConfirmReference,
    HoldPosition,
    Marker,
    PowerOn,
    Reset,
    State,
    VirtualSpring,
)
from hil.link import Block, Client, HostGone, LinkError, Refused

TURN_S = 0.01
EACH_S = 0.3  # between two requests of the holder
HONEST_S = 1.0  # between two honest clients
WITHOUT_HOLDER_S = 0.3  # the heartbeat limit of the profile, and two heartbeats of the host
AT = {column.name: i for i, column in enumerate(COLUMNS)}
BEHAVIOURS: list[Behaviour] = [
    HoldPosition(position_m=0.02, speed_m_s=0.02),
    HoldPosition(position_m=0.03, speed_m_s=0.02),
    VirtualSpring(rest_m=0.03, stiffness_N_m=10000.0, damping_N_s_m=200.0),
]


@dataclass
class Phase:
    """Observations during one attack, or without one."""

    name: str
    sent: int = 0
    wake_s: list[Any] = field(default_factory=list)
    work_s: list[Any] = field(default_factory=list)
    quiet_wake_s: list[Any] = field(default_factory=list)  # while the attackers were held back
    quiet: bool | None = False  # None: neither, just after a change
    load: float = 0.0  # of the computer, when the phase's row is first made
    accepted_wrongly: list[str] = field(default_factory=list)
    refused_wrongly: list[str] = field(default_factory=list)
    stops: list[str] = field(default_factory=list)
    pauses: list[str] = field(default_factory=list)  # as the rig host explains them
    without_holder: int = 0
    seen: Counter[str] = field(default_factory=Counter)
    seconds: float = 0.0  # under attack
    whole_s: float = 0.0  # including the pauses between

    def row(self) -> dict[str, Any]:
        self.load = self.load or round(os.getloadavg()[0], 1)
        wake_us, quiet_us, work_us = (
            1e6 * np.concatenate(kept or [np.zeros(1)])
            for kept in (self.wake_s, self.quiet_wake_s, self.work_s)
        )
        return {
            "attack": self.name,
            "sent": self.sent,
            "s": round(self.seconds, 1),
            "load": self.load,
            "cut off": self.seen["cut off"],
            "accepted wrongly": len(self.accepted_wrongly),
            "refused wrongly": len(self.refused_wrongly),
            "stops": len(self.stops),
            "pauses": len(self.pauses),
            "power, no holder": self.without_holder,
            **{f"wake p{p}": round(float(np.percentile(wake_us, p)), 1) for p in (50, 99, 99.9)},
            "p99.9 without": round(float(np.percentile(quiet_us, 99.9)), 1),
            **{f"work p{p}": round(float(np.percentile(work_us, p)), 1) for p in (50, 99)},
        }


class Holder:
    """The client in control at work, with its observations."""

    def __init__(self, link: Path) -> None:
        self.client = Client.connect(link, name="holder", unlimited=True)
        self.phase = Phase("start")
        self._link = link
        self._posted: dict[int, str] = {}
        self._next_s = self._honest_s = 0.0
        self._turn = 0
        self._without_since_s: float | None = None
        self.state = -1
        self.asked_stop = False
        self.reference_lost = False

    def start(self) -> None:
        """Take control, energise, apply."""
        client = self.client
        end = time.monotonic() + 20.0
        while True:
            try:
                self._start(client)
                return
            except (Refused, TimeoutError) as error:
                if time.monotonic() > end:
                    raise
                # The arm lies on its lower end once power is off.
                self.reference_lost = "lower end" in str(error)
            time.sleep(0.2)

    def _start(self, client: Client) -> None:
        client.take_control()
        with contextlib.suppress(Refused):
            client.request(Reset())
        if self.reference_lost:
            client.request(ConfirmReference(position_m=0.0))
            self.reference_lost = False
        # Refused until the lever, which sinks after a stop, has come to rest.
        client.request(PowerOn(load_supported=True))
        self._until(State.STANDBY)
        client.request(Apply(behaviour=BEHAVIOURS[0]))
        self._until(State.RUNNING)

    def _until(self, state: State) -> None:
        end = time.monotonic() + 5.0
        while self.state != state:
            if time.monotonic() > end:
                raise TimeoutError(f"not {state.name} within 5 s")
            self._see()
            time.sleep(TURN_S)

    def turn(self) -> None:
        """Read new messages, and send a request now and then."""
        self._see()
        now_s = time.monotonic()
        if now_s >= self._next_s:
            self._next_s = now_s + EACH_S
            self._turn += 1
            request: Any = Marker(text=f"turn {self._turn}")
            if self._turn % 4 == 0:
                behaviour = BEHAVIOURS[self._turn // 4 % len(BEHAVIOURS)]
                request = Apply(behaviour=behaviour, load_may_move=True)
            if self.state == State.RUNNING:
                self._posted[self.client.post(request)] = request.kind
        for answer in self.client.answers():
            kind = self._posted.pop(answer.number, "")
            if kind and not answer.accepted and not self.phase.stops:
                self.phase.refused_wrongly.append(f"{kind}: {answer.text}")
        if now_s >= self._honest_s:
            self._honest_s = now_s + HONEST_S
            threading.Thread(target=self._honest, args=(self.phase,), daemon=True).start()
        time.sleep(TURN_S)

    def _honest(self, phase: Phase) -> None:
        try:
            with Client.connect(self._link, name="honest") as client:
                client.request(Marker(text="an honest client"))
        except (Refused, HostGone, LinkError) as error:
            phase.refused_wrongly.append(f"honest client: {error}")

    def _see(self) -> None:
        for item in self.client.poll():
            if isinstance(item, Block):
                wake_s = item.rows[:, AT["wake_latency_s"]].copy()
                if self.phase.quiet:
                    self.phase.quiet_wake_s.append(wake_s)
                elif self.phase.quiet is not None:
                    self.phase.wake_s.append(wake_s)
                    self.phase.work_s.append(item.rows[:, AT["work_s"]].copy())
                self.state = int(item.rows[-1, AT["state"]])
            elif item.kind == "stop" and not self.asked_stop:
                self._say("stop", f"{item.get('cause')}: {item.get('detail')}", self.phase.stops)
            elif item.kind == "pause":
                told = f"{item.get('late_ms')} ms: {item.get('cause')}"
                self._say("pause", told, self.phase.pauses)
            elif item.kind == "heartbeat":
                powered = item["state"] in ("STANDBY", "RUNNING")
                if not powered or item["holder"]:
                    self._without_since_s = None
                elif self._without_since_s is None:
                    self._without_since_s = float(item["time_s"])
                elif float(item["time_s"]) - self._without_since_s > WITHOUT_HOLDER_S:
                    self.phase.without_holder += 1

    def _say(self, kind: str, text: str, kept: list[str]) -> None:
        kept.append(text)
        print(f"{self.phase.name}: {kind}: {text}", file=sys.stderr, flush=True)

    def stopped_by_a_stranger(self) -> float:
        """Return the seconds from a stranger's stop to power off, as the samples show it."""
        self.asked_stop = True
        with Client.connect(self._link, name="stranger") as stranger:
            asked_s = time.monotonic()
            stranger.post_stop("a stranger")
            while self.state in (State.STANDBY, State.RUNNING):
                self._see()
                time.sleep(0.001)
                if time.monotonic() - asked_s > 5.0:
                    break
            lasted_s = time.monotonic() - asked_s
        time.sleep(0.2)
        self._see()
        self.start()
        self.asked_stop = False
        return lasted_s
