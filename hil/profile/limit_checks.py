"""Limits of a profile that contradict each other, the actuator or the sensors."""

from __future__ import annotations

import math
from collections.abc import Iterator

from drivers.motion import FINE, FORCE, LENGTH, SPEED, restated, unit_text
from hil.profile.findings import Finding
from hil.profile.following import ramp_lag
from hil.profile.schema import Profile, TwoSlopes

# A measured spring law may differ this much from the springs' nominal rate and preload.
from hil.profile.statics import force_at, mm_text, motor_force


def limit_inconsistencies(profile: Profile) -> Iterator[Finding]:
    """Yield each contradiction among the limits, in the order of the profile."""
    for check in (
        _force_and_deflection,
        _current,
        _travel_and_speed,
        _sensor_watch,
        _disagreement,
        _following,
        _position_following,
        _stop,
    ):
        yield from check(profile)


def _force_and_deflection(profile: Profile) -> Iterator[Finding]:
    limits, springs = profile.limits, profile.actuator.springs
    law = profile.calibration.spring_law
    if limits.deflection.tripped >= springs.solid_deflection:
        yield Finding(
            ("limits", "deflection", "tripped"),
            f"not below {mm_text(springs.solid_deflection)}, at which the springs are solid",
            "trip before the coils touch",
        )
    at_trip = force_at(law, limits.deflection.tripped)
    if at_trip < limits.force.limited:
        yield Finding(
            ("limits", "force", "limited"),
            f"deflection trips first, at {FORCE(at_trip):.4g}{FORCE}",
            f"limit the force below {FORCE(at_trip):.4g}{FORCE}, or permit more deflection",
        )
    if isinstance(law, TwoSlopes):
        knee_force = law.inner_rate * law.knee
        if knee_force > limits.force.limited:
            yield Finding(
                ("calibration", "spring_law", "knee"),
                f"the knee lies at {FORCE(knee_force):.4g}{FORCE}, beyond the force limit of "
                f"{FORCE(limits.force.limited):.4g}{FORCE}: the second slope is never used",
                "check both",
                "warning",
            )
    reachable = motor_force(profile, limits.current.limited)
    if reachable < limits.force.limited:
        yield Finding(
            ("limits", "force", "limited"),
            f"the motor pushes with {FORCE(reachable):.4g}{FORCE} at most, at the "
            f"{limits.current.limited:.4g} A of limits.current (F = 2π·η·T/lead)",
            "limit the force below that, or permit more current",
        )


def _current(profile: Profile) -> Iterator[Finding]:
    peak, limit = profile.actuator.motor.peak_current, profile.limits.current
    for name in ("limited", "tripped"):
        value = getattr(limit, name)
        if value is not None and value > peak:
            yield Finding(
                ("limits", "current", name),
                f"above the motor's peak current of {peak:.4g} A",
                f"write at most {peak:.4g} A",
            )


def _travel_and_speed(profile: Profile) -> Iterator[Finding]:
    travel, speed, stroke = profile.limits.travel, profile.limits.speed, profile.actuator.stroke
    if travel.lower < 0:
        yield Finding(
            ("limits", "travel", "lower"),
            "outside the stroke",
            "positions count from the lower mechanical end, which is 0",
        )
    elif travel.lower - travel.tripped_beyond < 0:
        yield Finding(
            ("limits", "travel", "tripped_beyond"),
            "the trip would lie beyond the lower mechanical end",
            f"write less than {mm_text(travel.lower)}, or raise 'lower'",
        )
    if travel.upper > stroke:
        yield Finding(
            ("limits", "travel", "upper"),
            f"outside the stroke of {mm_text(stroke)}",
            "keep it inside the stroke",
        )
    elif travel.upper + travel.tripped_beyond > stroke:
        yield Finding(
            ("limits", "travel", "tripped_beyond"),
            "the trip would lie beyond the upper mechanical end",
            f"write less than {mm_text(stroke - travel.upper)}, or lower 'upper'",
        )
    corridor = speed.limited**2 / (2 * travel.braking)
    if corridor > (travel.upper - travel.lower) / 2:
        yield Finding(
            ("limits", "travel", "braking"),
            f"braking from the permitted speed takes {mm_text(corridor)}, more than half the travel",
            "brake harder, or permit less speed",
            "warning",
        )
    motor = profile.actuator.motor
    no_load = profile.limits.supply.low / motor.torque_constant / profile.actuator.radians_per_metre
    if speed.limited > no_load:
        yield Finding(
            ("limits", "speed", "limited"),
            f"the motor reaches {SPEED(no_load):.4g}{SPEED} at the lowest supply",
            "limit the speed below that",
            "warning",
        )


def _sensor_watch(profile: Profile) -> Iterator[Finding]:
    limits, period = profile.limits, 1.0 / profile.control.rate
    sensor = profile.sensors.deflection
    per_count = abs(profile.calibration.deflection_per_count)
    step = limits.speed.tripped * period / per_count + 6 * sensor.noise
    path = ("limits", "sensor_jump", "counts")
    if limits.sensor_jump.counts < step:
        yield Finding(
            path,
            f"normal motion changes {step:.0f} counts in one cycle",
            f"write at least {math.ceil(1.5 * step)}",
        )
    if limits.sensor_jump.counts > 2**sensor.bits / 2:
        yield Finding(
            path,
            "more than half the sensor's range: it would almost never act",
            f"write for instance {math.ceil(2 * step)}",
        )
    if limits.telemetry_age < 1.5 * period:
        yield Finding(
            ("limits", "telemetry_age"),
            f"every sample is up to a cycle old ({period * 1e3:.4g} ms)",
            f"write at least {2e3 * period:.4g} ms",
        )
    if limits.sensor_frozen.lasting < 3 * period:
        yield Finding(
            ("limits", "sensor_frozen", "lasting"),
            "shorter than three cycles: two equal readings are not a fault",
            "write for instance 0.2 s",
        )
    if limits.sensor_frozen.nut_travel < 4 * per_count:
        yield Finding(
            ("limits", "sensor_frozen", "nut_travel"),
            f"within a few counts of the sensor ({FINE(per_count):.3g} {FINE.key} each)",
            f"write for instance {LENGTH.written(LENGTH.of(2.0, 2.0), 'g')}",
        )
    if profile.link.control_heartbeat < 3 * period:
        yield Finding(
            ("link", "control_heartbeat"), "shorter than three cycles", "write for instance 150 ms"
        )


def _disagreement(profile: Profile) -> Iterator[Finding]:
    limit, calibration = profile.limits.disagreement.tripped, profile.calibration
    most = profile.limits.force.tripped
    expanded = 2 * math.hypot(
        calibration.absolute_uncertainty, calibration.relative_uncertainty * most
    )
    path = ("limits", "disagreement", "tripped")
    if limit < expanded:
        yield Finding(
            path,
            f"below the calibration's own uncertainty of ±{FORCE(expanded):.3g}{FORCE} (k = 2)",
            f"write at least {_rounded_up(2 * expanded)}",
        )
    elif limit >= most:
        yield Finding(
            path,
            "not below the force trip: it would never act first",
            f"write for instance {FORCE(0.3 * most):.0f}{FORCE}",
        )


def _following(profile: Profile) -> Iterator[Finding]:
    limits = profile.limits
    lag, most = ramp_lag(profile), limits.force.tripped
    for name in ("force_following", "setpoint_following", "output_energy"):
        limit = getattr(limits, name)
        if limit is None:
            continue
        unit = "J" if name == "output_energy" else "N"
        if limit.tripped <= limit.limited:
            yield Finding(
                ("limits", name, "tripped"),
                f"not above 'limited', {restated(limit.limited, unit):.4g}{unit_text(unit)}",
                f"write for instance {restated(2 * limit.limited, unit):.4g}{unit_text(unit)}",
            )
        elif unit == "N" and limit.tripped >= most:
            yield Finding(
                ("limits", name, "tripped"),
                f"not below the force trip of {FORCE(most):.4g}{FORCE}: it would never act first",
                f"write for instance {FORCE(0.3 * most):.0f}{FORCE}",
            )
        if name == "force_following" and limit.tripped < lag:
            yield Finding(
                ("limits", name, "tripped"),
                f"a ramp at the force rate limit already lags by {FORCE(lag):.4g}{FORCE} (rate over "
                "2π·control.force_bandwidth)",
                f"write at least {_rounded_up(2.5 * lag)}",
            )


def _rounded_up(force_N: float) -> str:
    """Return a force as a profile may have it, up to the next whole N or tenth of N·m."""
    step = FORCE.of(1.0, 0.1)
    return f"{FORCE(math.ceil(force_N / step) * step):.0f}{FORCE}"


def _position_following(profile: Profile) -> Iterator[Finding]:
    limit = profile.limits.position_following
    if limit is None:
        return
    if limit.limited is not None and limit.tripped <= limit.limited:
        yield Finding(
            ("limits", "position_following", "tripped"),
            f"not above 'limited', {LENGTH(limit.limited):.4g}{LENGTH}",
            f"write for instance {LENGTH(2 * limit.limited):.4g}{LENGTH}",
        )
    resolution = profile.actuator.transmission.lead / profile.sensors.motor.counts_per_revolution
    if limit.tripped < 4 * resolution:
        yield Finding(
            ("limits", "position_following", "tripped"),
            f"within a few counts of the motor sensor ({FINE(resolution):.3g} {FINE.key} each)",
            f"write at least {LENGTH.written(20 * resolution, '.3g')}",
        )


def _stop(profile: Profile) -> Iterator[Finding]:
    stop, speed = profile.stop, profile.limits.speed.tripped
    needed = speed / stop.deceleration
    if stop.category == 1 and needed > stop.longest:
        yield Finding(
            ("stop", "longest"),
            f"braking from {SPEED(speed):.4g}{SPEED} takes {needed:.3g} s",
            "allow that time, or brake harder",
        )
