"""A simulated rig in operation that records the commands to its drive."""

from __future__ import annotations

from typing import Any

from drivers.base import Command, PowerRequest
from hil.bench.lockstep import LockstepBench
from hil.core.limit_texts import limit_names
from hil.core.requests import Apply, HoldPosition, PowerOn
from hil.core.samples import INDEX, State
from hil.profile.schema import Profile
from tests.hil.supervision.between import put_between

MIDDLE = 0.0275


class Rig:
    """A lockstep bench that keeps the commands to its drive."""

    def __init__(self, profile: Profile, mass_kg: float = 0.0, at_m: float | None = None) -> None:
        self.bench = LockstepBench(profile, seed=3)
        self.received: list[tuple[PowerRequest, float]] = []
        self.received_stopped: list[tuple[PowerRequest, float]] = []  # those sent after a stop
        write = self.bench.drive.write

        def listen(command: Command) -> None:
            self.received.append((command.power, command.torque_N_m))
            if self.bench.bench.cause:
                self.received_stopped.append((command.power, command.torque_N_m))
            write(command)

        put_between(self.bench, listen)
        self.limited = 0
        self.do = self.bench.environment
        self.do.hang(mass_kg)
        self.run(0.1)
        assert self.bench.request(PowerOn(load_supported=True)).accepted
        self.run(0.1)
        assert self.state is State.STANDBY
        if at_m is not None:
            self.apply(HoldPosition(position_m=at_m, speed_m_s=0.08))
            self.run(0.3 + 1.875 * at_m / 0.08)
            assert self.state is State.RUNNING, self.bench.bench.cause_text
            assert abs(self.value("output_position_m") - at_m) < 0.004
        self.limited = 0

    @property
    def state(self) -> State:
        return self.bench.bench.state

    def value(self, name: str) -> float:
        return self.bench.last_row[INDEX[name]]

    def apply(self, behaviour: Any) -> None:
        outcome = self.bench.request(Apply(behaviour=behaviour, load_may_move=True))
        assert outcome.accepted, outcome.text

    def run(self, seconds: float) -> None:
        for _ in range(round(seconds * 1000)):
            self.limited |= int(self.bench.step()[INDEX["limited"]])

    def until_stopped(self, seconds: float = 3.0) -> None:
        for _ in range(round(seconds * 1000)):
            self.limited |= int(self.bench.step()[INDEX["limited"]])
            if self.state is State.STOPPED:
                return
        raise AssertionError(f"not stopped after {seconds} s; limited {limit_names(self.limited)}")
