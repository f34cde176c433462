"""The limited tier on the simulated rig: stiffness, damping, current and heat are limited."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from hil.core.limits import Limit
from hil.core.requests import Apply, Reset, VirtualSpring
from hil.core.requests import Stop as StopRequest
from hil.core.samples import State
from hil.profile.schema import Profile
from tests.hil.supervision.listening_rig import MIDDLE, Rig


def test_stiffness_and_damping_are_trimmed_and_said(footplate: Profile) -> None:
    rig = Rig(footplate, 0.0, MIDDLE)
    stiff = VirtualSpring(rest_m=MIDDLE, stiffness_N_m=200e3, damping_N_s_m=5000.0, bias_N=38.0)
    outcome = rig.bench.request(Apply(behaviour=stiff))
    assert outcome.accepted
    assert "virtual stiffness" in outcome.text and "damping" in outcome.text
    rig.run(0.1)
    assert rig.limited >> Limit.VIRTUAL_STIFFNESS & 1 and rig.limited >> Limit.DAMPING & 1
    assert rig.value("virtual_stiffness_N_m") <= 0.98 * 120e3 + 1e-6


def test_heat_is_limited_and_so_never_trips(footplate: Profile, change: Callable[..., Any]) -> None:
    warm = change(
        footplate,
        actuator__motor__thermal_time_constant=0.4,
        actuator__motor__continuous_current=3.0,
    )
    rig = Rig(warm, 0.0, MIDDLE)
    rig.do.hang(2.5)  # needs about 4 A to hold
    rig.run(2.5)
    assert rig.state is State.RUNNING, rig.bench.bench.cause_text
    assert rig.limited >> Limit.MOTOR_HEAT & 1
    assert rig.value("motor_heat") < warm.limits.motor_heat.tripped
    # With the torque still permitted the weight sinks, but not beyond the corridor.
    assert rig.value("output_position_m") < MIDDLE - 0.002


def test_current_is_limited(footplate: Profile, change: Callable[..., Any]) -> None:
    weak = change(footplate, limits__current__limited=3.0)
    rig = Rig(weak, 0.0, MIDDLE)
    rig.do.hang(2.5)
    rig.run(0.5)
    assert rig.limited >> Limit.CURRENT & 1
    most = 3.0 * weak.actuator.motor.torque_constant
    assert max(abs(torque) for _, torque in rig.received) <= most + 1e-9


def test_heat_outlives_stop_and_reset(footplate: Profile, change: Callable[..., Any]) -> None:
    warm = change(footplate, actuator__motor__thermal_time_constant=1.5)
    rig = Rig(warm, 2.5, MIDDLE)
    rig.run(1.0)
    heat = rig.value("motor_heat")
    assert heat > 0.01
    rig.bench.request(StopRequest())
    rig.run(0.01)
    rig.bench.request(Reset())
    rig.run(0.01)
    assert rig.value("motor_heat") == pytest.approx(heat, rel=0.05)
    rig.run(1.5)  # sinking on shorted windings warms the motor too; then it cools
    assert rig.value("motor_heat") < 0.9 * heat
