"""Springs by hand: a spring balance holds the output, the screw is turned a little both ways."""

from __future__ import annotations

import math
from collections.abc import Generator
from dataclasses import replace

import numpy as np

from drivers.motion import FORCE, STIFFNESS
from hil.bringup.findings import finding
from hil.bringup.manual_actions import (
    at_spot,
    gentle_deflection_m,
    hold_output,
    let_all_go,
    stated_rate_N_m,
    support_load,
)
from hil.bringup.signal_statistics import Floats
from hil.bringup.step import Context, Finding, Measured, Plot, Result, Step, Trace, Verdict
from hil.procedures import Action, Hand, Read, Seen
from hil.profile import TwoSlopes, arm_ratio

# Springs of one drawing differ by 20 % at most; 0.65 and 1.5 lie half way to a factor of two.
SOFT, STIFF = 0.65, 1.5
NOTHING = 0.15  # of the stated rate: no spring acts, within the accuracy of a balance
PLAY = 0.35  # about the middle, where both sets should act
LIFT_M = 0.003
STEPS_OUT = (1.0, 0.5, 0.0, -0.5, -1.0)


def springs_by_hand(context: Context) -> Generator[Action, Seen, Result]:
    profile = context.profile
    result = Result("springs_by_hand")
    lead = context.known.get("nut_m_per_turn", math.nan)
    if math.isnan(lead):
        result.verdict = Verdict.NEEDS_PERSON
        result.text = "the lead of the screw is not known yet: repeat the step before this one"
        return result
    arms = arm_ratio(profile.rig)
    gentle_m, stated = gentle_deflection_m(profile), stated_rate_N_m(profile)
    yield support_load()
    start = yield from at_spot(0.0)
    spot = yield from at_spot(LIFT_M / lead)
    yield hold_output(
        "Hook a spring balance to the load point and hold the load point with it, so that it does "
        "not move; you will read the balance."
    )
    # The deflection sensor gives the middle; from there on only the nut counts.
    middle_m = spot.nut_m - spot.deflection_m
    deflections, forces = [], []
    for share in STEPS_OUT:
        spot = yield from at_spot((middle_m + share * gentle_m - spot.nut_m) / lead)
        seen = yield Read(
            "Force on the spring balance, + if it pulls in the direction in which the rod extends",
            "balance_N",
            "N",
        )
        if math.isnan(seen.value):
            result.verdict = Verdict.NEEDS_PERSON
            result.text = "without the balance the springs cannot be judged: repeat"
            yield from let_all_go()
            return result
        deflections.append(spot.nut_m - middle_m)
        forces.append(-arms * seen.value)
    yield from at_spot((middle_m - spot.nut_m) / lead)
    yield from _back_down(start.nut_m - middle_m, lead)
    x, force = np.array(deflections), np.array(forces)
    _judge(context, result, x, force, stated)
    result.plots.append(
        Plot(
            "Springs by hand",
            "deflection (mm)",
            "force (N)",
            (
                Trace("by balance", 1e3 * x, force),
                Trace("as stated", 1e3 * x, stated * (x - x[2]) + force[2]),
            ),
        )
    )
    return result


def _back_down(travel_m: float, lead: float) -> Generator[Action, Seen, None]:
    """Part of a procedure: release the output, return the nut, let the load down.

    The support carries the output meanwhile: weak springs may not return it.
    """
    yield Hand("let_output_go", "Remove the balance.")
    yield from at_spot(travel_m / lead)
    yield from let_all_go()


def _judge(context: Context, result: Result, x: Floats, force: Floats, stated: float) -> None:
    # push outer, push inner, pull inner, pull outer; no rate if the screw did not turn
    moved = np.diff(x)
    rates = np.divide(np.diff(force), moved, out=np.full(4, math.nan), where=np.abs(moved) > 1e-6)
    push = float((force[0] - force[2]) / (x[0] - x[2]))
    pull = float((force[4] - force[2]) / (x[4] - x[2]))
    whole = float(np.polyfit(x, force, 1)[0])
    why = "two sets of actuator.springs.rate_per_set; springs of one drawing differ by 20 %"
    for name, rate in (("pushing", push), ("pulling", pull)):
        result.measured.append(
            Measured(
                f"rate of the springs, {name}",
                1e-3 * rate,
                "N/mm",
                f"{1e-3 * SOFT * stated:.0f} to {1e-3 * STIFF * stated:.0f}",
                why,
                SOFT * stated <= rate <= STIFF * stated,
            )
        )
    wrong = judge_springs([float(rate) / stated for rate in rates], push / stated, pull / stated)
    if wrong is not None and wrong.code in ("springs_soft", "springs_stiff"):
        wrong = replace(wrong, changes=_changes(context, whole / stated))
    if wrong is not None:
        result.findings.append(wrong)
    else:
        context.known["rate_inner_N_m"] = whole
    result.text = (
        f"{STIFFNESS(push):.0f}{STIFFNESS} pushing, {STIFFNESS(pull):.0f}{STIFFNESS} pulling, "
        f"{STIFFNESS(stated):.0f} stated; up to {FORCE(float(np.max(np.abs(force)))):.0f}{FORCE} on the rod"
    )


def judge_springs(rates: list[float], push: float, pull: float) -> Finding | None:
    """Judge the springs' rates, all as shares of the stated one about the middle.

    Args:
        rates: rates from push to pull over four equal parts of the deflection.
        push, pull: rates over either half.
    """
    shares = f"{100 * push:.0f} % of the stated rate pushing, {100 * pull:.0f} % pulling"
    inner = max(rates[1], rates[2])
    if inner < PLAY and (inner < NOTHING or inner < 0.5 * max(rates[0], rates[3])):
        return finding("preload_absent", note=shares)
    if min(push, pull) < NOTHING and max(push, pull) > 2 * NOTHING:
        return finding("spring_missing", note=shares)
    if (push + pull) / 2 < SOFT:
        return finding("springs_soft", note=shares)
    if (push + pull) / 2 > STIFF:
        return finding("springs_stiff", note=shares)
    return None


def _changes(context: Context, share: float) -> dict[str, str]:
    """Return the profile's changes for rates of ``share`` times the stated ones."""
    springs, law = context.profile.actuator.springs, context.profile.calibration.spring_law
    rates = {"actuator.springs.rate_per_set": springs.rate_per_set}
    if isinstance(law, TwoSlopes):
        rates["calibration.spring_law.inner_rate"] = law.inner_rate
        rates["calibration.spring_law.outer_rate"] = law.outer_rate
    return {key: STIFFNESS.written(share * rate, ".3g") for key, rate in rates.items()}


SPRINGS_BY_HAND = Step(
    "springs_by_hand",
    "Springs by hand",
    happens="With a spring balance holding the load point, you turn the screw a little both ways "
    "and read the balance.",
    wrong="Springs other than stated, a set missing or broken, or no preload is found here. The "
    "output jumps if the balance slips off.",
    clear="Power stays off. Take every weight off; keep fingers out of the lever.",
    run=springs_by_hand,
    needs=("sensors_by_hand",),
)
