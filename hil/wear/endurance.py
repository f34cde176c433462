"""Repeat a sequence until a goal is reached, with rests by motor heat, and monitor wear."""

from __future__ import annotations

import math
from collections.abc import Callable, Generator
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from drivers.motion import restated, unit_name
from hil.core import INDEX
from hil.procedures import Action, BenchStopped, Pause, Procedure, ProcedureFailed, Seen, no_rows
from hil.profile import Profile
from hil.sequences import Pacing, Sequence, measured_value, perform
from hil.wear.journal import Journal
from hil.wear.rainflow import SpringLife, screw_damage
from hil.wear.signs import Signs, signs_of
from hil.wear.trend import Change, Trend

LOOK_S = 0.1
MOST_ROWS = 2_000_000  # of one cycle; of a longer one the latest are used
WATCHED = ("friction_N", "stiffness_N_m", "zero_m")
# Smallest credible standard deviation of a sign: about a third of that of a rig from cycle
# to cycle in lockstep (0.06 N, 170 N/m; tests/campaigns/wear.py).
LEAST_SD = {"friction_N": 0.02, "stiffness_N_m": 50.0, "zero_m": 0.5e-6}


@dataclass(frozen=True)
class Until:
    """Measured value that ends a run.

    Attributes:
        measured: as in ``wait_until``. low, high: end above ``high`` or below ``low``, in SI.
        words: the same as text.
    """

    measured: str
    low: float = -math.inf
    high: float = math.inf
    words: str = ""


@dataclass(frozen=True)
class Plan:
    """Goals, rests and wear checks of a run.

    Attributes:
        cycles: number of all cycles, those of the journal included. seconds: their time, in s.
        until: or a measured value.
        measure_every: cycles from one check of the signs of wear to the next.
        rest_above, rest_below: motor heat as a share of what is permitted continuously.
        stands_for: cycles that one performed cycle counts for; above 1 on the simulated rig only.
        stop_on_trend: end at a trend; else it is only recorded.
        summary_every_s: interval of rig time.
        spring: line of the springs' life, screw_rating_N: of the screw; None if not stated.
    """

    cycles: int | None = None
    seconds: float | None = None
    until: Until | None = None
    measure_every: int = 1000
    rest_above: float = 0.8
    rest_below: float = 0.5
    stands_for: int = 1
    stop_on_trend: bool = True
    summary_every_s: float = 3600.0
    spring: SpringLife | None = None
    screw_rating_N: float | None = None


@dataclass(frozen=True)
class Enough:
    """Normal end of a run: ``count``, ``time``, ``value`` or ``trend``, and its text."""

    why: str
    text: str
    changes: tuple[Change, ...] = ()


@dataclass
class Callbacks:
    """Callbacks during a run; each returns at once.

    Attributes:
        before: called before each cycle, with the count of cycles before it.
        change: called with a trend that was found.
        summary: called at intervals, and at the end.
    """

    before: Callable[[int], None] = lambda _count: None
    change: Callable[[Change], None] = lambda _change: None
    summary: Callable[[], None] = lambda: None
    trends: dict[str, Trend] = field(default_factory=dict)


def endure(
    sequence: Sequence, profile: Profile, plan: Plan, journal: Journal, callbacks: Callbacks
) -> Procedure:
    """Repeat ``sequence`` until a goal is reached; return :class:`Enough`.

    Each cycle counts once it is whole and in the journal. A stop, a fault or a refusal ends the
    run; nothing restarts it.
    """
    callbacks.trends |= trends_of(journal)
    summary_s = journal.seconds + plan.summary_every_s
    try:
        while True:
            enough = _enough(plan, journal, callbacks)
            if enough is not None:
                break
            # The cycle that is performed is the last of those that it represents.
            callbacks.before(journal.count + plan.stands_for - 1)
            due = journal.count // plan.measure_every
            measure = (journal.count + plan.stands_for) // plan.measure_every > due
            rows = yield from _cycle(sequence, profile, measure or not journal.count)
            lasted_s = float(rows[-1, INDEX["time_s"]] - rows[0, INDEX["time_s"]])
            _count(plan, profile, journal, rows, lasted_s)
            if measure:
                _look(plan, journal, callbacks, signs_of(rows))
            if plan.until is not None and (words := _reached(plan.until, rows, profile)):
                enough = Enough("value", words)
                break
            rested_s = yield from _rest(plan, rows)
            if rested_s:
                journal.write(_state(journal, journal.count, journal.seconds + rested_s))
            if journal.seconds >= summary_s:
                summary_s = journal.seconds + plan.summary_every_s
                callbacks.summary()
    except BaseException as error:
        journal.write({"kind": "ended", "how": _how(error), "text": str(error)[:500]})
        callbacks.summary()
        raise
    journal.write({"kind": "ended", "how": enough.why, "text": enough.text})
    callbacks.summary()
    return enough


def trends_of(journal: Journal) -> dict[str, Trend]:
    """Return the trends of all signs that the journal holds."""
    trends = {name: Trend(name, least_sd=LEAST_SD[name]) for name in WATCHED}
    for entry in journal.entries:
        if entry.get("kind") == "signs":
            for name, trend in trends.items():
                trend.add(float(entry["count"]), float(entry.get(name, math.nan)))
    return trends


def _how(error: BaseException) -> str:
    if isinstance(error, BenchStopped):
        return "stopped"
    return "failed" if isinstance(error, ProcedureFailed) else "aborted"


def _cycle(
    sequence: Sequence, profile: Profile, record: bool
) -> Generator[Action, Seen, NDArray[np.float64]]:
    """Perform the sequence once; return its rows."""
    blocks: list[NDArray[np.float64]] = []
    kept = 0
    once = perform(sequence, profile, Pacing(), record=record)
    try:
        action = next(once)
        while True:
            try:
                seen = yield action
            except (BenchStopped, ProcedureFailed) as error:
                action = once.throw(error)
                continue
            blocks.append(seen.rows)
            kept += len(seen.rows)
            while kept > MOST_ROWS and len(blocks) > 1:
                kept -= len(blocks.pop(0))
            action = once.send(seen)
    except StopIteration:
        pass
    finally:
        once.close()
    rows = np.concatenate(blocks) if blocks else no_rows()
    if len(rows) < 2:
        raise ProcedureFailed("no samples arrived during a cycle: it cannot be counted")
    return rows


def _state(journal: Journal, count: int, seconds: float) -> dict[str, object]:
    return {
        "kind": "cycles",
        "count": count,
        "seconds": round(seconds, 3),
        "damage": journal.damage,
    }


def _count(
    plan: Plan, profile: Profile, journal: Journal, rows: NDArray[np.float64], lasted_s: float
) -> None:
    force = rows[:, INDEX["spring_force_N"]]
    damage = dict(journal.damage)
    if plan.spring is not None:
        more = plan.spring.damage(force)
        damage["springs"] = damage.get("springs", 0.0) + plan.stands_for * more
    if plan.screw_rating_N is not None:
        lead = profile.actuator.transmission.lead
        more = screw_damage(force, rows[:, INDEX["nut_position_m"]], lead, plan.screw_rating_N)
        damage["screw"] = damage.get("screw", 0.0) + plan.stands_for * more
    journal.damage = damage
    seconds = journal.seconds + plan.stands_for * lasted_s
    journal.write(_state(journal, journal.count + plan.stands_for, seconds))


def _look(plan: Plan, journal: Journal, callbacks: Callbacks, signs: Signs) -> None:
    journal.write({"kind": "signs", "count": journal.count, **signs.as_data()})
    for name, trend in callbacks.trends.items():
        change = trend.add(float(journal.count), float(getattr(signs, name)))
        if change is not None:
            journal.write({"kind": "trend", "text": words_of(change)})
            callbacks.change(change)


def words_of(change: Change) -> str:
    """Return a change in a sentence."""
    name, _, unit = change.name.partition("_")
    scale, unit = {"N_m": (1e-3, "N/mm"), "m": (1e6, "um")}.get(unit, (1.0, unit))
    scale, unit = float(restated(scale, unit)), unit_name(unit)
    way = "drifts" if change.kind == "drift" else "stepped"
    return (
        f"{name} {way} since cycle {change.onset:.0f} ({change.onset_low:.0f} to "
        f"{change.onset_high:.0f}): from {scale * change.before:.4g} to "
        f"{scale * change.now:.4g} {unit}, seen at cycle {change.found_at:.0f}"
    )


def _enough(plan: Plan, journal: Journal, callbacks: Callbacks) -> Enough | None:
    changes = tuple(trend.change for trend in callbacks.trends.values() if trend.change is not None)
    if changes and plan.stop_on_trend:
        return Enough("trend", "; ".join(words_of(change) for change in changes), changes)
    if plan.cycles is not None and journal.count >= plan.cycles:
        return Enough("count", f"{journal.count} cycles", changes)
    if plan.seconds is not None and journal.seconds >= plan.seconds:
        return Enough("time", f"{journal.seconds / 3600:.2f} h", changes)
    return None


def _reached(until: Until, rows: NDArray[np.float64], profile: Profile) -> str:
    values = measured_value(until.measured, rows, profile)
    values = values[np.isfinite(values)]
    if len(values) and (values.max() > until.high or values.min() < until.low):
        return until.words
    return ""


def _rest(plan: Plan, rows: NDArray[np.float64]) -> Generator[Action, Seen, float]:
    """Rest until the motor is cool enough; return the time in s."""
    heat = INDEX["motor_heat"]
    if not rows[-1, heat] > plan.rest_above:
        return 0.0
    began_s = last_s = float(rows[-1, INDEX["time_s"]])
    share = float(rows[-1, heat])
    while share > plan.rest_below:
        seen = yield Pause(LOOK_S)
        if len(seen.rows):
            last_s, share = float(seen.rows[-1, INDEX["time_s"]]), float(seen.rows[-1, heat])
    return last_s - began_s
