"""A program that sets the force of a running bench 250 times a second, as a robot's would.

Start a bench with ``hookeline serve --profile footplate_trainer --no-recorder`` and run this with
the link directory that it prints: ``python example_program.py DIRECTORY [DIRECTORY ...]``. With
more than one directory the actuators are moved together, and one that stops stops them all.
"""

from __future__ import annotations

import contextlib
import math
import sys
import time

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
from hil.link import Block, Client

MIDDLE_M = 0.0275
SWING_M = 0.005
SWING_HZ = 0.5
STIFFNESS_N_M = 20e3
DAMPING_N_S_M = 500.0
EVERY_S = 0.004
SECONDS = 3.0


def main(directories: list[str]) -> int:
    with contextlib.ExitStack() as stack:
        legs = []
        for number, directory in enumerate(directories, 1):
            leg = stack.enter_context(Client.connect(directory, name=f"leg {number}"))
            leg.take_control()
            stack.enter_context(leg.keep_control())
            legs.append(leg)
        for leg in legs:
            leg.request(PowerOn(load_supported=True))
        wait(legs, 0.5)
        for leg in legs:
            leg.request(Apply(behaviour=HoldPosition(position_m=MIDDLE_M, speed_m_s=0.06)))
        forces_N = wait(legs, 1.5)
        for leg, force_N in zip(legs, forces_N, strict=True):
            begin = ExternalSetpoint(
                force_N=force_N,
                rest_m=MIDDLE_M,
                stiffness_N_m=STIFFNESS_N_M,
                damping_N_s_m=DAMPING_N_S_M,
                longest_gap_s=0.25,  # a computer that does other things pauses
            )
            leg.request(Apply(behaviour=begin, load_may_move=True))
        running = swing(legs, forces_N)
        for leg in legs:
            if running:
                leg.request(PowerOff())
            else:
                leg.stop("another actuator stopped")
    return 0 if running else 1


def swing(legs: list[Client], forces_N: list[float]) -> bool:
    """Swing all rests together; False once one of the actuators has stopped."""
    begun_s = time.monotonic()
    sent, next_s = 0, begun_s
    low, high = [math.inf] * len(legs), [-math.inf] * len(legs)
    while (passed_s := time.monotonic() - begun_s) < SECONDS:
        rest_m = MIDDLE_M + SWING_M * math.sin(2 * math.pi * SWING_HZ * passed_s)
        for number, (leg, force_N) in enumerate(zip(legs, forces_N, strict=True)):
            leg.post(
                Setpoint(
                    force_N=force_N,
                    rest_m=rest_m,
                    stiffness_N_m=STIFFNESS_N_M,
                    damping_N_s_m=DAMPING_N_S_M,
                )
            )
            leg.answers()
            for item in leg.poll():
                if isinstance(item, Block):
                    row = item.rows[-1]
                    if row[INDEX["state"]] == State.STOPPED:
                        print(f"leg {number + 1} stopped")
                        return False
                    low[number] = min(low[number], row[INDEX["output_position_m"]])
                    high[number] = max(high[number], row[INDEX["output_position_m"]])
        sent += 1
        next_s += EVERY_S
        time.sleep(max(0.0, next_s - time.monotonic()))
    for number, _ in enumerate(legs):
        print(
            f"leg {number + 1}: {sent} setpoints, moved {1e3 * (high[number] - low[number]):.1f} mm"
        )
    return True


def wait(legs: list[Client], seconds: float) -> list[float]:
    """Return the last force of each after so many seconds."""
    forces_N = [math.nan] * len(legs)
    end_s = time.monotonic() + seconds
    while time.monotonic() < end_s:
        for number, leg in enumerate(legs):
            for item in leg.poll():
                if isinstance(item, Block):
                    forces_N[number] = float(item.rows[-1, INDEX["spring_force_N"]])
        time.sleep(0.01)
    return forces_N


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
