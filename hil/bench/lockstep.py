"""The bench and the simulated rig in one process, deterministic, faster than real time."""

from __future__ import annotations

import datetime
from typing import Any

from drivers.base import PowerRequest
from hil.bench.cycle import Bench
from hil.core import Cause, Outcome, Request
from hil.profile import Profile, make_lockstep_drive

# Lockstep runs carry one fixed date: two runs of one seed must be identical.
EPOCH = datetime.datetime(2000, 1, 1, tzinfo=datetime.UTC)


class LockstepBench:
    """The same cycle as on hardware, one call a period, no clock.

    Attributes:
        events: every event so far, as on the link.
        environment: the simulated rig's weights, hand and sensor faults.
        drive: the simulated drive; ``drive.core`` holds the physics.
    """

    def __init__(self, profile: Profile, seed: int = 1) -> None:
        self.profile = profile
        self.period_s = 1.0 / profile.control.rate
        self.drive = make_lockstep_drive(profile, seed)
        self.drive.open()
        self.bench = Bench(profile, self.drive.capabilities, self.period_s)
        self.environment = self.drive.core.environment
        self.events: list[dict[str, Any]] = []
        self.cycle = 0
        self.last_row: tuple[float, ...] = ()

    @property
    def time_s(self) -> float:
        return self.cycle * self.period_s

    def request(self, request: Request) -> Outcome:
        """Ask as a holder of control would; effective from the next step."""
        outcome = self.bench.ask(request)
        self._collect()
        return outcome

    def step(self) -> tuple[float, ...]:
        """One period: returns the sample row (see ``hil.core.samples.COLUMNS``)."""
        time_s = self.time_s
        self.cycle += 1
        bench = self.bench
        drive = self.drive
        try:
            telemetry = drive.read(time_s)
            self.last_row = bench.advance(telemetry, self.period_s, time_s)
        except Exception as error:
            drive.de_energise()
            bench.stop(Cause.EXCEPTION, f"{type(error).__name__}: {error}")
            bench.command.power = PowerRequest.OFF
            bench.command.torque_N_m = 0.0
        drive.write(bench.command)
        if bench.events:
            self._collect()
        return self.last_row

    def run(self, seconds: float) -> list[tuple[float, ...]]:
        """Rows of the next ``seconds``."""
        return [self.step() for _ in range(round(seconds / self.period_s))]

    def _collect(self) -> None:
        for event in self.bench.events:
            if event["kind"] == "stop" and event["to_wire_ms"] is None:
                # The command leaves in the same period in which the cause was seen.
                event["to_wire_ms"] = 1e3 * self.period_s
            moment = EPOCH + datetime.timedelta(seconds=event["time_s"])
            event["wall"] = moment.isoformat(timespec="milliseconds")
            self.events.append(event)
        self.bench.events.clear()
