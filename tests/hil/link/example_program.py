"""A program that sets the force of running benches 250 times a second, as a robot's would.

Start a bench with ``hookeline serve --profile footplate_trainer --no-recorder`` and run this
program with the link directory that it prints: ``python example_program.py DIRECTORY [DIRECTORY
...]``. With more than one directory the actuators move together, and when one stops, all stop.

On a busy computer a program of ordinary priority may wait for the processor longer than the
heartbeat limit of control. The program therefore requests a higher priority after connecting, then
takes control, and sends its heartbeats from the loop that does the work.
"""

from __future__ import annotations

import contextlib
import math
import sys
import time
from collections.abc import Sequence
from typing import Any, Protocol

from hil.core import (
    INDEX,
    Apply,
    ExternalSetpoint,
    HoldPosition,
    PowerOff,
    PowerOn,
    Setpoint,
    State,
)
from hil.link import Block, Client, Refused, favoured

MIDDLE_M = 0.0275
SWING_M = 0.005
SWING_HZ = 0.5
STIFFNESS_N_M = 20e3
DAMPING_N_S_M = 500.0
EVERY_S = 0.004
LOOK_S = 0.01  # interval of polling while waiting, which also sends the heartbeat
SECONDS = 3.0


class Leg(Protocol):
    """The part of ``hil.link.Client`` in use here."""

    def request(self, message: Any) -> str: ...
    def post(self, message: Any) -> int: ...
    def answers(self) -> Sequence[Any]: ...
    def poll(self) -> Sequence[Any]: ...
    def stop(self, text: str) -> object: ...


class Clock(Protocol):
    """Clock of the legs: real time, or that of rigs in lockstep."""

    def now_s(self) -> float: ...
    def sleep(self, seconds: float) -> None: ...


class WallClock:
    """The computer's own time."""

    def now_s(self) -> float:
        return time.monotonic()

    def sleep(self, seconds: float) -> None:
        time.sleep(max(0.0, seconds))


def main(directories: list[str]) -> int:
    with contextlib.ExitStack() as stack:
        legs = [
            stack.enter_context(Client.connect(directory, name=f"leg {number}"))
            for number, directory in enumerate(directories, 1)
        ]
        stack.enter_context(favoured())
        for leg in legs:
            leg.take_control()
        return move(legs, WallClock())


def move(legs: Sequence[Leg], clock: Clock, seconds: float = SECONDS) -> int:
    """Lift all legs, swing them together and power off; return 1 if one of them stopped."""
    running = False
    try:
        forces_N = lift(legs, clock)
        running = forces_N is not None and swing(legs, clock, forces_N, seconds)
    except Refused as refusal:
        print(f"refused: {refusal}")
    for leg in legs:
        if running:
            leg.request(PowerOff())
        else:
            leg.stop("another actuator stopped")
    return 0 if running else 1


def lift(legs: Sequence[Leg], clock: Clock) -> list[float] | None:
    """Move all legs to the middle; return the force of each, None if one stopped."""
    for leg in legs:
        leg.request(PowerOn(load_supported=True))
    if wait(legs, clock, 0.5) is None:
        return None
    for leg in legs:
        leg.request(Apply(behaviour=HoldPosition(position_m=MIDDLE_M, speed_m_s=0.06)))
    forces_N = wait(legs, clock, 1.5)
    if forces_N is None:
        return None
    for leg, force_N in zip(legs, forces_N, strict=True):
        begin = ExternalSetpoint(
            force_N=force_N,
            rest_m=MIDDLE_M,
            stiffness_N_m=STIFFNESS_N_M,
            damping_N_s_m=DAMPING_N_S_M,
            longest_gap_s=0.25,  # a busy computer pauses the program
        )
        leg.request(Apply(behaviour=begin, load_may_move=True))
    return forces_N


def swing(legs: Sequence[Leg], clock: Clock, forces_N: Sequence[float], seconds: float) -> bool:
    """Swing all rest positions together; return False once an actuator has stopped."""
    begun_s = clock.now_s()
    sent, next_s = 0, begun_s
    low, high = [math.inf] * len(legs), [-math.inf] * len(legs)
    while (passed_s := clock.now_s() - begun_s) < seconds:
        rest_m = MIDDLE_M + SWING_M * math.sin(2 * math.pi * SWING_HZ * passed_s)
        for number, (leg, force_N) in enumerate(zip(legs, forces_N, strict=True)):
            for row in rows_of(leg):
                if row[INDEX["state"]] == State.STOPPED:
                    print(f"leg {number + 1} stopped")
                    return False
                low[number] = min(low[number], row[INDEX["output_position_m"]])
                high[number] = max(high[number], row[INDEX["output_position_m"]])
            leg.post(
                Setpoint(
                    force_N=force_N,
                    rest_m=rest_m,
                    stiffness_N_m=STIFFNESS_N_M,
                    damping_N_s_m=DAMPING_N_S_M,
                )
            )
            leg.answers()
        sent += 1
        next_s += EVERY_S
        clock.sleep(next_s - clock.now_s())
    for number, _ in enumerate(legs):
        moved_mm = 1e3 * (high[number] - low[number])
        print(f"leg {number + 1}: {sent} setpoints, moved {moved_mm:.1f} mm")
    return True


def wait(legs: Sequence[Leg], clock: Clock, seconds: float) -> list[float] | None:
    """Return the last force of each after so many seconds; None if one has stopped."""
    forces_N = [math.nan] * len(legs)
    end_s = clock.now_s() + seconds
    while clock.now_s() < end_s:
        for number, leg in enumerate(legs):
            for row in rows_of(leg):
                if row[INDEX["state"]] == State.STOPPED:
                    print(f"leg {number + 1} stopped")
                    return None
                forces_N[number] = float(row[INDEX["spring_force_N"]])
        clock.sleep(LOOK_S)
    return forces_N


def rows_of(leg: Leg) -> list[Any]:
    """Return the last sample of each block received; polling also sends the heartbeat."""
    return [item.rows[-1] for item in leg.poll() if isinstance(item, Block)]


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
