"""Heat, output blocked: time constants by resistance after a hold, continuous force, holding times."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np

from hil.bringup import make_safe
from hil.control import moved_mass
from hil.core import ConstantForce
from hil.measure.characteristic import (
    TORQUE_SHARE,
    Characteristic,
    Diagram,
    Evaluation,
    Floats,
    Line,
    RecordedRun,
    cut,
    windows,
)
from hil.measure.guarded import (
    GuardedTest,
    Part,
    apply,
    blocked_in_the_middle,
    envelope,
    mark,
    under_power,
)
from hil.measure.heat_model import Fitted, TwoBodies, fit_bodies, rise_K
from hil.procedures import Hand, Note, Pause, ProcedureFailed, Read
from hil.profile import Profile, rig_parameters

HOLD_S = 300.0
PIECE_S = 5.0  # of a long pause: its samples are kept in memory until it ends
READ_AT_S = (0.5, 8, 18, 30, 45, 65, 90, 120, 160, 200, 230, 255, 280, 300)  # after power off
COLD_READINGS = 3
HEAT_SHARE = 0.85  # of the motor heat limit, to be reached by the hold
FORCE_SHARE = 0.85  # of the force limit, at most
COLD_HEAT = 0.02  # of the motor's capacity: above it the motor counts as warm
READING_K = 0.03  # standard uncertainty of one reading, a four-wire meter; no source
# k of copper against the winding's true coefficient, and the hottest phase against the mean.
METHOD_SHARE = 0.01
DUTIES = (0.25, 0.4, 0.6)  # cyclic duration factors of IEC 60034-1, 4.2.3 (from memory)
RISES_K = (40.0, 60.0, 80.0, 105.0)
QUESTION = (
    "Four-wire resistance between two terminals of the motor, always the same two; read it now"
)


def _stated(profile: Profile) -> TwoBodies:
    motor = profile.actuator.motor
    housing = motor.housing_share * motor.winding_rise
    return TwoBodies(
        motor.winding_rise - housing,
        motor.thermal_time_constant,
        housing,
        motor.housing_time_constant,
    )


def _crest(profile: Profile) -> float:
    return profile.actuator.motor.standstill_factor


def _force_per_current(profile: Profile) -> float:
    """Return N per share of the continuous current, for a screw without losses or friction."""
    motor = profile.actuator.motor
    torque = motor.torque_constant * motor.continuous_current
    return torque * profile.actuator.radians_per_metre


def _hold_N(profile: Profile) -> float:
    """Return the force of the hold: as much as heat, current and force permit."""
    bodies, crest = _stated(profile), _crest(profile)
    own = -math.expm1(-HOLD_S / bodies.winding_s) * crest * bodies.winding_K
    housing = -math.expm1(-HOLD_S / bodies.housing_s) * bodies.housing_K
    share = (own + housing) / profile.actuator.motor.winding_rise
    current = math.sqrt(HEAT_SHARE * profile.limits.motor_heat.limited / share)
    # The motor carries friction in addition to the springs' force.
    bears = _force_per_current(profile) * profile.actuator.transmission.efficiency_forward
    friction = profile.actuator.friction.breakaway * profile.actuator.radians_per_metre
    most = FORCE_SHARE * profile.limits.force.limited
    return max(min(current * bears - friction, most), 0.1 * most)


def _read(name: str) -> Part:
    seen = yield Read(QUESTION, "winding_ohm", "mohm")
    if not math.isfinite(seen.value) or seen.value <= 0.0:
        raise ProcedureFailed("the resistance was not read. Fix: have a four-wire meter at hand")
    yield from mark(name, {"ohm": seen.value})


def _run(profile: Profile) -> Part:
    yield from blocked_in_the_middle(profile)
    yield from make_safe()
    for _ in range(COLD_READINGS):
        yield from _read("cold")
        yield Pause(0.5)
    yield from under_power(
        envelope(profile), "A force is held for five minutes; disconnect the meter"
    )
    yield from apply(ConstantForce(force_N=_hold_N(profile)))
    yield Note(f"The motor warms for {HOLD_S / 60:.0f} min.")
    yield from mark("begin hold", {})
    for _ in range(round(HOLD_S / PIECE_S)):
        yield Pause(PIECE_S)
    yield from make_safe()
    yield from mark("end hold", {})
    passed = 0.0
    for at in READ_AT_S:
        while passed < at - 1e-9:
            step = min(PIECE_S, at - passed)
            yield Pause(step)
            passed += step
        yield from _read("cooling")
    yield Hand("let_output_go", "Take the clamp off the output.")


def _readings(run: RecordedRun, name: str) -> tuple[Floats, Floats]:
    """Return (time in s, resistance in ohm) of the markers."""
    cycles, times = np.asarray(run.column("cycle")), np.asarray(run.column("time_s"))
    rows = []
    for event in run.events:
        if event["kind"] == "marker" and event["text"] == name:
            i = min(int(np.searchsorted(cycles, event["cycle"])), len(times) - 1)
            rows.append((float(times[i]), float(event["values"]["ohm"])))
    table = np.array(rows).reshape(-1, 2)
    return table[:, 0], table[:, 1]


def _fit(run: RecordedRun, profile: Profile) -> tuple[Fitted, Floats, Floats, Floats, Floats]:
    """Return (bodies, times of the loss, loss, times of the readings, rises)."""
    motor = profile.actuator.motor
    _, cold = _readings(run, "cold")
    at, warm = _readings(run, "cooling")
    parts = windows(run, "hold")
    if not len(cold) or not parts:
        raise ValueError("the hold or the cold resistance was not recorded")
    heat = float(np.asarray(run.column("motor_heat"))[0])
    if heat > COLD_HEAT:
        raise ValueError(
            f"the motor was warm at the start ({100 * heat:.0f} % of its capacity). "
            "Fix: let it cool for an hour, then measure again"
        )
    t, torque = cut(run, parts[0], "time_s"), cut(run, parts[0], "measured_torque_N_m")
    edges = np.append(np.arange(0, len(t), max(1, len(t) // 200)), len(t) - 1)
    square = (torque / motor.torque_constant / motor.continuous_current) ** 2
    total = np.concatenate([[0.0], np.cumsum(0.5 * (square[1:] + square[:-1]) * np.diff(t))])
    loss = np.diff(total[edges]) / np.diff(t[edges])
    rise = rise_K(warm, float(np.mean(cold)), motor.ambient_temperature)
    least = READING_K * math.sqrt(1 + 1 / len(cold))
    fitted = fit_bodies(t[edges], loss, at, rise, _stated(profile), least)
    return fitted, t[edges], loss, at, rise


def _evaluate(run: RecordedRun, profile: Profile) -> Evaluation:
    fitted, times, loss, at, rise = _fit(run, profile)
    motor, crest, stated = profile.actuator.motor, _crest(profile), _stated(profile)
    allowed = motor.winding_rise
    held = float(np.sqrt(np.mean(loss))) * motor.continuous_current
    conditions = (
        f"output blocked, {held:.1f} A held for {HOLD_S / 60:.0f} min at standstill, by the "
        f"resistance method; {motor.ambient_temperature:.0f} °C stated as ambient"
    )
    found: list[Characteristic] = []
    notes: list[str] = []

    def add(
        name: str,
        title: str,
        unit: str,
        take: Callable[[TwoBodies], float],
        systematic: float,
        band: tuple[float, float] | None = None,
    ) -> None:
        try:
            low, high = band or fitted.band(take)
        except ValueError as error:
            notes.append(f"Heat: {title}: {error}.")
            return
        expected = take(stated)
        # The readings permit values farther above the best fit than below it: the middle is stated.
        value, spread = 0.5 * (low + high), 0.5 * (high - low)
        found.append(
            Characteristic(
                f"heat.{name}",
                title,
                value,
                math.hypot(spread, systematic * value),
                unit,
                expected,
                0.2 * expected,
                conditions=conditions,
                causes="cooling of this mounting compared with the motor's data sheet, ambient",
            )
        )

    add("winding_time_constant", "Time constant of the winding", "s", lambda b: b.winding_s, 0.0)
    add("housing_time_constant", "Time constant of the housing", "s", lambda b: b.housing_s, 0.0)
    add(
        "rise_at_continuous",
        f"Settled mean rise at {motor.continuous_current:g} A",
        "K",
        lambda b: b.hottest_K(1.0),
        math.hypot(METHOD_SHARE, 2 * TORQUE_SHARE),
    )
    share = math.hypot(METHOD_SHARE / 2, TORQUE_SHARE)
    amperes, per_share = motor.continuous_current, _force_per_current(profile)

    def add_limited(
        name: str,
        title: str,
        unit: str,
        take: Callable[[TwoBodies, float], float],
        band: tuple[float, float] | None = None,
    ) -> None:
        # The hottest phase's share of the heat is stated, not measured. Short duties heat the winding
        # alone, on which it acts in full.
        hotter = take(fitted.bodies, (1 + METHOD_SHARE) * crest) / take(fitted.bodies, crest)
        add(name, title, unit, lambda b: take(b, crest), math.hypot(share, hotter - 1), band)

    certain, possible = fitted.band(lambda b: b.continuous(allowed, crest))
    for each in RISES_K:
        scale = per_share * math.sqrt(each / allowed)
        add_limited(
            f"force_S1_{each:.0f}_K",
            f"Continuous force at standstill, {each:.0f} K (S1)",
            "N",
            lambda b, hot, k=each: per_share * b.continuous(k, hot),  # type: ignore[misc]
            (scale * certain, scale * possible),
        )
    for duty in DUTIES:
        add_limited(
            f"force_S3_{100 * duty:.0f}",
            f"Force in duty S3 {100 * duty:.0f} % of 10 min, {allowed:.0f} K",
            "N",
            lambda b, hot, d=duty: per_share * b.periodic(allowed, hot, d),  # type: ignore[misc]
        )
    add_limited(
        "current_S1",
        f"Continuous current at standstill, {allowed:.0f} K",
        "A",
        lambda b, hot: amperes * b.continuous(allowed, hot),
        (amperes * certain, amperes * possible),
    )
    continuous: list[str] = []
    uncertain: list[str] = []
    own, per_kg = moved_mass(profile)[1], moved_mass(profile)[2] * profile.rig.gravity**2
    for mass in profile.rig.weights:
        current = (own + mass * per_kg) / per_share

        def holds(bodies: TwoBodies, current: float = current) -> float:
            return bodies.hold_s(current, allowed, crest)

        band = _holding_band(fitted, holds) if current > possible else None
        if band is None:
            (continuous if current <= certain else uncertain).append(f"{mass:g} kg")
            continue
        add(
            f"hold_{mass:g}_kg",
            f"Holding time of {mass:g} kg from cold, {allowed:.0f} K",
            "s",
            holds,
            4 * share,
            band,
        )
    if continuous:
        notes.append(f"Heat: {', '.join(continuous)}: held continuously.")
    if uncertain:
        notes.append(
            f"Heat: {', '.join(uncertain)}: held for long; continuous holding is not certain."
        )
    return Evaluation(tuple(found), _diagrams(profile, fitted, times, loss, at, rise), tuple(notes))


def _holding_band(
    fitted: Fitted, holds: Callable[[TwoBodies], float]
) -> tuple[float, float] | None:
    """Return the band of a holding time, s; None if it may be endless."""
    try:  # the reciprocal has an end, even where the time has none
        least, most = fitted.band(lambda bodies: 1 / holds(bodies))
    except ValueError:
        return None
    return (1 / most, 1 / least) if least > 0.0 else None


def _diagrams(
    profile: Profile, fitted: Fitted, times: Floats, loss: Floats, at: Floats, rise: Floats
) -> tuple[Diagram, ...]:
    begin = float(times[0])
    dense = np.linspace(begin, float(at[-1]), 300)
    stated, crest = _stated(profile), _crest(profile)
    allowed, per_share = profile.actuator.motor.winding_rise, _force_per_current(profile)
    least = fitted.bodies.continuous(allowed, crest)
    currents = np.linspace(1.02 * least, 3.0 * least, 60)
    lines = [
        Line(
            label,
            per_share * currents,
            np.array([bodies.hold_s(float(i), allowed, crest) / 60 for i in currents]),
            kind,
        )
        for label, bodies, kind in (
            ("measured", fitted.bodies, "measured"),
            ("profile", stated, "predicted"),
        )
    ]
    finite = [Line(x.label, x.x, np.where(np.isfinite(x.y), x.y, np.nan), x.kind) for x in lines]
    return (
        Diagram(
            "Rise of the winding",
            "time (s)",
            "mean rise (K)",
            (
                Line("resistance", at - begin, rise, points=True),
                Line("two bodies, fitted", dense - begin, fitted.bodies.rises(times, loss, dense)),
                Line("profile", dense - begin, stated.rises(times, loss, dense), "predicted"),
            ),
        ),
        Diagram("Holding time of a force", "force (N)", "time from cold (min)", tuple(finite)),
    )


def _truth(profile: Profile) -> dict[str, float]:
    p = rig_parameters(profile)
    housing = p.housing_share * p.motor_rise_K
    true = TwoBodies(
        p.motor_rise_K - housing,
        p.motor_thermal_time_constant_s,
        housing,
        p.housing_thermal_time_constant_s,
    )
    crest, allowed = p.standstill_factor, profile.actuator.motor.winding_rise
    per_share = p.torque_constant_N_m_A * p.continuous_current_A * 2 * math.pi / p.screw_lead_m
    truth = {
        "heat.winding_time_constant": true.winding_s,
        "heat.housing_time_constant": true.housing_s,
        "heat.rise_at_continuous": true.hottest_K(1.0),
        "heat.current_S1": p.continuous_current_A * true.continuous(allowed, crest),
    }
    for each in RISES_K:
        truth[f"heat.force_S1_{each:.0f}_K"] = per_share * true.continuous(each, crest)
    for duty in DUTIES:
        truth[f"heat.force_S3_{100 * duty:.0f}"] = per_share * true.periodic(allowed, crest, duty)
    own, per_kg = moved_mass(profile)[1], moved_mass(profile)[2] * profile.rig.gravity**2
    for mass in profile.rig.weights:
        truth[f"heat.hold_{mass:g}_kg"] = true.hold_s(
            (own + mass * per_kg) / per_share, allowed, crest
        )
    return truth


TEST = GuardedTest(
    key="heat",
    title="Heat",
    purpose="time constants of winding and housing, continuous force (S1, S3), holding times",
    risk="Motor and clamp get hot; the terminals carry voltage while power is on.",
    fitting=("output blocked",),
    lasts_s=lambda _profile: 6.0 + HOLD_S + READ_AT_S[-1],
    run=_run,
    evaluate=_evaluate,
    truth=_truth,
)
