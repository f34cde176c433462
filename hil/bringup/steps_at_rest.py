"""Sensors at rest: both readings while nothing moves, and the temperature of the drive."""

from __future__ import annotations

import math
from collections.abc import Generator

import numpy as np

from drivers.motion import LENGTH
from hil.bringup.findings import finding
from hil.bringup.signal_statistics import AtRest, Floats, at_rest
from hil.bringup.step import Context, Finding, Measured, Plot, Result, Step, Trace
from hil.bringup.steps_without_power import WATCH_S, since_start
from hil.procedures import Action, Pause, Seen, column

NOISE_FACTOR = 4.0
WANDER_SHARE = 0.01  # of the range
# Per second: of the range, and of the stated noise. White noise of that size gives a fifth of it.
DRIFT_SHARE, DRIFT_OF_NOISE = 1.5e-5, 0.1
OUTSIDE_SHARE = 0.1  # of the stroke: a nut beyond an end by more than springs at rest give
MOST_MOVED_COUNTS = 4.0
DROPS_COUNTS = 20.0
OF_MOTION = (
    "deflection_open",
    "deflection_noisy",
    "deflection_drifts",
)  # a moving rig gives these too
COLDEST_degC, HOTTEST_degC = -20.0, 80.0  # common practice, no source


def sensors_at_rest(context: Context) -> Generator[Action, Seen, Result]:
    profile = context.profile
    sensor = profile.sensors.deflection
    result = Result("sensors_at_rest")
    rows = (yield Pause(WATCH_S)).rows
    counts = column(rows, "deflection_counts")
    top = 2**sensor.bits - 1
    seen = at_rest(counts, top, sensor.rail_margin, 1.0 / profile.control.rate)
    most_noise = NOISE_FACTOR * sensor.noise + 1.0
    most_wander = WANDER_SHARE * top + sensor.noise
    result.measured += [
        Measured(
            "deflection reading",
            seen.middle,
            "counts",
            f"{sensor.rail_margin} to {top - sensor.rail_margin}",
            "inside its range, so that a broken wire can be recognised",
            sensor.rail_margin < seen.middle < top - sensor.rail_margin,
        ),
        Measured(
            "its noise",
            seen.noise,
            "counts",
            f"at most {most_noise:g}",
            f"{NOISE_FACTOR:g} times sensors.deflection.noise, and one for rounding",
            seen.noise <= most_noise,
        ),
        Measured(
            "its wander",
            seen.wander,
            "counts",
            f"at most {most_wander:.0f}",
            "nothing moves: a reading that moves is floating",
            seen.wander <= most_wander,
        ),
        Measured(
            "dropouts", seen.dropouts, "", "0", "no contact opens at rest", seen.dropouts == 0
        ),
        Measured(
            "different values seen",
            seen.distinct,
            "",
            "2 or more",
            "the last bit of a working converter changes",
            seen.distinct > 1 or sensor.noise < 0.5,
        ),
    ]
    moved = float(np.ptp(column(rows, "nut_position_m")))
    per_count = profile.actuator.transmission.lead / profile.sensors.motor.counts_per_revolution
    moved_counts = moved / per_count
    drift = _drift(counts, since_start(rows))
    most_drift = DRIFT_SHARE * top + DRIFT_OF_NOISE * sensor.noise
    result.measured.append(
        Measured(
            "its drift",
            drift,
            "counts/s",
            f"at most {most_drift:.2g} either way",
            "a straight line through the readings while nothing moves",
            abs(drift) <= most_drift,
        )
    )
    temperature = float(np.median(column(rows, "drive_temperature_degC")))
    likely = math.isnan(temperature) or COLDEST_degC < temperature < HOTTEST_degC
    result.measured.append(
        Measured(
            "drive temperature",
            "not reported" if math.isnan(temperature) else temperature,
            "" if math.isnan(temperature) else "°C",
            f"{COLDEST_degC:g} to {HOTTEST_degC:g} °C",
            "a drive at rest is as warm as its room; an open or shorted sensor reads far off",
            likely,
        )
    )
    if not likely:
        result.findings.append(finding("temperature_absent", reads_degC=temperature))
    wrong = judge_at_rest(seen, sensor.noise, most_noise, most_wander)
    steady = seen.noise <= most_noise and moved_counts <= MOST_MOVED_COUNTS
    if steady and abs(drift) > most_drift and (wrong is None or wrong.code == "deflection_open"):
        wrong = finding("deflection_drifts", drift_cps=f"{drift:.2g} counts/s")
    if wrong is not None and (wrong.code not in OF_MOTION or moved_counts <= MOST_MOVED_COUNTS):
        result.findings.append(wrong)
    result.measured.append(
        Measured(
            "motor sensor",
            moved_counts,
            "counts",
            f"at most {MOST_MOVED_COUNTS:g}",
            "the screw stands still",
            moved_counts <= MOST_MOVED_COUNTS,
        )
    )
    nut_m, stroke = float(np.median(column(rows, "nut_position_m"))), profile.actuator.stroke
    room = OUTSIDE_SHARE * stroke
    inside = -room < nut_m < stroke + room
    result.measured.append(
        Measured(
            "nut at rest",
            1e3 * nut_m,
            "mm",
            f"{-1e3 * room:.0f} to {LENGTH(stroke + room):.0f}{LENGTH}",
            "positions count from the lower end",
            inside,
        )
    )
    # The nut counts from the lower end by the deflection at the start, which must be sound.
    if not inside and wrong is None:
        result.findings.append(finding("reference_wrong", nut_mm=1e3 * nut_m))
    elif moved_counts > MOST_MOVED_COUNTS:
        lower = profile.sensors.motor.reference == "lower_end_at_start"
        # Without power, only a load that is not at its end moves a screw.
        result.findings.append(
            finding(
                "reference_wrong" if lower else "moves_uncommanded",
                note="the screw turns without power",
                moved_mm=1e3 * moved,
            )
        )
    context.known["sensor_noise_counts"] = seen.noise
    context.known["rest_counts"] = seen.middle
    result.plots.append(
        Plot(
            "Deflection sensor at rest",
            "time (s)",
            "reading (counts)",
            (Trace("reading", since_start(rows), counts),),
            (("bottom", 0.0), ("top", float(top))),
        )
    )
    result.text = (
        f"reading {seen.middle:.0f} of {top}, noise {seen.noise:.1f} counts, wander "
        f"{seen.wander:.1f}, {seen.dropouts} dropouts"
    )
    return result


def judge_at_rest(
    seen: AtRest, stated_noise: float, most_noise: float, most_wander: float
) -> Finding | None:
    """Return the finding that explains a deflection sensor's reading at rest; None if sound.

    Args:
        stated_noise, most_noise, most_wander: values in counts.
    """
    if seen.share_top > 0.9:
        return finding("deflection_rail", reading_counts=seen.middle)
    if seen.share_bottom > 0.9:
        return finding("deflection_shorted", reading_counts=seen.middle)
    if seen.wander > most_wander or (seen.noise > most_noise and seen.hum > 0.5):
        return finding("deflection_open", wander_counts=seen.wander, noise_counts=seen.noise)
    if seen.noise > most_noise:
        return finding("deflection_noisy", noise_counts=seen.noise, stated_counts=stated_noise)
    if seen.dropouts:
        return finding("deflection_intermittent", dropouts_count=seen.dropouts)
    # A converter with little noise may stand still: then the step by hand decides.
    if seen.distinct == 1 and stated_noise >= 0.5:
        return finding("deflection_frozen", reading_counts=seen.middle)
    return None


def _drift(counts: Floats, time: Floats) -> float:
    """Return the slope in counts/s of a line through the means of tenths, without dropouts."""
    parts = np.array_split(np.arange(len(counts)), 10)
    middles = [float(np.median(counts[part])) for part in parts]
    means = [
        float(np.mean(counts[part][np.abs(counts[part] - m) < 20]))
        for part, m in zip(parts, middles, strict=True)
    ]
    at = [float(np.mean(time[part])) for part in parts]
    return float(np.polyfit(at, means, 1)[0])


SENSORS_AT_REST = Step(
    "sensors_at_rest",
    "Sensors at rest",
    happens="Both sensors are watched for two seconds while nothing moves.",
    wrong="This step finds a broken, shorted, floating or noisy wire of the deflection sensor, a "
    "drifting reading, or a rig off its lower end.",
    clear="Hands off the lever and the cables; the power stage stays off.",
    run=sensors_at_rest,
    needs=("talk",),
    recheck_on_resume=True,
)
