"""Constants of one substep of the simulated rig's motion, by name."""

from __future__ import annotations

from collections.abc import Callable
from typing import NamedTuple


class Substep(NamedTuple):
    """Constants that depend on the rig and on the length of a substep; SI units.

    ``RigPhysics.advance`` takes them into local names in this order. Masses and forces at the nut
    are those seen along the rod; those of the output are seen along its coordinate, an angle or a
    length.
    """

    half_step: float
    nut_mass: float  # with the rotor and the screw
    force_per_A: float  # of the motor, at the nut
    resistance: float  # of the winding, at its temperature
    inductance_2h: float  # half of it over the substep: power into the magnetic field
    loop_decay: float  # of the current loop's lag over a substep
    loop_mean: float  # and its mean
    winding_decay: float  # of the current through resistance and inductance
    winding_mean: float
    half_backlash: float
    rate_1: float  # of the springs compressed by a push
    rate_2: float
    preload_1: float  # compression at rest
    preload_2: float
    solid_deflection: float
    solid_rate: float
    presliding: float  # stiffness of the springs' friction before it slips
    hysteresis: float  # friction over spring force
    guide_friction: float
    spring_damping: float
    coulomb_N: float  # friction of the screw without load
    stribeck_N: float  # additional friction at rest
    per_stribeck: float  # 1 over the Stribeck speed
    stribeck_end: float  # speed above which it is neglected
    loss_forward: float  # of the screw under load, over the force
    loss_backward: float
    nut_damping: float
    local_friction: Callable[[float], float] | None  # over the nut's position
    uneven: bool  # force over current depends on the position
    ripple: float
    ripple_per_m: float
    field_sign: float  # of a wrong field; 0 if it is right
    field_per_m: float
    aligned: float  # nut position at which the field is right
    geometry: int  # 0 linear, 1 lever with sector, 2 lever with pin
    level_position: float
    rod_arm: float
    output_inertia: float
    moment: float  # of the weight, or its force
    output_damping: float
    output_friction: float
    stroke: float
    end_rate: float
    end_damping: float
    hand_arm: float  # of a hand's push
    source_resistance: float
    supply_decay: float  # of the link voltage towards the source's
    takes_regeneration: bool
    per_capacitance: float  # 1 over that of the link
    idle_W: float
    bleed: float  # share of the link's energy left after a substep, when disconnected
