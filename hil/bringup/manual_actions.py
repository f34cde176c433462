"""Manual actions that the steps require, with their instructions, and the readings taken."""

from __future__ import annotations

import math
from collections.abc import Generator
from dataclasses import dataclass

import numpy as np

from drivers.motion import worded
from hil.bringup.signal_statistics import Floats
from hil.procedures import Action, Hand, ProcedureFailed, Read, Seen, column
from hil.profile import Profile

SETTLED_S = 0.1  # of samples that make up one reading
BY_HAND_SHARE = 0.1  # of the limited force: applied to the springs by hand


@dataclass(frozen=True)
class Spot:
    """One place where the screw was held and everything was read.

    ``nut_m`` and ``deflection_m`` by the sensors as the profile has them, ``true_nut_m`` by
    caliper (NaN if none was requested); ``rows`` since the last spot.
    """

    nut_m: float
    deflection_m: float
    counts: float
    true_nut_m: float
    rows: Floats


def hand_of(profile: Profile) -> int:
    """Return +1 for a right-hand screw, as stated, else −1."""
    return 1 if profile.actuator.transmission.hand == "right" else -1


def gentle_deflection_m(profile: Profile) -> float:
    """Return the deflection at a tenth of the limited force, by the stated springs."""
    return BY_HAND_SHARE * profile.limits.force.limited / stated_rate_N_m(profile)


def stated_rate_N_m(profile: Profile) -> float:
    """Return the stated rate about the middle: both spring sets work if they are preloaded."""
    springs = profile.actuator.springs
    return (2.0 if springs.preload > 0 else 1.0) * springs.rate_per_set


def turn_screw(turns: float) -> Hand:
    return Hand(
        "turn_screw",
        f"Turn the shaft slowly by {by_turns(turns)}; go by a mark on it, and keep it there.",
        turns,
    )


def by_turns(turns: float) -> str:
    """Describe the turn's angle and direction as text; + is clockwise."""
    size = abs(turns)
    far = f"{size:.2g} turn{'s' * (size != 1)}" if size >= 0.25 else f"{360 * size:.0f} degrees"
    sense = "clockwise" if turns > 0 else "anticlockwise"
    return f"{far} {sense}, seen facing the motor's shaft end (IEC 60034-8)"


def read_spot(rows: Floats, true_nut_m: float = math.nan) -> Spot:
    """Return the median of the last samples.

    Raises:
        ProcedureFailed: no samples arrived.
    """
    if not len(rows):
        raise ProcedureFailed("no sample arrived while the screw was held: repeat this step")
    time = column(rows, "time_s")
    last = rows[time >= time[-1] - SETTLED_S]
    names = ("nut_position_m", "deflection_m", "deflection_counts")
    nut, deflection, counts = (float(np.median(column(last, name))) for name in names)
    return Spot(nut, deflection, counts, true_nut_m, rows)


def at_spot(turns: float, caliper: bool = False) -> Generator[Action, Seen, Spot]:
    """Part of a procedure: turn by ``turns`` (0: stay), hold the screw, read, leave it held."""
    rows = []
    if turns:
        yield Hand("let_screw_go", "Take the clamp off the shaft.")
        rows.append((yield turn_screw(turns)).rows)
    rows.append((yield Hand("hold_screw", "Hold the shaft firmly, or clamp it.")).rows)
    true = math.nan
    if caliper:
        seen = yield Read(
            worded(
                "Position of the nut, by caliper from a fixed face",
                "Angle of the gear's output, by a protractor from a fixed mark",
            ),
            "nut_position_m",
        )
        true = seen.value
        if math.isnan(true):
            raise ProcedureFailed("without the nut's position nothing can be compared: repeat")
    return read_spot(np.concatenate(rows), true)


def support_load() -> Hand:
    return Hand(
        "support_load",
        "Take every weight off and support lever or carriage (a stand, or a cord from above), so "
        "that no weight acts on the rod and it can follow the nut.",
    )


def hold_output(how: str = "Hold the output firmly: clamp the lever or the carriage.") -> Hand:
    return Hand("hold_output", how)


def let_all_go() -> Generator[Action, Seen, None]:
    """Part of a procedure: nothing is held or supported any more."""
    yield Hand("let_output_go", "Release the output.")
    yield Hand("let_screw_go", "Take the clamp off the shaft, hands off the screw.")
    yield Hand(
        "free_load",
        "Hold the load by hand, take the support away, and let it down slowly until springs or "
        "end carry it: if a spring is missing or slack, it would fall.",
    )
