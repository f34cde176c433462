"""Springs and screw under load, output blocked: knees, rates, lost motion, loop area, efficiency."""

from __future__ import annotations

import math

import numpy as np

from drivers.motion import FORCE
from hil.control import ForceCalibration
from hil.core import Waveform
from hil.measure.characteristic import (
    TORQUE_SHARE,
    Characteristic,
    Diagram,
    Evaluation,
    Floats,
    Line,
    RecordedRun,
    Window,
    cut,
    mean_u95,
    windows,
)
from hil.measure.guarded import (
    GuardedTest,
    Part,
    apply,
    blocked_in_the_middle,
    envelope,
    under_power,
    window,
)
from hil.measure.slope import bend_share
from hil.procedures import Hand, Pause
from hil.profile import Profile, TwoSlopes, rig_parameters

FORCE_SHARE = 0.9  # of the force limit
DEFLECTION_SHARE = 0.95  # of the deflection limit: soft springs reach it first
# Triangles, fast enough that the nut stays clear of the rise of friction towards standstill.
LOOP_S = 3.2
LOOPS = 8
LEAD_IN_S = 0.25 * LOOP_S  # to the first peak
# Fitted part of a branch, in shares of the largest force: neither the reversal at the peak, where
# the nut stops, nor zero, where friction changes sign.
FITTED = (0.08, 0.93)
BINS = 400
SMOOTH_S = 0.03  # over which the acceleration of the nut is taken; judged on one simulated rig
# Expanded uncertainty that repeated loops do not show, from 50 varied simulated rigs: Stribeck
# friction and the springs' own bias slope, bend and area.
RATE_SHARES = {"inner": 0.0004, "outer": 0.003}
AREA_SHARE = 0.015
INTERCEPT_SHARE = 0.035  # of the largest force: the calibration's error there shifts the intercept
DITHERED = 0.1  # of a count's rounding: noise and motion average it within a crossing


def _amplitude_N(profile: Profile) -> float:
    calibration = ForceCalibration(profile.calibration, profile.sensors.deflection)
    most = calibration.force(DEFLECTION_SHARE * profile.limits.deflection.limited)
    return min(FORCE_SHARE * profile.limits.force.limited, most)


def _run(profile: Profile) -> Part:
    yield from blocked_in_the_middle(profile)
    yield from under_power(envelope(profile), "The springs are compressed slowly, both ways")
    lasts = LEAD_IN_S + LOOPS * LOOP_S
    most = _amplitude_N(profile)
    points = [(0.0, 0.0)]
    points += [(LEAD_IN_S + 0.5 * n * LOOP_S, (-1) ** n * most) for n in range(2 * LOOPS + 2)]
    yield from apply(Waveform(shape="table", points=tuple(points), duration_s=lasts + 1.0))
    yield Pause(LEAD_IN_S)
    for _ in range(LOOPS):
        yield from window("loop", LOOP_S)
    yield Hand("let_output_go", "Power goes off now; then take the clamp off the output.")


class _Loop:
    """One loop: deflection by the nut (output blocked), force of the motor without losses."""

    def __init__(self, run: RecordedRun, part: Window, profile: Profile, zero_m: float) -> None:
        per_torque = profile.actuator.radians_per_metre
        self.deflection = cut(run, part, "nut_position_m") - zero_m
        # At a knee the nut changes its speed: the force on its mass is not the springs'.
        period = 1.0 / profile.control.rate
        window_rows = max(5, 2 * round(0.5 * SMOOTH_S / period) + 1)
        from scipy.signal import savgol_filter  # slow to load

        acceleration = savgol_filter(self.deflection, window_rows, 2, deriv=2, delta=period)
        self.motor_N = per_torque * cut(run, part, "measured_torque_N_m")
        self.motor_N = self.motor_N - profile.actuator.reflected_mass * acceleration
        self.spring_N = cut(run, part, "spring_force_N")
        velocity = cut(run, part, "nut_velocity_m_s")
        self.rising = velocity > 0.0

    def branch(self, sign: float, loading: bool, most_N: float) -> tuple[Floats, Floats, Floats]:
        """Return (deflection, motor force, spring force), each times ``sign``, of one branch."""
        force = sign * self.spring_N
        inside = (force > FITTED[0] * most_N) & (force < FITTED[1] * most_N)
        inside &= self.rising == (loading == (sign > 0))
        return sign * self.deflection[inside], sign * self.motor_N[inside], force[inside]


def _bent(d: Floats, offset: float, inner: float, outer: float, knee: float) -> Floats:
    return np.asarray(offset + inner * np.minimum(d, knee) + outer * np.maximum(d - knee, 0.0))


def _loops(run: RecordedRun, profile: Profile) -> list[_Loop]:
    parts = windows(run, "loop")
    if len(parts) < 3:
        raise ValueError(f"{len(parts)} of {LOOPS} loops were recorded")
    return [_Loop(run, part, profile, _zero_m(run, profile)) for part in parts]


def _zero_m(run: RecordedRun, profile: Profile) -> float:
    """Return the nut position without spring force, the mean of both ways."""
    return float(np.mean(_crossings(run, True) + _crossings(run, False)))


def _crossings(run: RecordedRun, rising: bool) -> list[float]:
    """Return nut positions at which the spring force passes through 0, one for each loop."""
    found = []
    for part in windows(run, "loop"):
        force, nut = cut(run, part, "spring_force_N"), cut(run, part, "nut_position_m")
        velocity = cut(run, part, "nut_velocity_m_s")
        near = (np.abs(force) < 0.04 * np.max(np.abs(force))) & ((velocity > 0) == rising)
        found.append(float(np.polyfit(force[near], nut[near], 1)[1]))
    return found


def _evaluate(run: RecordedRun, profile: Profile) -> Evaluation:
    from scipy.optimize import curve_fit  # slow to load

    loops = _loops(run, profile)
    most = _amplitude_N(profile)
    screw, law = profile.actuator.transmission, profile.calibration.spring_law
    relative = 2 * profile.calibration.relative_uncertainty
    count = abs(profile.calibration.deflection_per_count)
    conditions = f"output blocked, {LOOPS} loops of ±{FORCE(most):.0f}{FORCE} in {LOOP_S:g} s"
    found: list[Characteristic] = []

    lost = np.array(_crossings(run, True)) - np.array(_crossings(run, False))
    # Twice the standard deviation of a rounded count; noise makes each loop round independently.
    rounding = DITHERED * count / math.sqrt(3 * len(lost))
    value, u95 = mean_u95(lost * 1e6, 1e6 * rounding)
    found.append(
        Characteristic(
            "springs.lost_motion",
            "Lost motion between screw and springs",
            value,
            u95,
            "µm",
            predicted=0.0,
            predicted_u95=1e6 * count,
            conditions=conditions,
            causes="backlash of the nut, hysteresis of the deflection sensor",
        )
    )
    bent = isinstance(law, TwoSlopes)
    knees: dict[float, list[float]] = {1.0: [], -1.0: []}
    rates: dict[str, list[float]] = {"inner": [], "outer": []}
    slopes: dict[bool, list[float]] = {True: [], False: []}
    dry: list[float] = []
    areas: list[float] = []
    for loop in loops:
        areas.append(abs(float(np.trapezoid(loop.motor_N, loop.deflection))))
        intercepts = {}
        for sign in (1.0, -1.0):
            for loading in (True, False):
                d, motor, force = loop.branch(sign, loading, most)
                slope, intercept = np.polyfit(force, motor, 1)
                slopes[loading].append(float(slope))
                intercepts[(sign, loading)] = float(intercept)
                if bent and isinstance(law, TwoSlopes):
                    start = (0.0, law.inner_rate, law.outer_rate, law.knee)
                    (_, inner, outer, knee), _cov = curve_fit(_bent, d, motor, start)
                    loss = screw.efficiency_forward if loading else 1 / screw.efficiency_backward
                    knees[sign].append(1e3 * float(knee))
                    rates["inner"].append(1e-3 * float(inner) * loss)
                    rates["outer"].append(1e-3 * float(outer) * loss)
        dry.append(
            0.25 * sum(intercepts[(sign, True)] - intercepts[(sign, False)] for sign in (1.0, -1.0))
        )
    for sign, way in ((1.0, "extending"), (-1.0, "retracting")):
        if not bent or not isinstance(law, TwoSlopes):
            break
        value, u95 = mean_u95(np.array(knees[sign]), 1e3 * count)
        found.append(
            Characteristic(
                f"springs.knee_{way}",
                f"Knee of the spring law, {way} (preload)",
                value,
                u95,
                "mm",
                1e3 * law.knee,
                0.1,
                conditions=conditions,
                causes="preload of one spring set, zero of the deflection sensor",
            )
        )
    for name, text in (("inner", "both sets"), ("outer", "one set slack")):
        if not bent or not isinstance(law, TwoSlopes):
            break
        # Loading and unloading differ by the springs' own friction: a loop gives one reading.
        value, u95 = mean_u95(np.mean(np.reshape(rates[name], (len(loops), -1)), axis=1))
        found.append(
            Characteristic(
                f"springs.rate_{name}",
                f"Spring rate by motor and nut, {text}",
                value,
                math.hypot(u95, math.hypot(RATE_SHARES[name], TORQUE_SHARE) * value),
                "N/mm",
                1e-3 * (law.inner_rate if name == "inner" else law.outer_rate),
                relative * 1e-3 * (law.inner_rate if name == "inner" else law.outer_rate),
                conditions=f"{conditions}; by stated torque constant and efficiency",
                causes="springs, torque constant or efficiency of the screw",
            )
        )
    forward = [1 / s for s in slopes[True]]
    bend = bend_share(profile, most)
    share = math.hypot(relative, TORQUE_SHARE, bend)
    for key, title, values, stated in (
        (
            "efficiency_forward",
            "Efficiency, motor drives springs",
            forward,
            screw.efficiency_forward,
        ),
        (
            "efficiency_backward",
            "Efficiency, springs drive motor",
            slopes[False],
            screw.efficiency_backward,
        ),
    ):
        value, u95 = mean_u95(np.array(values), share * float(np.mean(values)))
        found.append(
            Characteristic(
                f"springs.{key}",
                title,
                value,
                u95,
                "1",
                stated,
                0.03,
                conditions=f"{conditions}; without dry friction, by the stated torque constant",
                causes="screw, torque constant, calibration of the force",
            )
        )
    per_torque = profile.actuator.radians_per_metre
    torque = 1e3 * np.array(dry) / per_torque
    shift = 1e3 * relative * INTERCEPT_SHARE * most / per_torque
    value, u95 = mean_u95(
        torque, math.hypot(shift, math.hypot(TORQUE_SHARE, bend) * float(np.mean(torque)))
    )
    stated = 1e3 * profile.actuator.friction.coulomb
    found.append(
        Characteristic(
            "springs.dry_friction",
            "Dry friction of the screw, from the loop",
            value,
            u95,
            "mN·m",
            stated,
            0.3 * stated,
            conditions=conditions,
            causes="lubrication, alignment, preload of the nut",
        )
    )
    # The calibrated force sets the extent of the loop; its area goes with the square of that.
    share = math.hypot(AREA_SHARE, 2 * relative, TORQUE_SHARE)
    value, u95 = mean_u95(np.array(areas), share * float(np.mean(areas)))
    predicted = _loop_area_J(profile, profile.actuator.friction.coulomb * per_torque)
    found.append(
        Characteristic(
            "springs.loop_area",
            "Area of the hysteresis loop, motor force over deflection",
            value,
            u95,
            "J",
            predicted,
            0.2 * predicted,
            conditions=conditions,
            causes="dry friction and efficiency of the screw",
        )
    )
    return Evaluation(tuple(found), (_diagram(loops, profile),))


def _diagram(loops: list[_Loop], profile: Profile) -> Diagram:
    loop = loops[-1]
    step = max(1, len(loop.deflection) // BINS)
    calibration = ForceCalibration(profile.calibration, profile.sensors.deflection)
    d = np.linspace(np.min(loop.deflection), np.max(loop.deflection), 60)
    stated = np.array([calibration.force(float(x)) for x in d])
    return Diagram(
        "Springs and screw under load",
        "deflection (mm)",
        "force (N)",
        (
            Line("motor", 1e3 * loop.deflection[::step], loop.motor_N[::step]),
            Line("springs", 1e3 * loop.deflection[::step], loop.spring_N[::step]),
            Line("calibration", 1e3 * d, stated, "predicted"),
        ),
    )


def _loop_area_J(profile: Profile, dry_N: float) -> float:
    """Return the area of one loop: 2·E·(1/η_f − η_b) + 4·c·δ, E the springs' energy at δ."""
    calibration = ForceCalibration(profile.calibration, profile.sensors.deflection)
    d = np.linspace(0.0, profile.limits.deflection.limited, 400)
    force = np.array([calibration.force(float(x)) for x in d])
    return _area_J(d, force, _amplitude_N(profile), profile, dry_N)


def _area_J(d: Floats, force: Floats, most_N: float, profile: Profile, dry_N: float) -> float:
    screw = profile.actuator.transmission
    inside = force <= most_N
    energy = float(np.trapezoid(force[inside], d[inside]))
    loss = 1 / screw.efficiency_forward - screw.efficiency_backward
    return 2 * energy * loss + 4 * dry_N * float(d[inside][-1])


def _truth(profile: Profile) -> dict[str, float]:
    p = rig_parameters(profile)
    total = p.spring_rate_push_N_m + p.spring_rate_pull_N_m
    # A set goes slack at the compression that it has at rest.
    ways = {
        "extending": 2 * p.spring_preload_m * p.spring_rate_push_N_m / total,
        "retracting": 2 * p.spring_preload_m * p.spring_rate_pull_N_m / total,
    }
    per_torque = 2 * math.pi / p.screw_lead_m
    # Friction within the springs also acts between motor and rod.
    inside = p.spring_hysteresis
    truth = {
        "springs.lost_motion": 1e6 * p.backlash_m,
        "springs.knee_extending": 1e3 * ways["extending"],
        "springs.knee_retracting": 1e3 * ways["retracting"],
        "springs.rate_inner": 1e-3 * total,
        "springs.rate_outer": 0.5e-3 * total,
        "springs.efficiency_forward": p.screw_efficiency_forward / (1 + inside),
        "springs.efficiency_backward": p.screw_efficiency_backward * (1 - inside),
    }
    speed = 4 * _amplitude_N(profile) / LOOP_S / total
    dry = p.friction_coulomb_N_m + p.friction_viscous_N_m_s * speed * per_torque
    truth["springs.dry_friction"] = 1e3 * dry
    d = np.linspace(0.0, p.spring_solid_m, 2000)
    knee = 0.5 * (ways["extending"] + ways["retracting"])
    force = total * np.minimum(d, knee) + 0.5 * total * np.maximum(d - knee, 0.0)
    most = _amplitude_N(profile)
    area = _area_J(d, force, most, profile, dry * per_torque)
    energy = float(np.trapezoid(force[force <= most], d[force <= most]))
    screw = 1 / p.screw_efficiency_forward + p.screw_efficiency_backward
    truth["springs.loop_area"] = area + 2 * energy * p.spring_hysteresis * screw
    return truth


TEST = GuardedTest(
    key="springs",
    title="Springs and screw under load",
    purpose="knee and rate each way, lost motion, area of the hysteresis loop, efficiency both ways",
    risk="The springs are compressed to 0.9 of the force limit; the clamp must withstand that.",
    fitting=("output blocked",),
    lasts_s=lambda _profile: 4.0 + LEAD_IN_S + LOOPS * LOOP_S,
    run=_run,
    evaluate=_evaluate,
    truth=_truth,
)
