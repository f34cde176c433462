"""Steps that need no power and no manual action: talk and supply."""

from __future__ import annotations

import math
from collections.abc import Generator

import numpy as np

from hil.bringup.findings import finding
from hil.bringup.signal_statistics import Floats, doubled_share, lost_share
from hil.bringup.step import Context, Measured, Plot, Result, Step, Trace, Verdict
from hil.procedures import Action, Choose, Pause, Seen, column

WATCH_S = 2.0
MOST_LOST = 0.02  # a sound bus loses none; allowance for a busy computer
MOST_BUS_LOAD = 0.7  # room for SDO and errors; common practice, no source
LONGEST_HOST_LOSS_S = 0.2
STEADY_SHARE = 0.02
YES_NO = ("yes", "no", "cannot tell")


def talk(context: Context) -> Generator[Action, Seen, Result]:
    profile, facts = context.profile, context.facts
    period = 1.0 / profile.control.rate
    result = Result("talk")
    yield Pause(0.3)  # the first samples after opening may be late
    rows = (yield Pause(WATCH_S)).rows
    if not len(rows):
        result.findings.append(finding("telemetry_stale", note="no sample has arrived"))
        return result
    oldest, lost = _ages(rows, period)
    most_age = profile.limits.telemetry_age
    if oldest > most_age and lost <= MOST_LOST:
        # One gap may come from a busy computer. A fault of drive or bus shows again.
        result.measured.append(
            Measured(
                "oldest sample in a first watch",
                1e3 * oldest,
                "ms",
                f"at most {1e3 * most_age:g}",
                "a single one may come from this computer: watched again, twice as long",
            )
        )
        rows = (yield Pause(2 * WATCH_S)).rows
        oldest, lost = _ages(rows, period)
    age = column(rows, "telemetry_age_s")
    doubled = doubled_share(column(rows, "deflection_counts"))
    measured = result.measured
    measured.append(Measured("drive", facts.identity or "not reported", "", "", "its identity"))
    measured += [Measured(name, text) for name, text in facts.details.items()]
    measured.append(
        Measured(
            "cycles without a new sample",
            100 * lost,
            "%",
            f"at most {100 * MOST_LOST:g}",
            "a sound bus loses no frame",
            lost <= MOST_LOST,
        )
    )
    measured.append(
        Measured(
            "oldest sample used",
            1e3 * oldest,
            "ms",
            f"at most {1e3 * most_age:g}",
            "limits.telemetry_age stops the bench beyond it",
            oldest <= most_age,
        )
    )
    if not math.isnan(doubled):
        measured.append(
            Measured(
                "samples that repeat",
                100 * doubled,
                "%",
                "0",
                "each cycle needs a new one: control.rate",
                doubled < 0.5,
            )
        )
    measured.append(
        Measured(
            "the drive's watch over the host",
            1e3 * facts.host_loss_s,
            "ms",
            f"at most {1e3 * LONGEST_HOST_LOSS_S:g}",
            "the motor may continue for this long when the host dies",
            _within(facts.host_loss_s),
        )
    )
    if not math.isnan(facts.bus_load):
        measured.append(
            Measured(
                "bus load, worst case",
                100 * facts.bus_load,
                "%",
                f"at most {100 * MOST_BUS_LOAD:g}",
                "room for configuration and error frames",
                facts.bus_load <= MOST_BUS_LOAD,
            )
        )
        if facts.bus_load > MOST_BUS_LOAD:
            result.findings.append(finding("bus_overloaded", load_percent=100 * facts.bus_load))
    if doubled >= 0.5:
        result.findings.append(finding("sample_rate_half", doubled_percent=100 * doubled))
    if lost > MOST_LOST:
        result.findings.append(finding("bus_lossy", cycles_without_percent=100 * lost))
    elif oldest > most_age:
        result.findings.append(finding("telemetry_stale", oldest_ms=1e3 * oldest))
    if not _within(facts.host_loss_s):
        result.findings.append(finding("host_loss_long", waits_ms=1e3 * facts.host_loss_s))
    result.plots.append(
        Plot(
            "Age of the drive's sample",
            "time (s)",
            "age (ms)",
            (Trace("age", since_start(rows), 1e3 * age),),
            (("limit", 1e3 * most_age),),
        )
    )
    result.text = (
        f"{facts.identity or 'the drive'} answers; {100 * lost:.1f} % of cycles without a "
        f"new sample, the oldest {1e3 * oldest:.1f} ms"
    )
    return result


def _ages(rows: Floats, period_s: float) -> tuple[float, float]:
    """Return (age of the oldest sample used in s, share of cycles without a new one)."""
    age = column(rows, "telemetry_age_s")
    return float(np.max(age)), lost_share(age, period_s)


def _within(host_loss_s: float) -> bool:
    return 0.0 < host_loss_s <= LONGEST_HOST_LOSS_S


def supply(context: Context) -> Generator[Action, Seen, Result]:
    limits = context.profile.limits.supply
    result = Result("supply")
    rows = (yield Pause(1.0)).rows
    volts = column(rows, "supply_V")
    middle, ripple = float(np.median(volts)), float(np.ptp(volts))
    own_high = context.facts.own_limits.get("supply_high_V", math.nan)
    most_ripple = STEADY_SHARE * limits.high
    result.measured.append(
        Measured(
            "supply",
            middle,
            "V",
            f"{limits.low:g} to {limits.high:g}",
            "limits.supply of the profile",
            limits.low < middle < limits.high,
        )
    )
    result.measured.append(
        Measured(
            "its ripple",
            ripple,
            "V",
            f"at most {most_ripple:.2g}",
            "nothing draws power yet",
            ripple <= most_ripple,
        )
    )
    if not math.isnan(own_high):
        result.measured.append(
            Measured(
                "the drive's own upper limit",
                own_high,
                "V",
                f"above {middle:.1f}",
                "braking raises the voltage",
            )
        )
    if not middle > limits.low:  # NaN counts as too low
        result.findings.append(finding("supply_low", supply_V=middle, least_V=limits.low))
    elif middle >= limits.high:
        result.findings.append(finding("supply_high", supply_V=middle, most_V=limits.high))
    elif ripple > most_ripple:
        result.findings.append(finding("supply_unsteady", ripple_V=ripple))
    answer = (
        yield Choose(
            "Does the supply absorb the power that the motor regenerates in braking (a battery, or "
            "a brake resistor at the drive)?",
            "regeneration",
            YES_NO,
        )
    ).text
    result.measured.append(
        Measured(
            "the supply absorbs power",
            answer or "no answer",
            "",
            "yes",
            "stated by the operator; an electronic supply alone absorbs none",
            answer == "yes",
        )
    )
    if answer == "no":
        result.findings.append(finding("regeneration_not_taken"))
    elif answer != "yes" and not result.findings:
        result.verdict = Verdict.NEEDS_PERSON
        result.text = "find out whether the supply absorbs power, then repeat this step"
        return result
    context.known["supply_V"] = middle
    result.plots.append(
        Plot(
            "Supply at rest",
            "time (s)",
            "voltage (V)",
            (Trace("supply", since_start(rows), volts),),
            (("low", limits.low), ("high", limits.high)),
        )
    )
    result.text = f"{middle:.1f} V, ripple {ripple:.2f} V, absorbs power: {answer}"
    return result


def since_start(rows: Floats) -> Floats:
    time = column(rows, "time_s")
    since: Floats = time - time[0]
    return since


TALK = Step(
    "talk",
    "Talk with the drive",
    happens="The drive's identity is read, and its samples are watched for two seconds.",
    wrong="This step finds a missing answer, lost frames, and late or repeated values.",
    clear="Nothing moves; the power stage stays off.",
    run=talk,
    recheck_on_resume=True,
)
SUPPLY = Step(
    "supply",
    "Supply",
    happens="The voltage is watched, and you are asked where braking power goes.",
    wrong="This step finds a flat battery, a wrong supply, or one that absorbs no power.",
    clear="Nothing moves; the power stage stays off.",
    run=supply,
    needs=("talk",),
    recheck_on_resume=True,
)
