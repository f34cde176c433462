"""Verdicts on pushes up to the rated force: the figures, and the finding that explains them."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from drivers.motion import LENGTH, STIFFNESS
from hil.bringup.findings import finding
from hil.bringup.spring_curve import Curve, Push
from hil.bringup.step import Context, Finding, Measured, Plot, Result, Trace
from hil.bringup.under_power import PLOT_POINTS, Floats, after
from hil.profile import Profile

# Springs of one drawing differ by a few percent, and the motor's torque is known to a few percent
# more (common practice, no source).
UNEQUAL = 0.15
# Of the travel beyond a knee. On a rig whose knee is at 0.84 of it the two slopes of equal sets came
# out 30 % apart, while the knees agreed within 6 %; measured in simulation.
OUTER_SHARE = 0.2
# Efficiencies and torque constants of drawings err by less (common practice, no source).
LEAST_RATIO, MOST_RATIO = 0.85, 1.15
FRICTION_OFF = 0.6  # of the stated friction: more than oil, load and temperature cause
PRELOAD_OFF_M, PRELOAD_OFF_SHARE = 0.0004, 0.25
BINDS_TIMES = 2.5  # of the rate about the middle: sound springs do not stiffen in their range
LOSS = 0.05  # of the force each way, beyond the screw's
# Sensor against nut: less than the lag at which a push turns back, more than an end stop yields.
FAR_M, FAR_SHARE = 0.0002, 0.05
BACK_M = 0.0002  # sensor against nut with the springs slack again
TRAILS = 0.1
REST_ROWS = 50


def judge_stage(
    context: Context,
    result: Result,
    push: Push,
    curve: Curve,
    end: str,
    where: str,
    supply_V: float,
) -> Finding | None:
    """Judge one stage at one end and put its figures into ``result``."""
    profile = context.profile
    top = slice(max(0, push.top - REST_ROWS), push.top)
    commanded, got = float(np.median(push.commanded[top])), float(np.median(push.torque[top]))
    travel, given = float(np.median(push.travel[top])), float(np.median(push.deflection[top]))
    back = float(np.median((push.travel - push.deflection)[-REST_ROWS:]))
    follows = abs(travel - given) < FAR_M + FAR_SHARE * travel
    stays = abs(back) < BACK_M
    inner = after(context, "rate_inner_N_m", 2.0 * profile.actuator.springs.rate_per_set)
    binds = curve.end_rate > BINDS_TIMES * inner
    sag = _sag(profile, push, top, supply_V)
    result.measured += [
        Measured(
            f"sensor behind the nut, {where}",
            1e3 * (travel - given),
            "mm",
            f"below {LENGTH(FAR_M + FAR_SHARE * travel):.2f}{LENGTH}",
            "the output rests at its end: the springs deflect as far as the nut moves",
            follows,
        ),
        Measured(
            f"sensor against nut once slack, {where}",
            1e3 * back,
            "mm",
            f"below {LENGTH(BACK_M):g}{LENGTH}",
            "a sensor that slipped under force does not return",
            stays,
        ),
        Measured(
            f"rate at the top, {where}",
            1e-3 * curve.end_rate,
            "N/mm",
            f"below {STIFFNESS(BINDS_TIMES * inner):.0f}{STIFFNESS}",
            "springs that bind, or an end within, are far stiffer",
            not binds,
        ),
        Measured(
            f"torque over command at the top, {where}",
            got / commanded if commanded > 0 else math.nan,
            "1",
            f"1 ± {TRAILS}",
            "the drive gives what is commanded",
            got > (1 - TRAILS) * commanded,
        ),
    ]
    if sag is not None:
        result.measured.append(sag.measured)
    result.plots = [plot for plot in result.plots if end not in plot.title] + [
        _plot(profile, push, curve, end)
    ]
    if got < (1 - TRAILS) * commanded:
        return finding("current_limited", commanded_Nm=commanded, given_Nm=got)
    if not follows or not stays:
        return _sensor_or_encoder(context, push, travel, given, got, back)
    if push.ended:
        return finding("push_ended", note=f"{push.ended}, {where}", travel_mm=1e3 * travel)
    if binds:
        return finding(
            "springs_bind",
            at_mm=1e3 * travel,
            stated_mm=1e3 * profile.actuator.springs.solid_deflection,
        )
    if sag is not None and not sag.measured.good:
        return finding("supply_resistance_high", resistance_ohm=sag.ohm, lowest_V=sag.lowest_V)
    return None


def deflection_scale(context: Context) -> float:
    """Return deflection shown over deflection by caliper, as measured by hand."""
    return after(context, "deflection_scale", 1.0)


def _sensor_or_encoder(
    context: Context, push: Push, travel: float, given: float, torque: float, back: float
) -> Finding:
    """Return which of sensor and encoder does not follow the springs, by the motor's force."""
    profile = context.profile
    springs, screw = profile.actuator.springs, profile.actuator.transmission
    inner = after(context, "rate_inner_N_m", 2.0 * springs.rate_per_set)
    # A nut that sticks and jumps holds about its sliding friction, in the mean over its stands.
    friction = after(context, "friction_N_m", profile.actuator.friction.coulomb)
    ratio = after(context, "motor_over_spring_force", 1.0)
    force = (torque - friction) * profile.actuator.radians_per_metre
    force *= screw.efficiency_forward / ratio

    def law(x: float) -> float:
        knee = springs.preload if springs.preload > 0 else math.inf
        return inner * min(x, knee) + 0.5 * inner * max(0.0, x - knee)

    code = "deflection_range" if abs(back) < BACK_M else "deflection_slips"
    if abs(law(given) - force) < abs(law(travel) - force):
        code = "encoder_slips"
    return finding(code, nut_mm=1e3 * travel, sensor_mm=1e3 * given, left_mm=1e3 * back)


@dataclass(frozen=True)
class Sag:
    """Resistance of the supply in ohm, and its lowest voltage under full power."""

    ohm: float
    lowest_V: float
    measured: Measured


def _sag(profile: Profile, push: Push, top: slice, rest_V: float) -> Sag | None:
    """Return the supply's sag from its voltage at rest and at the top of the push, else None.

    At standstill the motor draws only R·i². Under full power it draws the limited force at the
    limited speed and the loss of the limited current; U² − U·U₀ + P·R = 0. None if the power is too
    small to judge.
    """
    motor, limits = profile.actuator.motor, profile.limits
    volts = float(np.mean(push.supply[top]))
    current = float(np.mean(push.torque[top])) / motor.torque_constant
    power = motor.winding_resistance * current**2
    if not power > 0.002 * rest_V**2 / 10.0 or current < 0.3 * motor.continuous_current:
        return None
    ohm = max(0.0, (rest_V - volts) * volts / power)
    full = (
        limits.force.limited
        * limits.speed.limited
        / profile.actuator.transmission.efficiency_forward
        + motor.winding_resistance * limits.current.limited**2
    )
    square = 0.25 * rest_V**2 - full * ohm
    lowest = 0.5 * rest_V + math.sqrt(square) if square > 0 else 0.0
    good = lowest > limits.supply.low
    return Sag(
        ohm,
        lowest,
        Measured(
            "supply under full power, from its resistance",
            lowest,
            "V",
            f"above {limits.supply.low:g} V",
            f"{ohm:.2f} ohm by {rest_V - volts:.2f} V less at the top of the push",
            good,
        ),
    )


def judge_motor(
    context: Context, result: Result, curve: Curve, end: str, scale: float
) -> Finding | None:
    """Judge torque per ampere by the springs' rate about the middle, measured on a balance.

    A commutation error of φ gives cos φ of the torque in both directions, and never more. With the
    torque known, the friction from the travel step is known as well.
    """
    actuator = context.profile.actuator
    inner = after(context, "rate_inner_N_m", 2.0 * actuator.springs.rate_per_set)
    ratio = curve.inner / scale / inner
    good = LEAST_RATIO < ratio < MOST_RATIO
    result.measured.append(
        Measured(
            f"rate by the motor over rate by the balance, {end} end",
            ratio,
            "1",
            f"{LEAST_RATIO} to {MOST_RATIO}",
            "push and release together: friction cancels",
            good,
        )
    )
    if math.isnan(ratio):
        return finding("forces_disagree", note=f"{end} end")
    if not good and ratio < 1.0:
        return finding("torque_constant_wrong", motor_over_spring_ratio=ratio)
    if not good:
        return finding(
            "encoder_offset",
            motor_over_spring_ratio=ratio,
            about_deg=math.degrees(math.acos(1.0 / ratio)),
            note="electrical",
        )
    context.known["motor_over_spring_force"] = ratio
    stated = actuator.friction.coulomb
    over = after(context, "friction_over_stated", 0.0) / ratio
    if stated and over - 1 >= FRICTION_OFF:
        return finding("friction_high", measured_Nm=over * stated, stated_Nm=stated)
    return None


def judge_both(context: Context, result: Result, up: Curve, down: Curve) -> Finding | None:
    """Judge the springs from both ends together; ``up`` is the push, ``down`` the pull."""
    springs = context.profile.actuator.springs
    outer_push, outer_pull, preload = _sets(up, down)
    knees = math.isfinite(preload)
    ratio = outer_pull / outer_push if outer_push > 0 else math.nan
    loss = 0.5 * (up.loss + down.loss)
    allowed = max(PRELOAD_OFF_M, PRELOAD_OFF_SHARE * springs.preload)
    reach = min(float(up.travel[-1]), float(down.travel[-1])) if len(up.travel) else 0.0
    # A knee just below the rated force cannot be seen; one far below it must be visible.
    expected = 0.0 < springs.preload < 0.75 * reach
    as_stated = abs(preload - springs.preload) < allowed if knees else not expected
    equal = abs(math.log(ratio)) < math.log(1 + UNEQUAL) if ratio > 0 else False
    result.measured += [
        Measured(
            "preload of the springs, by both knees",
            1e3 * preload if knees else "no knee seen",
            "mm" if knees else "",
            f"{LENGTH(springs.preload):g} ± {LENGTH(allowed):.1f}{LENGTH}",
            "actuator.springs.preload: at the knee one set goes slack and the rate halves",
            as_stated,
        ),
        Measured(
            "rate of the set that pushes, by the motor",
            1e-3 * outer_push,
            "N/mm",
            f"about {STIFFNESS(springs.rate_per_set):.0f}{STIFFNESS}",
            "slope beyond the knee; torque per ampere as measured by the spring push",
        ),
        Measured(
            "rate of the set that pulls, by the motor",
            1e-3 * outer_pull,
            "N/mm",
            f"{STIFFNESS(outer_push):.0f}{STIFFNESS} ± {100 * UNEQUAL:.0f} %, as the other",
            "both sets have the same drawing",
            equal,
        ),
        Measured(
            "force lost between push and release",
            100 * loss,
            "%",
            f"below {100 * LOSS:g} %",
            "half the loop over the force, beyond the stated loss of the screw",
            loss < LOSS,
        ),
    ]
    if not equal:
        return finding("springs_unequal", push_Nmm=1e-3 * outer_push, pull_Nmm=1e-3 * outer_pull)
    if not as_stated:
        changes = {"actuator.springs.preload": LENGTH.written(preload, ".2g")} if knees else {}
        low = not knees or preload < springs.preload
        return finding(
            "preload_low" if low else "preload_high",
            changes=changes,
            preload_mm=1e3 * preload if knees else "not seen",
            stated_mm=1e3 * springs.preload,
        )
    if not loss < LOSS:
        return finding("hysteresis_high", lost_percent=100 * loss)
    context.known |= {
        "outer_push_N_m": outer_push,
        "outer_pull_N_m": outer_pull,
        "force_lost_share": loss,
        "springs_free_to_m": reach,
    }
    if knees:
        context.known["preload_m"] = preload
    return None


def _sets(up: Curve, down: Curve) -> tuple[float, float, float]:
    """Return rate of the set that pushes, of the one that pulls, and preload; N/m and m.

    Both sets work up to a knee, one beyond it: inner = k₁ + k₂, and the slope beyond the knee of a
    push is k₁. At rest the sets balance, so the knee of a push is at 2·p·k₁/(k₁ + k₂), that of a
    pull at 2·p·k₂/(k₁ + k₂). Slopes beyond both knees give the rates if they are long enough, else
    the knees do. With unequal sets the further knee may be beyond the rated force; the nearer
    one then gives both rates. Without any knee the preload is NaN.
    """
    both = 0.5 * (up.inner + down.inner)
    push_knee, pull_knee = math.isfinite(up.knee), math.isfinite(down.knee)
    if push_knee and pull_knee:
        twice = up.knee + down.knee
        if min(_beyond(up), _beyond(down)) > OUTER_SHARE:
            return up.outer, down.outer, 0.5 * twice
        return both * up.knee / twice, both * down.knee / twice, 0.5 * twice
    if push_knee and _beyond(up) > OUTER_SHARE:
        return up.outer, up.inner - up.outer, 0.5 * up.knee * up.inner / up.outer
    if pull_knee and _beyond(down) > OUTER_SHARE:
        return down.inner - down.outer, down.outer, 0.5 * down.knee * down.inner / down.outer
    if push_knee or pull_knee:
        return 0.5 * both, 0.5 * both, up.knee if push_knee else down.knee
    return up.inner, down.inner, math.nan


def _beyond(curve: Curve) -> float:
    """Return the share of the travel beyond the knee."""
    return 1.0 - curve.knee / float(curve.travel[-1])


def _plot(profile: Profile, push: Push, curve: Curve, end: str) -> Plot:
    thin = max(1, len(push.travel) // PLOT_POINTS)
    springs = profile.actuator.springs
    x: Floats = np.linspace(0.0, max(float(np.max(push.travel)), 1e-4), 60)
    knee = springs.preload if springs.preload > 0 else math.inf
    sets = 2.0 if springs.preload > 0 else 1.0
    stated = springs.rate_per_set * (sets * np.minimum(x, knee) + np.maximum(0.0, x - knee))
    traces = [
        Trace("by the sensor", 1e3 * push.travel[::thin], push.force[::thin]),
        Trace("as stated", 1e3 * x, stated),
    ]
    if len(curve.travel):
        traces.insert(0, Trace("by the motor", 1e3 * curve.travel, curve.force))
    return Plot(f"Springs against the {end} end", "nut (mm)", "force (N)", tuple(traces))
