"""Warming of the simulated motor and drive.

The motor is two bodies, as in ``hil.supervision.motor_heat``: copper loss warms the winding over
the housing and the housing over its surroundings. At standstill the phase with the peak current has
up to twice the mean loss; as a vector at twice the electrical angle, this averages out when
turning.
"""

from __future__ import annotations

from math import cos, expm1, hypot, sin

from drivers.simulated.rig_state import RigState


def warm(rig: RigState, loss: float, dt_s: float) -> None:
    """Warm the rig over ``dt_s``; ``loss`` is a share of that at continuous current."""
    p = rig.parameters
    rise = loss * p.motor_rise_K
    own = (1.0 - p.housing_share) * rise
    warming = -expm1(-dt_s / p.motor_thermal_time_constant_s)
    rig.mean_over_K += (own - rig.mean_over_K) * warming
    angle = 2.0 * p.pole_pairs * rig.nut_position_m / rig.metres_per_radian
    rig.cosine_over_K += (own * cos(angle) - rig.cosine_over_K) * warming
    rig.sine_over_K += (own * sin(angle) - rig.sine_over_K) * warming
    apart = (p.standstill_factor - 1.0) * hypot(rig.cosine_over_K, rig.sine_over_K)
    warming = -expm1(-dt_s / p.housing_thermal_time_constant_s)
    rig.housing_rise_K += (p.housing_share * rise - rig.housing_rise_K) * warming
    rig.motor_rise_K = rig.winding_mean_K + apart
    warming = -expm1(-dt_s / p.drive_thermal_time_constant_s)
    rig.drive_rise_K += (loss * p.drive_rise_K - rig.drive_rise_K) * warming
