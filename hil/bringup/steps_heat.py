"""Heat and supply after the work: temperatures and supply within their bounds."""

from __future__ import annotations

import math
from collections.abc import Generator

import numpy as np

from drivers.motion import FORCE, LENGTH
from hil.bringup.findings import finding
from hil.bringup.step import Context, Measured, Plot, Result, Step
from hil.bringup.under_power import after, findings_as_text, trace, watch
from hil.procedures import Action, Hand, Seen

WATCH_S = 1.0
# The bring-up uses a fraction of the continuous current, for minutes at most.
MOTOR_HEAT_SHARE = 0.5  # of the limited value
WARM_SHARE = 0.5  # of the way from a warm room to the limit
ROOM_degC = 30.0
SUPPLY_OFF_SHARE = 0.03


@findings_as_text
def _heat(context: Context) -> Generator[Action, Seen, Result]:
    result = Result("heat")
    ran = yield from watch(WATCH_S)
    limits = context.profile.limits
    heat = float(np.max(ran.of("motor_heat")))
    most = MOTOR_HEAT_SHARE * limits.motor_heat.limited
    result.measured.append(
        Measured(
            "motor heat",
            100 * heat,
            "%",
            f"below {100 * most:.0f} % of its capacity",
            "from the squared current; the steps took little",
            heat < most,
        )
    )
    temperature = float(ran.of("drive_temperature_degC")[-1])
    warm = ROOM_degC + WARM_SHARE * max(limits.drive_temperature.limited - ROOM_degC, 0.0)
    cool = math.isnan(temperature) or temperature < warm
    result.measured.append(
        Measured(
            "drive temperature",
            "not reported" if math.isnan(temperature) else temperature,
            "" if math.isnan(temperature) else "°C",
            f"below {warm:.0f} °C",
            "half the way from a warm room to its limit",
            cool,
        )
    )
    if heat >= most or not cool:
        result.findings.append(
            finding("runs_hot", motor_percent=100 * heat, drive_degC=temperature)
        )
    volts = float(np.median(ran.of("supply_V")))
    before = after(context, "supply_V", volts)
    recovered = abs(volts / before - 1) < SUPPLY_OFF_SHARE if before > 0 else False
    result.measured.append(
        Measured(
            "supply after the work",
            volts,
            "V",
            f"{before:.1f} V ± {100 * SUPPLY_OFF_SHARE:.0f} %, as at the start",
            "a battery recovers at rest; a link charged by braking stays high",
            recovered,
        )
    )
    if not recovered:
        code = "supply_sags" if volts < before else "regeneration_not_taken"
        result.findings.append(finding(code, before_V=before, after_V=volts))
    time = ran.of("time_s") - ran.of("time_s")[:1]
    result.plots.append(
        Plot(
            "Supply after the work",
            "time (s)",
            "supply (V)",
            (trace("supply", time, ran.of("supply_V")),),
        )
    )
    yield Hand("free_load", "Gently let the weight of the output act on the rod again.")
    result.text = _summary(context, heat, temperature, volts)
    return result


def _summary(context: Context, heat: float, temperature: float, volts: float) -> str:
    """Return a one-sentence summary of the rig as measured."""
    known = context.known
    parts = [f"motor heat {100 * heat:.0f} %"]
    if not math.isnan(temperature):
        parts.append(f"drive {temperature:.0f} °C")
    parts.append(f"supply {volts:.1f} V")
    if "stroke_high_m" in known:
        stroke = known["stroke_high_m"] - known.get("stroke_low_m", 0.0)
        parts.append(f"stroke {LENGTH(stroke):.1f}{LENGTH}")
    for key, text in (
        ("friction_N_m", "friction {:.3f} N·m"),
        ("back_drive_N", ""),
        ("loop_bandwidth_Hz", "force bandwidth {:.0f} Hz"),
        ("loop_margin_deg", "phase margin at least {:.0f}°"),
    ):
        if key == "back_drive_N" and key in known:
            parts.append(f"back-drive force {FORCE(known[key]):.0f}{FORCE}")
        elif key in known:
            parts.append(text.format(known[key]))
    return ", ".join(parts)


HEAT = Step(
    key="heat",
    title="Heat and summary",
    happens="With the power off, temperatures and supply are read after the work; then the weight "
    "of the output acts on the rod again.",
    wrong="A motor or drive that is warm already would be hot in use.",
    clear="Power stays off. Keep fingers out of the output as its weight comes down.",
    run=_heat,
    needs=("loop",),
)
