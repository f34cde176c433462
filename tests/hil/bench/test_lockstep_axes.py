"""Several axes in lockstep: a bench for each, one stop for all."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from drivers.simulated import Lateness
from hil.bench import LockstepAxes
from hil.core import (
    Apply,
    Cause,
    Coupling,
    Float,
    HoldPosition,
    Limit,
    PowerOn,
    Reset,
    State,
    Stop,
    VirtualSpring,
)
from hil.profile import load_axes

ON = PowerOn(load_supported=True)


@pytest.fixture
def both() -> LockstepAxes:
    both = LockstepAxes(load_axes("two_axes"))
    both.run(0.05)
    return both


def state(both: LockstepAxes, name: str) -> State:
    return both.benches[name].bench.state


def stops(both: LockstepAxes, name: str) -> list[int]:
    return [event["code"] for event in both.benches[name].events if event["kind"] == "stop"]


def powered(both: LockstepAxes) -> None:
    for one in both.benches.values():
        assert one.request(ON).accepted
    both.run(0.5)
    assert [state(both, name) for name in both.benches] == [State.STANDBY] * 2


def test_each_axis_has_its_own_behaviour(both: LockstepAxes) -> None:
    powered(both)
    heel, toe = both.benches.values()
    assert heel.request(Apply(behaviour=HoldPosition(position_m=0.02))).accepted
    assert toe.request(Apply(behaviour=HoldPosition(position_m=0.03))).accepted
    both.run(2.5)
    assert heel.last_row.output_position_m == pytest.approx(0.02, abs=5e-4)
    assert toe.last_row.output_position_m == pytest.approx(0.03, abs=5e-4)
    assert heel.time_s == toe.time_s == both.time_s


def test_axes_of_one_seed_differ_and_repeat(both: LockstepAxes) -> None:
    again = LockstepAxes(load_axes("two_axes"))
    again.run(0.05)
    first, second = both.step(), again.step()
    assert list(map(repr, first.values())) == list(map(repr, second.values()))
    assert first["heel"].deflection_counts != first["toe"].deflection_counts


@pytest.mark.parametrize("stopped", ["heel", "toe"])
def test_a_stop_of_one_axis_stops_the_other_within_two_cycles(
    both: LockstepAxes, stopped: str
) -> None:
    powered(both)
    for one in both.benches.values():
        assert one.request(Apply(behaviour=Float(), load_may_move=True)).accepted
    both.run(0.1)
    other = "toe" if stopped == "heel" else "heel"
    both.benches[stopped].request(Stop(cause="test"))
    both.step()
    both.step()
    assert state(both, other) is State.STOPPED
    assert stops(both, other) == [Cause.OTHER_AXIS]
    assert f"axis '{stopped}' stopped (Operator): test" in both.benches[other].bench.cause_text
    assert both.benches[other].bench.command.torque_N_m == 0.0


def test_a_fault_of_one_axis_is_named_on_the_other(both: LockstepAxes) -> None:
    powered(both)
    both.benches["toe"].environment.disturbances["silent"] = 1.0
    both.run(0.2)
    assert stops(both, "toe") == [Limit.TELEMETRY_AGE]
    assert stops(both, "heel") == [Cause.OTHER_AXIS]
    assert "axis 'toe' stopped" in both.benches["heel"].bench.cause_text


def test_no_axis_gets_power_while_another_is_stopped(both: LockstepAxes) -> None:
    powered(both)
    heel, toe = both.benches.values()
    heel.request(Stop(cause="test"))
    both.run(0.3)
    assert toe.request(Reset()).accepted
    both.run(0.05)
    refused = toe.request(ON)
    assert not refused.accepted and "axis 'heel' is stopped" in refused.text
    assert heel.request(Reset()).accepted
    both.step()
    assert toe.request(ON).accepted
    both.run(0.5)
    assert state(both, "toe") is State.STANDBY and state(both, "heel") is State.DE_ENERGISED


def test_power_that_comes_on_in_the_very_cycle_of_a_stop_goes_again(both: LockstepAxes) -> None:
    heel, toe = both.benches.values()
    assert heel.request(ON).accepted
    both.run(0.5)
    heel.request(Stop(cause="test"))
    assert toe.request(ON).accepted  # its bench has not received the stop yet
    both.run(0.5)
    assert state(both, "toe") is State.STOPPED and toe.bench.cause == Cause.OTHER_AXIS


def test_an_axis_without_power_is_not_stopped_with_the_other(both: LockstepAxes) -> None:
    heel = both.benches["heel"]
    assert heel.request(ON).accepted
    both.run(0.5)
    heel.request(Stop(cause="test"))
    both.run(0.05)
    assert state(both, "toe") is State.DE_ENERGISED and not stops(both, "toe")


def test_the_rest_of_a_spring_follows_the_other_axis(both: LockstepAxes) -> None:
    powered(both)
    heel, toe = both.benches.values()
    assert heel.request(Apply(behaviour=HoldPosition(position_m=0.02))).accepted
    both.run(2.0)
    spring = VirtualSpring(
        rest_m=0.02,
        stiffness_N_m=40e3,
        damping_N_s_m=1000.0,
        bias_N=35.0,
        coupling=Coupling(axis="heel", ratio=1.0, offset=0.005),
    )
    assert toe.request(Apply(behaviour=spring, load_may_move=True)).accepted
    both.run(2.0)
    assert toe.last_row.rest_position_m == pytest.approx(0.025, abs=3e-4)
    assert heel.request(Apply(behaviour=HoldPosition(position_m=0.035))).accepted
    both.run(2.0)
    assert toe.last_row.rest_position_m == pytest.approx(0.040, abs=3e-4)
    assert toe.last_row.output_position_m == pytest.approx(0.040, abs=2e-3)


def test_one_stop_sent_to_every_axis_does_not_count_as_two() -> None:
    axes = load_axes("two_axes")
    braking = {
        name: one.model_copy(update={"stop": one.stop.model_copy(update={"category": 1})})
        for name, one in axes.profiles.items()
    }
    both = LockstepAxes(replace(axes, profiles=braking))
    both.run(0.05)
    powered(both)
    for one in both.benches.values():
        assert one.request(Apply(behaviour=HoldPosition(position_m=0.03))).accepted
    both.run(0.8)
    toe = both.benches["toe"]
    both.benches["heel"].request(Stop(cause="pressed"))
    both.step()
    assert toe.bench.controlled_stop.running
    toe.request(Stop(cause="pressed"))  # the same key press, over the axis's own link
    both.step()
    assert toe.bench.controlled_stop.running and toe.bench.cause == Cause.OTHER_AXIS
    both.run(0.06)
    toe.bench.controlled_stop.start(0.0)
    toe.request(Stop(cause="pressed again"))
    assert not toe.bench.controlled_stop.running


LATE = Lateness(share=0.05, up_to_s=0.004, stale_share=0.5)


def follower(axis: str) -> Apply:
    spring = VirtualSpring(
        stiffness_N_m=2000.0, damping_N_s_m=60.0, rest_m=0.0, coupling=Coupling(axis=axis)
    )
    return Apply(behaviour=spring, load_may_move=True)


@pytest.mark.parametrize("lateness", [None, LATE])
def test_two_axes_cannot_follow_each_other(lateness: Lateness | None) -> None:
    both = LockstepAxes(load_axes("two_axes"), 1, lateness)
    both.run(0.1)
    powered(both)
    heel, toe = both.benches.values()
    assert heel.request(follower("toe")).accepted
    # In the same turn, before the axes have seen a new sample of each other.
    refused = toe.request(follower("heel"))
    assert not refused.accepted and "toe → heel → toe" in refused.text and "Fix" in refused.text
    assert toe.bench.state is State.STANDBY
    both.run(0.2)
    assert not toe.request(follower("heel")).accepted
    assert "follow itself" in toe.request(follower("toe")).text
    # Once heel holds its own setpoint, or has stopped, toe may follow it.
    held = HoldPosition(position_m=heel.last_row.output_position_m)
    assert heel.request(Apply(behaviour=held, load_may_move=True)).accepted
    assert toe.request(follower("heel")).accepted
    assert "heel → toe → heel" in heel.request(follower("toe")).text


def test_a_circle_of_three_axes_is_found(both: LockstepAxes) -> None:
    powered(both)
    toe = both.benches["toe"].bench
    middle = replace(toe.others["heel"], follows=lambda: "toe")
    toe.others = {"heel": replace(middle, follows=lambda: "middle"), "middle": middle}
    refused = toe.ask(follower("heel"))
    assert not refused.accepted and "toe → heel → middle → toe" in refused.text


def test_a_late_cycle_is_late_for_every_axis() -> None:
    axes = load_axes("two_axes")
    one, again = LockstepAxes(axes, 5, LATE), LockstepAxes(axes, 5, LATE)
    late = set()
    for _ in range(300):
        rows, repeated = one.step(), again.step()
        assert list(map(repr, rows.values())) == list(map(repr, repeated.values()))
        assert rows["heel"].time_s == rows["toe"].time_s
        late.add(rows["heel"].wake_latency_s > 0.0)
    assert late == {False, True}
    for bench in one.benches.values():
        assert bench.late_cycles == one.benches["heel"].late_cycles > 0


def test_a_session_on_late_axes_goes_on() -> None:
    both = LockstepAxes(load_axes("two_axes"), 2, LATE)
    both.run(0.1)
    powered(both)
    for one, position_m in zip(both.benches.values(), (0.02, 0.03), strict=True):
        assert one.request(Apply(behaviour=HoldPosition(position_m=position_m))).accepted
    both.run(2.5)
    for one, position_m in zip(both.benches.values(), (0.02, 0.03), strict=True):
        assert one.last_row.output_position_m == pytest.approx(position_m, abs=1e-3)


FOOTPLATE = """based_on: footplate_trainer.yaml
name: {name}
drive: {{node: {node}, host_node: {host}}}
control: {{rate: 400 Hz}}
limits: {{sensor_jump: {{counts: 350}}}}
"""
JOINT = """based_on: rotary_joint.yaml
name: {name}
drive: {{node: {node}, host_node: {host}}}
control: {{rate: 600 Hz}}
"""


@pytest.mark.parametrize(("profile", "number"), [(FOOTPLATE, 3), (JOINT, 2)])
def test_three_axes_or_two_joints_are_held_and_stop_together(
    tmp_path: Path, profile: str, number: int
) -> None:
    names = [f"axis{k}" for k in range(number)]
    for k, name in enumerate(names):
        text = profile.format(name=name, node=5 + k, host=127 - k)
        (tmp_path / f"{name}.yaml").write_text(text)
    lines = "".join(f"  {name}: {name}.yaml\n" for name in names)
    (tmp_path / "all.yaml").write_text(f"name: all\naxes:\n{lines}")
    axes = LockstepAxes(load_axes(tmp_path / "all.yaml"))
    axes.run(0.05)
    for one in axes.benches.values():
        assert one.request(ON).accepted
    axes.run(0.5)
    middle_m = 0.025
    for one in axes.benches.values():
        assert one.request(Apply(behaviour=HoldPosition(position_m=middle_m))).accepted
    axes.run(2.5)
    for one in axes.benches.values():
        assert one.last_row.output_position_m == pytest.approx(middle_m, abs=5e-4)
    axes.benches[names[-1]].request(Stop(cause="test"))
    axes.step()
    axes.step()
    assert {state(axes, name) for name in names} == {State.STOPPED}
    assert [stops(axes, name) for name in names[:-1]] == [[Cause.OTHER_AXIS]] * (number - 1)
