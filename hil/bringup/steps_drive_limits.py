"""The step that compares the drive's own limits with the profile's."""

from __future__ import annotations

import math
from collections.abc import Generator

from hil.bringup.findings import finding
from hil.bringup.step import Context, Measured, Result, Step, Verdict
from hil.bringup.steps_without_power import YES_NO
from hil.procedures import Action, Choose, Seen
from hil.profile import most_current

REQUIRED = ("torque_N_m", "speed_rad_s")


def drive_limits(context: Context) -> Generator[Action, Seen, Result]:
    result = Result("drive_limits")
    own = context.facts.own_limits
    unknown = []
    for name, label, unit, most, why in _permitted(context):
        value = own.get(name, math.nan)
        if not math.isnan(value):
            good = value <= most * (1 + 1e-3)
            result.measured.append(Measured(label, value, unit, f"at most {most:.4g}", why, good))
            if not good:
                result.findings.append(
                    finding(
                        "drive_limit_high",
                        note=label,
                        drive=f"{value:.4g} {unit}",
                        profile=f"{most:.4g} {unit}",
                    )
                )
        elif name in REQUIRED:
            unknown.append((name, label, unit, most, why))
    for name, label, unit, most, why in unknown:
        answer = (
            yield Choose(
                f"The drive does not report its own {label}. Look it up in its configuration: is it "
                f"at most {most:.4g} {unit}?",
                f"drive_limit {name} {most * (1 + 1e-3):.9g}",
                YES_NO,
            )
        ).text
        result.measured.append(
            Measured(
                label,
                answer or "no answer",
                "",
                f"at most {most:.4g} {unit}",
                f"{why}; stated by the operator",
                answer == "yes",
            )
        )
        if answer == "no":
            result.findings.append(finding("drive_limit_high", note=f"{label}, as stated"))
        elif answer != "yes" and not result.findings:
            result.verdict = Verdict.NEEDS_PERSON
            result.text = f"look up the drive's own {label}, then repeat this step"
            return result
    high = own.get("supply_high_V", math.nan)
    if high < context.profile.limits.supply.high:
        result.findings.append(
            finding(
                "drive_limit_low",
                note="voltage of the DC link",
                drive_V=high,
                profile_V=context.profile.limits.supply.high,
            )
        )
    result.text = f"{len(result.measured)} limits in the drive compared with the profile"
    return result


def _permitted(context: Context) -> list[tuple[str, str, str, float, str]]:
    """Return (name in ``own_limits``, label, unit, most, why) of every compared limit."""
    actuator, limits = context.profile.actuator, context.profile.limits
    current = most_current(context.profile)
    moves = "it acts on the mechanics even if the bench is dead, so no higher than"
    itself = "it protects the drive, not the rig; the bench stops earlier, at"
    return [
        (
            "torque_N_m",
            "torque limit",
            "N·m",
            actuator.motor.torque_constant * current,
            f"{moves} limits.current.tripped (or the motor's peak) times the torque constant",
        ),
        (
            "current_A",
            "current limit",
            "A",
            current,
            f"{moves} limits.current.tripped, or the motor's peak current",
        ),
        (
            "speed_rad_s",
            "speed limit",
            "rad/s",
            limits.speed.tripped * actuator.radians_per_metre,
            f"{moves} limits.speed.tripped over the screw's lead",
        ),
        (
            "supply_high_V",
            "upper voltage limit",
            "V",
            1.5 * limits.supply.high,
            f"{itself} limits.supply.high; up to half above, common practice, no source",
        ),
        (
            "temperature_degC",
            "temperature limit",
            "degC",
            limits.drive_temperature.tripped + 15.0,
            f"{itself} limits.drive_temperature.tripped; up to 15 K above, common practice, "
            "no source",
        ),
    ]


DRIVE_LIMITS = Step(
    "drive_limits",
    "Limits in the drive itself",
    happens="The limits set in the drive are compared with the profile's.",
    wrong="This step finds a drive that would give more than the motor and the rig withstand.",
    clear="Nothing moves; the power stage stays off.",
    run=drive_limits,
    needs=("talk", "supply"),
)
