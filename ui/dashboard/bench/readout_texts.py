"""The big numbers as texts."""

from __future__ import annotations

from dataclasses import dataclass

from drivers.motion import FORCE, LENGTH, SPEED, worded
from hil.core import label
from hil.profile import Lever, Linear
from hil.supervision import limit_margins
from ui.dashboard.bench.operate_model import OperateModel
from ui.dashboard.bench.wording import number

STILL_M_S = 0.003  # slower is at rest: above the noise of the estimate; common practice, no source
LEAST_KG = 0.05  # half of the last digit


@dataclass(frozen=True)
class Readout:
    """A big number: ``value`` and ``unit`` large, ``note`` beside, ``below`` underneath."""

    label: str
    value: str
    unit: str
    note: str = ""
    below: str = ""


def readouts(model: OperateModel) -> list[Readout]:
    """Return the numbers above the rig picture, the spring force first."""
    band = model.figure("force_u95_N")
    # Behind a torque with its decimals there is no room for it.
    known = f"± {number(FORCE(band), 0 if band >= 2 else 1)}"
    motor = number(FORCE(model.figure("motor_force_N")), 0)
    last = "" if model.link_well else "Last "
    tare = f", tare {number(FORCE(model.tare_N), 0)}" if model.tare_N else ""
    return [
        Readout(
            f"{last}{worded('spring force', 'spring torque')}".capitalize(),
            number(FORCE(model.figure("spring_force_N")), 0),
            FORCE.unit,
            worded(known, ""),
            worded("", f"{known}, ") + f"from motor {motor}{FORCE}{tare}",
        ),
        Readout("Deflection", number(LENGTH(model.figure("deflection_m")), 2), LENGTH.unit),
        Readout("Output", number(LENGTH(model.figure("output_position_m")), 1), LENGTH.unit),
        _load(model),
    ]


def _load(model: OperateModel) -> Readout:
    """Return the weight that the force would balance, if one can hang and is at rest.

    A force of a hand, of friction or of a motion is not a weight; if none can hang, the speed of
    the output takes its place.
    """
    rig = model.profile.rig
    if isinstance(rig, Linear) and not rig.vertical:
        speed = model.figure("output_velocity_m_s")
        return Readout("Output speed", number(SPEED(speed), 0), SPEED.unit)
    mass = model.borne_mass()
    still = abs(model.figure("output_velocity_m_s")) < STILL_M_S
    # Negative: the rod is pulled, or held by friction.
    known = still and mass > -LEAST_KG
    return Readout(
        "At load arm" if isinstance(rig, Lever) else "Carries",
        f"≈ {number(max(mass, 0.0), 1)}" if known else "–",
        "kg",
    )


def limited_words(model: OperateModel) -> str:
    """Return the limits that act, each with the value at which it does."""
    margins = {label(each.limit): each for each in limit_margins(model.profile, model.figures)}
    words = []
    for name in model.limited:
        margin = margins.get(name)
        most = margin.text.rpartition(" of ")[2] if margin and " of " in margin.text else ""
        words.append(name.lower() + (f" ({most})" if most else ""))
    return ", ".join(words)
