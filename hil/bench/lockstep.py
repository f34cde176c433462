"""The bench and the simulated rig in one process, deterministic, faster than real time."""

from __future__ import annotations

import datetime
import math
from collections.abc import Callable
from typing import Any

from drivers.base import PowerRequest
from drivers.simulated import Delays, Lateness
from hil.bench.cycle import Bench, CycleTiming
from hil.bench.rehearsal import Rehearsal, Rehearser
from hil.core import NO_SAMPLE, Cause, Outcome, Request, Sample
from hil.profile import Profile, make_lockstep_drive

# Lockstep runs carry one fixed date: two runs of one seed must be identical.
EPOCH = datetime.datetime(2000, 1, 1, tzinfo=datetime.UTC)


# Computing time of a cycle; an assumption, the column work_s shows the true time. A rate that a
# computer holds leaves it time to catch up.
WORK_S, WORK_SHARE = 0.0002, 0.2


class LockstepBench:
    """The same cycle as on hardware, one call per period, no clock.

    Args:
        profile: the rig, with its simulation.
        seed: seed of every random number.
        lateness: lateness of host and drive; None for never late.
        late_seed: seed of the lateness, which several axes share; None for ``seed``.

    Attributes:
        events: every event so far, as on the link.
        environment: the simulated rig's weights, hand and sensor faults.
        drive: the simulated drive; ``drive.core`` holds the physics.
    """

    def __init__(
        self,
        profile: Profile,
        seed: int = 1,
        lateness: Lateness | None = None,
        late_seed: int | None = None,
    ) -> None:
        self.profile = profile
        self.period_s = 1.0 / profile.control.rate
        self.drive = make_lockstep_drive(profile, seed)
        self.drive.open()
        self.bench = Bench(profile, self.drive.capabilities, self.period_s)
        self.environment = self.drive.core.environment
        self.events: list[dict[str, Any]] = []
        self.cycle = 0
        self.last_row = NO_SAMPLE
        self.late_cycles = 0
        self._late_seed = seed if late_seed is None else late_seed
        self._rehearser: Rehearser | None = None
        self._delays: Delays | None = None
        self._due_s = self._woke_s = self._done_s = 0.0
        self.be_late(lateness)

    @property
    def time_s(self) -> float:
        return self._woke_s

    def be_late(self, lateness: Lateness | None) -> None:
        """Apply this lateness from the next cycle on; None: be prompt again."""
        if lateness is None and self._delays is None:
            return
        lateness = lateness or Lateness()
        self._delays = Delays(lateness, self.period_s, self._late_seed, self._woke_s)

    def rehearse(self, rehearsal: Rehearsal, tell: Callable[[str], None]) -> None:
        """Inject the faults of ``rehearsal`` from now on; its times count from here."""
        self._rehearser = Rehearser(rehearsal, self.environment, self.be_late, tell)
        self._rehearsal_began_s = self._woke_s

    def request(self, request: Request) -> Outcome:
        """Send a request as the holder of control would; effective from the next step."""
        outcome = self.bench.ask(request)
        self.collect()
        return outcome

    def step(self) -> Sample:
        """Run one cycle; return the sample row."""
        bench = self.bench
        drive = self.drive
        if self._rehearser is not None:
            self._rehearser.advance(self._woke_s - self._rehearsal_began_s)
        try:
            if self._delays is None:
                self._cycle_in_time()
            else:
                self._cycle_late(self._delays)
        except Exception as error:
            drive.de_energise()
            bench.stop(Cause.EXCEPTION, f"{type(error).__name__}: {error}")
            bench.command.power = PowerRequest.OFF
            bench.command.torque_N_m = 0.0
        drive.write(bench.command)
        if bench.events:
            self.collect()
        return self.last_row

    def _cycle_in_time(self) -> None:
        time_s = self._woke_s
        self.cycle += 1
        self._woke_s = self._done_s = self._due_s = self.cycle * self.period_s
        telemetry = self.drive.read(time_s)
        self.last_row = self.bench.advance(telemetry, self.period_s, CycleTiming(time_s))

    def _cycle_late(self, delays: Delays) -> None:
        """Pace a cycle as ``hil.host.Host`` does: late, never early; lost periods stay lost."""
        bench, period = self.bench, self.period_s
        self.cycle += 1
        self._due_s += period
        if self._done_s > self._due_s:
            self._due_s += period * math.floor((self._done_s - self._due_s) / period)
        due = self._due_s
        delay = delays.at(due)
        last, woke = self._woke_s, max(due, self._done_s) + delay.wake_s
        telemetry = self.drive.read_late(woke, delay)
        before, self._done_s = self._done_s, woke + delay.device_s + delay.answer_s
        self._done_s += min(WORK_S, WORK_SHARE * period)
        self._woke_s = woke
        between = self._done_s - before
        most = bench.profile.limits.most_cycle_late
        if between > period + most:
            bench.held_up(between - period, most)
        if self._done_s - due > period:
            self.late_cycles += 1
        self.last_row = bench.advance(
            telemetry,
            period * max(1, round((woke - last) / period)),
            CycleTiming(
                time_s=woke,
                wake_latency_s=woke - due,
                answer_s=max(0.0, telemetry.received_s - woke),
            ),
        )

    def run(self, seconds: float) -> list[Sample]:
        """Run for ``seconds``; return the rows."""
        return [self.step() for _ in range(round(seconds / self.period_s))]

    def collect(self) -> None:
        """Move the bench's events into ``events``."""
        for event in self.bench.events:
            if event["kind"] == "stop" and event["to_wire_ms"] is None:
                # The command leaves in the same period in which the cause was seen.
                event["to_wire_ms"] = 1e3 * self.period_s
            moment = EPOCH + datetime.timedelta(seconds=event["time_s"])
            event["wall"] = moment.isoformat(timespec="milliseconds")
            self.events.append(event)
        self.bench.events.clear()
