"""Steps in which a person moves the unpowered rig: sensors by hand, springs by hand."""

from __future__ import annotations

import math
from collections.abc import Generator, Sequence

import numpy as np

from drivers.motion import ARC_RADIUS_M, LENGTH, PER_COUNT, is_rotary
from hil.bringup.findings import finding
from hil.bringup.manual_actions import (
    Spot,
    at_spot,
    gentle_deflection_m,
    hand_of,
    hold_output,
    let_all_go,
    support_load,
)
from hil.bringup.sensor_sweep import (
    FOLLOWS,
    LOST_M,
    STANDS_M,
    Sweep,
    judge_sweep,
    pressed_share,
    wider_sweep,
)
from hil.bringup.signal_statistics import at_rest, doubled_share, lazy_bits
from hil.bringup.step import Context, Measured, Plot, Result, Step, Trace, Verdict
from hil.procedures import Action, Hand, Seen, column

WIGGLE_S = 1.5
TRIAL_SHARE = 0.5  # of the gentle deflection: the first turn, while even the direction is unknown
AGREES = 0.1  # of a turn by eye (a few degrees) against the caliper
SCALE_LOW, SCALE_HIGH = 0.75, 1.33  # calibration refines it; 1.4 is half way to wrong by two
FAR_FROM_ZERO = 0.1  # of the span
SWEPT_COUNTS = 24


def sensors_by_hand(context: Context) -> Generator[Action, Seen, Result]:
    profile = context.profile
    result = Result("sensors_by_hand")
    yield support_load()
    yield from _wiggle(context, result)
    gentle_m = gentle_deflection_m(profile)
    trial = TRIAL_SHARE * gentle_m / profile.actuator.transmission.lead
    start = yield from at_spot(0.0, caliper=True)
    first = yield from at_spot(trial, caliper=True)
    moved = first.true_nut_m - start.true_nut_m
    seen = first.nut_m - start.nut_m
    if abs(moved) < STANDS_M and abs(seen) < STANDS_M:
        result.findings.append(finding("nut_jammed", nut_mm=1e3 * moved))
        result.measured.append(
            Measured(
                "travel of the nut by hand",
                1e3 * moved,
                "mm",
                f"about {1e3 * TRIAL_SHARE * gentle_m:.2f}",
                "the shaft was turned",
                False,
            )
        )
        result.text = "the screw cannot be turned by hand"
        yield from let_all_go()
        return result
    # From here on the nut moves outward, whatever the hand of the screw.
    outward = math.copysign(1.0, moved)
    up = yield from at_spot(outward, caliper=True)
    lead = _judge_screw(context, result, first, up, outward)
    if abs(lead) < STANDS_M:
        yield from let_all_go()
        return result
    # Springs that do not return the output leave it anywhere: their own step finds that.
    free = min(start, up, key=lambda spot: abs(spot.deflection_m))
    yield hold_output()
    spots = [(yield from at_spot(0.0, caliper=True))]
    # The second and third continue in one direction, where stiction or slack does not show.
    for target in (gentle_m, 0.0, -gentle_m, 0.0):
        away = spots[0].true_nut_m + target - spots[-1].true_nut_m
        spots.append((yield from at_spot(away / lead, caliper=True)))
    lags = judge_sweep(spots)
    if abs(lags.scale) < FOLLOWS:
        lags = yield from wider_sweep(spots, lead, gentle_m)
    pressed = math.nan
    if lags.lost_m > LOST_M:
        yield Hand("let_output_go", "Release the output.")
        pressed = yield from pressed_share(context, lead, gentle_m)
    _judge_deflection(context, result, free, spots, lags, pressed)
    if math.isfinite(pressed):
        spots[-1] = yield from at_spot(0.0, caliper=True)
    yield Hand("let_output_go", "Release the output.")
    yield from at_spot((start.true_nut_m - spots[-1].true_nut_m) / lead)
    yield from let_all_go()
    if result.findings:
        result.verdict = Verdict.NOT_RUN  # findings outweigh an incomplete turn
        result.text = "; ".join(found.sentence for found in result.findings)
        return result
    if result.verdict is Verdict.NEEDS_PERSON:
        return result
    context.known["nut_m_per_turn"] = lead
    result.text = (
        f"{LENGTH(abs(lead)):.2f}{LENGTH} per turn, {'right' if lead > 0 else 'left'} hand; the "
        f"deflection sensor follows by {context.known['deflection_scale']:.2f}"
    )
    return result


def _wiggle(context: Context, result: Result) -> Generator[Action, Seen, None]:
    sensor = context.profile.sensors.deflection
    rows = (
        yield Hand(
            "wiggle_cable",
            "Move the deflection sensor's cable and connectors about, touch nothing else.",
            WIGGLE_S,
        )
    ).rows
    period = 1.0 / context.profile.control.rate
    counts = column(rows, "deflection_counts")
    seen = at_rest(counts, 2**sensor.bits - 1, sensor.rail_margin, period)
    result.measured.append(
        Measured(
            "dropouts while the cable is moved",
            seen.dropouts,
            "",
            "0",
            "a sound connector tolerates it",
            seen.dropouts == 0,
        )
    )
    if seen.dropouts:
        time = column(rows, "time_s")
        result.plots.append(
            Plot(
                "Deflection sensor while its cable is moved",
                "time (s)",
                "reading (counts)",
                (Trace("reading", time - time[0], counts),),
            )
        )
        result.findings.append(finding("deflection_intermittent", dropouts_count=seen.dropouts))


def _judge_screw(
    context: Context, result: Result, before: Spot, after: Spot, turns: float
) -> float:
    """Judge hand, lead and encoder from one turn; return the true signed lead in m per turn."""
    profile = context.profile
    screw, motor, hand = profile.actuator.transmission, profile.sensors.motor, hand_of(profile)
    lead = (after.true_nut_m - before.true_nut_m) / turns
    counted = (after.nut_m - before.nut_m) / (hand * screw.lead) / turns
    ratio = abs(lead) / screw.lead
    measured = result.measured
    measured.append(
        Measured(
            "travel of the nut in one clockwise turn, by caliper",
            1e3 * lead,
            "mm",
            f"{1e3 * hand * screw.lead:g}",
            "actuator.screw.lead and .hand",
            hand * lead > 0 and abs(ratio - 1) <= AGREES,
        )
    )
    measured.append(
        Measured(
            "turns counted by the encoder in it",
            counted,
            "",
            "1",
            "sensors.motor.counts_per_revolution and .sign",
            abs(counted - 1) <= AGREES,
        )
    )
    if abs(lead) < STANDS_M:
        result.findings.append(finding("nut_jammed", turn_mm=1e3 * lead))
        return lead
    short = ratio < 1 - AGREES and abs(abs(counted) - ratio) <= AGREES
    if short:
        # Caliper and encoder agree with each other: the turn was not a whole one.
        result.verdict = Verdict.NEEDS_PERSON
        result.text = (
            f"the shaft turned by {ratio:.2f} turns instead of one: find what holds it, or "
            "turn it by a whole turn, and repeat"
        )
        return lead
    if hand * lead < 0:
        other = "left" if hand > 0 else "right"
        result.findings.append(
            finding("screw_left_handed", turn_mm=1e3 * lead, changes=dict([_hand_change(other)]))
        )
    if abs(ratio - 1) > AGREES:
        result.findings.append(
            finding(
                "screw_lead_wrong",
                measured_mm=1e3 * abs(lead),
                stated_mm=1e3 * screw.lead,
                changes=dict([_lead_change(lead)]),
            )
        )
    if abs(counted) < FOLLOWS:
        result.findings.append(finding("encoder_silent", counted_turns=counted))
        return lead
    if counted < 0:
        result.findings.append(finding("encoder_reversed", counted_turns=counted))
    if abs(abs(counted) - 1) > AGREES:
        counts = _round(abs(counted) * motor.counts_per_revolution, 2)
        result.findings.append(
            finding(
                "encoder_counts_wrong",
                counted_turns=abs(counted),
                changes={"sensors.motor.counts_per_revolution": f"{counts:.0f}"},
            )
        )
    context.known["counts_per_turn"] = counted * motor.counts_per_revolution
    if doubled_share(column(after.rows, "nut_position_m")) >= 0.5:
        result.findings.append(finding("sample_rate_half", note="seen on the motor sensor"))
    time = column(after.rows, "time_s")
    travel = 1e3 * (column(after.rows, "nut_position_m") - before.nut_m)
    result.plots.append(
        Plot(
            "One turn by hand",
            "time (s)",
            "nut by the encoder (mm)",
            (Trace("nut", time - time[0], travel),),
            (("by caliper", 1e3 * lead * turns),),
        )
    )
    return lead


def _hand_change(hand: str) -> tuple[str, str]:
    """Return the profile's key for the sense of the transmission, and what to write."""
    if is_rotary():
        return "actuator.gear.sense", "same" if hand == "right" else "opposite"
    return "actuator.screw.hand", hand


def _lead_change(lead_m: float) -> tuple[str, str]:
    """Return the profile's key for the size of the transmission, and what to write."""
    if is_rotary():
        return "actuator.gear.ratio", f"{_round(2 * math.pi * ARC_RADIUS_M / abs(lead_m), 3):g}"
    return "actuator.screw.lead", f"{_round(1e3 * abs(lead_m), 2):g} mm"


def _judge_deflection(
    context: Context, result: Result, free: Spot, spots: Sequence[Spot], lags: Sweep, pressed: float
) -> None:
    """Judge sign, scale, zero and bits of the deflection sensor; the output was held."""
    profile = context.profile
    sensor, calibration = profile.sensors.deflection, profile.calibration
    true = np.array([spot.true_nut_m for spot in spots])
    shown = np.array([spot.deflection_m for spot in spots])
    scale = lags.scale
    loses = lags.lost_m > LOST_M and math.isfinite(pressed)
    good = SCALE_LOW <= scale <= SCALE_HIGH or loses
    result.measured.append(
        Measured(
            "deflection shown for each mm by caliper",
            scale,
            "mm",
            "1",
            f"calibration.deflection_per_count; {SCALE_LOW:g} to {SCALE_HIGH:g} is left to the "
            "calibration",
            good,
        )
    )
    result.plots.append(
        Plot(
            "Deflection with the output held",
            "nut by caliper (mm)",
            "deflection shown (mm)",
            (
                Trace("shown", 1e3 * (true - true[0]), 1e3 * shown),
                Trace("expected", 1e3 * (true - true[0]), 1e3 * (true - true[0] + shown[0])),
            ),
        )
    )
    result.measured.append(
        Measured(
            "travel that the reading loses when the nut reverses",
            1e3 * lags.lost_m,
            "mm",
            f"below {1e3 * LOST_M:g}",
            "springs and sensor follow the nut at once",
            lags.lost_m <= LOST_M,
        )
    )
    rows = np.concatenate([spot.rows for spot in spots])
    counts = np.unique(column(rows, "deflection_counts"))
    if loses and pressed < 0.5:
        result.findings.append(finding("lost_motion", lost_mm=1e3 * lags.lost_m))
        return
    if abs(scale) < FOLLOWS:
        code = "deflection_frozen" if len(counts) == 1 else "channels_swapped"
        moved = 1e3 * float(np.ptp(true))
        result.findings.append(
            finding(
                code,
                moved_mm=moved,
                shown_mm=1e3 * float(np.ptp(shown)),
                reading_counts=spots[-1].counts,
            )
        )
        return
    if loses:
        result.findings.append(finding("deflection_sticks", sticks_mm=1e3 * lags.lost_m))
        return
    per_count = calibration.deflection_per_count
    linear = not calibration.sensor_table
    if scale < 0:
        changes = {"calibration.deflection_per_count": _per_count(-per_count)} if linear else {}
        result.findings.append(
            finding(
                "deflection_reversed",
                note=f"{scale:.3g}{LENGTH} for each {LENGTH.unit}",
                changes=changes,
            )
        )
    if not SCALE_LOW <= abs(scale) <= SCALE_HIGH:
        true_per_count = per_count / scale
        changes = (
            {
                "calibration.deflection_per_count": _per_count(true_per_count),
                "sensors.deflection.span": LENGTH.written(sensor.span / abs(scale), ".3g"),
            }
            if linear
            else {}
        )
        result.findings.append(
            finding(
                "deflection_scale_wrong",
                note=f"{abs(scale):.3g}{LENGTH} for each {LENGTH.unit}",
                changes=changes,
            )
        )
    zero = free.counts
    far = abs(free.deflection_m) > FAR_FROM_ZERO * sensor.span
    result.measured.append(
        Measured(
            "reading with nothing on the springs",
            zero,
            "counts",
            f"about {calibration.zero:g}",
            f"calibration.zero; within {100 * FAR_FROM_ZERO:g} % of the span",
            not far,
        )
    )
    if far and not result.findings:
        result.findings.append(
            finding(
                "deflection_zero_off",
                reading_counts=zero,
                changes={"calibration.zero": f"{zero:.0f}"},
            )
        )
    lazy = lazy_bits(counts) if float(np.ptp(counts)) >= SWEPT_COUNTS else []
    result.measured.append(
        Measured(
            "bits that stand still in the sweep",
            len(lazy),
            "",
            "0",
            f"all of {sensor.bits} bits are used",
            not lazy,
        )
    )
    if lazy:
        result.findings.append(
            finding("deflection_missing_codes", note=f"bit {', '.join(map(str, lazy))}")
        )
    context.known["zero_counts"] = zero
    context.known["deflection_scale"] = scale
    context.known["deflection_m_per_count"] = per_count / scale


def _per_count(metres: float) -> str:
    return f"{PER_COUNT(metres):.5g} {PER_COUNT.key}"


def _round(value: float, digits: int) -> float:
    """Round to ``digits`` significant digits, the accuracy of a turn by eye."""
    return float(f"{value:.{digits}g}")


SENSORS_BY_HAND = Step(
    "sensors_by_hand",
    "Sensors by hand",
    happens="You move the sensor's cable, turn the screw by one turn and read the nut with a "
    "caliper, then load the springs a little both ways with the output held. If something is lost "
    "between nut and sensor, a spring balance shows where.",
    wrong="A reversed or wrongly scaled sensor, a left-hand screw, a wrong lead or a loose contact "
    "is found here. If released, the shaft is turned back by the pressed springs.",
    clear="Power stays off. Take every weight off; keep fingers out of the lever.",
    run=sensors_by_hand,
    needs=("sensors_at_rest",),
)
