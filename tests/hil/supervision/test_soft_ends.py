"""The limited tier on the simulated rig: motion towards an end comes to rest at the soft end."""

from __future__ import annotations

import pytest

from drivers.simulated import Lateness
from hil.bench.lockstep import LockstepBench
from hil.core.limits import Limit
from hil.core.requests import Apply, ConstantForce, Float, HoldPosition, PowerOn
from hil.core.samples import INDEX, State
from hil.profile.schema import Profile
from tests.hil.supervision.listening_rig import MIDDLE, Rig


class TestCorridor:
    """Any behaviour that would run into an end is brought to rest at the soft end."""

    @pytest.mark.parametrize(
        ("mass", "start"),
        [(0.0, 0.048), (2.5, 0.012), (2.5, 0.048), (5.0, 0.03), (7.5, 0.012), (7.5, 0.048)],
    )
    def test_no_weight_let_go_reaches_the_lower_trip(
        self, footplate: Profile, mass: float, start: float
    ) -> None:
        rig = Rig(footplate, 0.0, start)
        _hang_gently(rig, mass, start)
        rig.apply(Float())
        self._comes_to_rest(rig, footplate.limits.travel.lower)

    @pytest.mark.parametrize("mass", [0.0, 5.0, 7.5])
    def test_no_lift_reaches_the_upper_trip(self, footplate: Profile, mass: float) -> None:
        rig = Rig(footplate, 0.0, 0.012)
        _hang_gently(rig, mass, 0.012)
        rig.apply(ConstantForce(force_N=min(575.0, 240.0 + 68.6 * mass)))
        self._comes_to_rest(rig, footplate.limits.travel.upper)

    @pytest.mark.parametrize("lateness", [None, Lateness(share=0.05, up_to_s=0.004)])
    @pytest.mark.parametrize(
        ("push_N", "frequency_Hz"), [(12.0, 1.5), (12.0, 3.0), (20.0, 0.4), (20.0, 1.5)]
    )
    def test_a_hand_does_not_push_the_empty_lever_through_its_upper_end(
        self, footplate: Profile, push_N: float, frequency_Hz: float, lateness: Lateness | None
    ) -> None:
        """20 N at the pan are 140 N at the rod: the cap must follow a growing force, not creep after it."""
        rig = Rig(footplate, 0.0, MIDDLE)
        rig.apply(ConstantForce(force_N=160.0))
        rig.run(1.0)
        self._stays(rig, footplate.limits.travel.upper)
        rig.bench.be_late(lateness)
        rig.do.push(push_N, frequency_Hz)
        back_m_s = 0.0
        # Until the hand turns: from there it moves the lever itself.
        for _ in range(round(500 / frequency_Hz)):
            rig.bench.step()
            back_m_s = min(back_m_s, rig.value("output_velocity_m_s"))
        assert rig.state is State.RUNNING, rig.bench.bench.cause_text
        assert back_m_s > -0.06  # the lever is not thrown

    def _stays(self, rig: Rig, end: float) -> None:
        assert abs(rig.value("output_position_m") - end) < 0.0005
        assert abs(rig.value("output_velocity_m_s")) < 0.002

    def _comes_to_rest(self, rig: Rig, end: float) -> None:
        rig.limited = 0
        rig.run(2.2)
        assert rig.state is State.RUNNING, rig.bench.bench.cause_text
        assert rig.limited >> Limit.TRAVEL & 1
        self._stays(rig, end)

    def test_a_rod_on_its_lower_end_is_not_lifted_by_the_corridor(self, footplate: Profile) -> None:
        rig = Rig(footplate, 2.5, None)
        assert rig.value("output_position_m") < 0.0005
        rig.apply(Float())
        rig.run(1.0)
        assert rig.state is State.RUNNING, rig.bench.bench.cause_text
        assert rig.value("output_position_m") < 0.0005

    def test_an_end_does_not_hold_back_what_leads_away(self, footplate: Profile) -> None:
        rig = Rig(footplate, 2.5, None)
        rig.apply(HoldPosition(position_m=MIDDLE, speed_m_s=0.08))
        rig.run(1.6)
        assert rig.state is State.RUNNING, rig.bench.bench.cause_text
        assert abs(rig.value("output_position_m") - MIDDLE) < 0.002

    def test_a_hand_that_pushes_steadily_is_held_at_the_end(self, footplate: Profile) -> None:
        rig = Rig(footplate, 0.0, 0.02)
        rig.apply(Float(damping_N_s_m=300.0))
        rig.do.push(-30)
        rig.run(2.0)
        assert rig.state is State.RUNNING, rig.bench.bench.cause_text
        assert abs(rig.value("output_position_m") - 0.002) < 0.001
        speeds = [abs(row[INDEX["output_velocity_m_s"]]) for row in rig.bench.run(0.5)]
        assert max(speeds) < 0.005  # at rest, without shaking against the hand

    @pytest.mark.parametrize("lateness", [None, Lateness(share=0.1, up_to_s=0.004)])
    def test_an_output_that_rests_on_its_end_gets_the_setpoint(
        self, footplate: Profile, lateness: Lateness | None
    ) -> None:
        # A cap that followed the resting force would raise it without end, and lift the lever.
        bench = LockstepBench(footplate, lateness=lateness)
        bench.run(0.2)
        bench.request(PowerOn(load_supported=True))
        bench.run(0.5)
        wanted_N = 19.0  # half of the lever's own weight
        applied = Apply(behaviour=ConstantForce(force_N=wanted_N), load_may_move=True)
        assert bench.request(applied).accepted
        bench.run(0.5)
        forces = [row[INDEX["spring_force_N"]] for row in bench.run(1.5)]
        assert sum(forces) / len(forces) == pytest.approx(wanted_N, abs=2.0)


def _hang_gently(rig: Rig, mass: float, position: float) -> None:
    """Hang a weight in steps with the output held, as a hand that sets it down."""
    if mass == 0.0:
        return
    steps = 8
    for step in range(1, steps + 1):
        rig.do.hang(mass * step / steps)
        rig.run(0.12)
    rig.run(0.5)
    assert rig.state is State.RUNNING, rig.bench.bench.cause_text
    assert abs(rig.value("output_position_m") - position) < 0.004
