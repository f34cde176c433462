"""A plant on trial: the loop is designed for it in restricted operation only."""

from __future__ import annotations

from typing import Any

import pytest

from hil.bench import LockstepBench
from hil.control import design_source
from hil.core import Commission, Enable, EndCommission, PowerOff, PowerOn, State, TriedPlant
from hil.profile import Profile, load_profile

PROFILE = load_profile("footplate_trainer")
INERTIA = PROFILE.actuator.motor.rotor_inertia
HEAVIER = TriedPlant(rotor_inertia_kg_m2=1.4 * INERTIA)
ENVELOPE = Commission(
    force_N=300.0, speed_m_s=0.1, torque_N_m=1.0, closed_loop=True, ends_known=True, plant=HEAVIER
)


def ready(profile: Profile = PROFILE) -> LockstepBench:
    bench = LockstepBench(profile)
    bench.run(0.3)
    return bench


def test_the_loop_is_that_of_the_tried_plant_until_restricted_operation_ends() -> None:
    bench = ready()
    own = bench.bench.gains
    assert bench.request(ENVELOPE).accepted
    heavier = bench.bench.profile.actuator
    assert heavier.motor.rotor_inertia == pytest.approx(1.4 * INERTIA)
    expected = design_source(bench.bench.profile, bench.period_s, bench.period_s)
    assert bench.bench.gains == expected != own
    assert bench.bench.estimator.mass == pytest.approx(heavier.reflected_mass)
    # The limits are not wider, and the profile of the rig is unchanged.
    assert bench.bench.profile.limits.force.limited == 300.0
    assert bench.bench.own_profile.actuator == PROFILE.actuator
    assert bench.bench.state is State.DE_ENERGISED
    told = [e for e in bench.events if e["kind"] == "envelope"][-1]["envelope"]
    assert told["plant"] == {"rotor_inertia_kg_m2": 1.4 * INERTIA}
    assert bench.request(EndCommission()).accepted
    assert bench.bench.gains == own
    assert bench.bench.estimator.mass == pytest.approx(PROFILE.actuator.reflected_mass)


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"hold_to_run": False}, "under the hold-to-run control"),
        ({"closed_loop": False}, "closed loop"),
        ({"plant": TriedPlant(rotor_inertia_kg_m2=5 * INERTIA)}, "more than 4 times from"),
        ({"plant": TriedPlant(rotor_inertia_kg_m2=0.2 * INERTIA)}, "rotor inertia of"),
        ({"plant": TriedPlant(coulomb_N_m=1.0)}, "dry friction of 1 N m"),
        ({"plant": TriedPlant(breakaway_N_m=1.0)}, "break-away friction of 1 N m"),
    ],
)
def test_what_must_not_be_tried_is_refused_with_its_reason(
    change: dict[str, Any], said: str
) -> None:
    bench = ready()
    own = bench.bench.gains
    answer = bench.request(ENVELOPE.model_copy(update=change))
    assert not answer.accepted and said in answer.text
    assert bench.bench.gains == own and bench.bench.envelope is None


def test_under_power_no_plant_is_tried() -> None:
    bench = ready()
    assert bench.request(ENVELOPE.model_copy(update={"plant": None})).accepted
    bench.request(Enable(held=True))
    assert bench.request(PowerOn(load_supported=True)).accepted
    for _ in range(6):
        bench.request(Enable(held=True))
        bench.run(0.05)
    own = bench.bench.gains
    assert "power off first" in bench.request(ENVELOPE).text
    assert bench.bench.gains == own
    bench.request(PowerOff())
