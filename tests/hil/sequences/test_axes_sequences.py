"""Sequences for several axes: read, split, and performed with common step boundaries."""

from __future__ import annotations

from functools import partial
from pathlib import Path
from typing import Any

import pytest

from hil.procedures import InTurn, Pause, ProcedureFailed
from hil.profile import ProfileError
from hil.sequences import AxesSequence, Meeting, axes_named, load_axes_sequence, load_sequence
from hil.sequences.axes_steps import BesideStep, StoppedStep
from hil.sequences.pacing import is_safe_point

AXES = ("heel", "toe")
HEAD = "name: two\naxes: two_axes\nsteps:\n"
UP = "  - power_on\n  - {do: hold_position, position: 20 mm, for: 2 s}\n"
DOWN = "  - power_off\n"
FOLLOW = "do: virtual_spring, stiffness: 20 N/mm, for: 1 s"


def load(folder: Path, steps: str, head: str = HEAD) -> AxesSequence:
    file = folder / "two.yaml"
    file.write_text(head + steps)
    return load_axes_sequence(file, AXES)


def dos(sequence: AxesSequence, axis: str) -> list[str]:
    return [step.do for step in sequence.sequences[axis].steps]


def test_a_step_without_an_axis_is_for_every_axis(tmp_path: Path) -> None:
    two = load(tmp_path, UP + DOWN)
    assert dos(two, "heel") == dos(two, "toe") == ["power_on", "hold_position", "power_off"]
    assert two.seconds == 2.0
    assert two.sequences["toe"].name == "two"
    assert axes_named(tmp_path / "two.yaml") == "two_axes"


def test_an_axis_without_a_step_waits_for_its_length(tmp_path: Path) -> None:
    steps = "  - {axis: toe, do: float, for: 3 s}\n  - {axis: toe, do: marker, text: here}\n"
    two = load(tmp_path, UP + steps + DOWN)
    assert dos(two, "heel") == ["power_on", "hold_position", "wait", "wait", "power_off"]
    waits = two.sequences["heel"].steps[2:4]
    assert all(isinstance(step, BesideStep) for step in waits)
    assert [step.lasts for step in waits] == [3.0, 0.0]
    assert dos(two, "toe")[2:4] == ["float", "marker"]


def test_steps_together_last_as_long_as_the_longest(tmp_path: Path) -> None:
    steps = (
        "  - do: together\n    steps:\n      - {axis: toe, do: float, for: 1 s}\n"
        "      - {axis: heel, do: hold_position, position: 30 mm, for: 4 s}\n"
    )
    two = load(tmp_path, UP + steps + DOWN)
    assert dos(two, "heel")[2] == "hold_position" and dos(two, "toe")[2] == "float"
    assert two.seconds == 2.0 + 4.0
    # Shortened, both keep their common step boundaries.
    short = two.fitted(5.0)
    assert short.seconds == pytest.approx(5.0)
    assert short.sequences["heel"].stretch == short.sequences["toe"].stretch < 1.0


def test_repeated_lists_stay_apart(tmp_path: Path) -> None:
    steps = (
        "  - do: repeat\n    times: 2\n    steps:\n      - do: together\n        steps:\n"
        "          - {axis: toe, do: float, for: 1 s}\n"
        "          - {axis: heel, do: float, for: 1 s}\n"
    )
    two = load(tmp_path, UP + steps + DOWN)
    assert dos(two, "heel") == dos(two, "toe")
    assert dos(two, "heel")[2:-1] == ["float", "float"]


def test_the_steps_of_another_file_are_for_one_axis(tmp_path: Path) -> None:
    (tmp_path / "inner.yaml").write_text("name: in\nsteps:\n  - {do: float, for: 1 s}\n")
    two = load(tmp_path, UP + "  - {axis: toe, do: sequence, file: inner.yaml}\n" + DOWN)
    assert dos(two, "toe")[2] == "float" and dos(two, "heel")[2] == "wait"


def test_a_stop_of_one_axis_is_the_stop_of_all(tmp_path: Path) -> None:
    stop = "  - {do: stop, measure: one stop, for: 1 s}\n  - reset\n"
    for steps in (stop, stop.replace("{do", "{axis: heel, do")):
        two = load(tmp_path, UP + steps)
        assert not isinstance(two.sequences["heel"].steps[2], StoppedStep)
        stopped = two.sequences["toe"].steps[2]
        assert isinstance(stopped, StoppedStep) and stopped.sender == "heel"
        assert two.sequences["toe"].figures == [("stop", "one stop")]


@pytest.mark.parametrize(
    ("steps", "line", "key", "what", "fix"),
    [
        (
            "  - {axis: hee, do: wait, for: 1 s}\n",
            4,
            "axis",
            "no axis 'hee'",
            "did you mean 'heel'?",
        ),
        ("  - {axis: 3, do: wait, for: 1 s}\n", 4, "axis", "no axis '3'", "write one of heel, toe"),
        (
            "  - do: together\n    steps:\n      - {axis: toe, do: wait, for: 1 s}\n"
            "      - {axis: toe, do: wait, for: 1 s}\n",
            7,
            "axis",
            "two steps for the axis 'toe' at once",
            "put one of them after",
        ),
        (
            "  - do: together\n    steps:\n      - {do: wait, for: 1 s}\n",
            6,
            "steps",
            "needs its axis",
            "axis: heel",
        ),
        (
            "  - do: together\n    steps:\n      - {axis: heel, do: stop}\n",
            6,
            "do",
            "'stop' inside 'together'",
            "stops every axis",
        ),
        (
            "  - {axis: heel, do: repeat, times: 2, steps: [{axis: toe, do: wait, for: 1 s}]}\n",
            4,
            "axis",
            "a step of 'toe' inside one of 'heel'",
            "leave 'axis' out",
        ),
        ("  - {do: together, steps: []}\n", 4, "steps", "", ""),
        (
            UP + "  - {axis: toe, rest: {axis: heal}, " + FOLLOW + "}\n" + DOWN,
            6,
            "rest",
            "no axis 'heal'",
            "did you mean 'heel'?",
        ),
        (
            UP + "  - {axis: heel, rest: {axis: heel}, " + FOLLOW + "}\n" + DOWN,
            6,
            "rest",
            "'heel' would follow itself",
            "axis: toe",
        ),
        (
            UP + "  - {rest: {axis: heel}, " + FOLLOW + "}\n" + DOWN,
            6,
            "rest",
            "'heel' would follow itself",
            "axis: toe",
        ),
        (
            UP
            + "  - {axis: toe, rest: {axis: heel}, "
            + FOLLOW
            + "}\n  - {axis: heel, rest: {axis: toe}, "
            + FOLLOW
            + "}\n"
            + DOWN,
            7,
            "rest",
            "follow each other",
            "its own setpoint",
        ),
        (
            UP + "  - {axis: toe, rest: {axis: heel, ratio: 11}, " + FOLLOW + "}\n" + DOWN,
            6,
            "ratio",
            "",
            "",
        ),
        (
            UP + "  - {axis: toe, rest: {axis: heel, offset: 3 N}, " + FOLLOW + "}\n" + DOWN,
            6,
            "offset",
            "",
            "",
        ),
        (
            UP + "  - {axis: toe, do: stop}\n  - {axis: heel, do: float, for: 1 s}\n",
            7,
            "do",
            "'float' while stopped",
            "- reset",
        ),
    ],
)
def test_mistakes_have_line_key_and_fix(
    tmp_path: Path, steps: str, line: int, key: str, what: str, fix: str
) -> None:
    with pytest.raises(ProfileError) as raised:
        load(tmp_path, steps)
    problem = raised.value.problems[0]
    assert problem.line == line, str(raised.value)
    assert key in problem.key and what in problem.what and fix in problem.fix
    assert problem.fix


def test_a_file_is_for_one_rig_or_for_axes(tmp_path: Path) -> None:
    with pytest.raises(ProfileError, match=r"for several axes .*--profile two_axes"):
        load(tmp_path, UP + DOWN)
        load_sequence(tmp_path / "two.yaml")
    with pytest.raises(ProfileError, match="not for several axes"):
        load(tmp_path, UP + DOWN, HEAD.replace("axes: two_axes", "profile: footplate_trainer"))
    with pytest.raises(ProfileError, match="not for both"):
        load(tmp_path, UP + DOWN, HEAD.replace("axes: two", "profile: bench_slide\naxes: two"))


def test_in_one_file_an_axis_is_an_unknown_key(tmp_path: Path) -> None:
    file = tmp_path / "one.yaml"
    file.write_text("name: one\nsteps:\n  - {axis: heel, do: wait, for: 1 s}\n")
    with pytest.raises(ProfileError, match="axis"):
        load_sequence(file)


# ------------------------------------------------------------------ performing


def advance(procedure: Any, times: int = 1) -> Any:
    action = None
    for _ in range(times):
        action = next(procedure)
    return action


def test_axes_wait_for_each_other_and_hear_why_one_ended() -> None:
    meeting = Meeting(AXES)
    heel = meeting.part_of("heel").meet()
    assert isinstance(advance(heel, 5), Pause)
    with pytest.raises(StopIteration):
        advance(meeting.part_of("toe").meet())
    with pytest.raises(StopIteration):
        advance(heel)
    heel = meeting.part_of("heel").meet()
    advance(heel, 3)
    meeting.end("toe", "power on was refused")
    with pytest.raises(ProcedureFailed, match="the axis 'toe' ended: power on was refused"):
        advance(heel)


def test_a_pause_is_decided_once_for_every_axis_and_only_where_all_may() -> None:
    meeting = Meeting(["heel", "toe"])
    heel, toe = meeting.part_of("heel"), meeting.part_of("toe")

    def reach(heel_may: bool, toe_may: bool) -> None:
        waiting = heel.meet(heel_may)
        next(waiting)
        assert list(toe.meet(toe_may)) == []
        with pytest.raises(StopIteration):
            waiting.send(None)  # type: ignore[arg-type]

    reach(True, True)
    assert heel.pauses(True) and toe.pauses(False)  # requested just before the second looked
    reach(True, False)
    assert not heel.pauses(True) and not toe.pauses(True)
    reach(True, True)
    assert not toe.pauses(False) and not heel.pauses(True)


@pytest.mark.parametrize(
    ("acting", "safe"), [(None, True), ("hold_position", True), ("float", False)]
)
def test_an_axis_that_waits_beside_another_pauses_only_where_it_is_held(
    tmp_path: Path, acting: str | None, safe: bool
) -> None:
    steps = "  - power_on\n  - {do: hold_position, position: 5 mm, for: 1 s}\n"
    steps += "  - {do: float, for: 1 s, load_may_move: true}\n"
    steps += "  - {axis: toe, do: hold_position, position: 5 mm, for: 1 s}\n  - power_off\n"
    heel = load(tmp_path, steps).sequences["heel"].steps
    waits = next(step for step in heel if isinstance(step, BesideStep))
    assert is_safe_point(waits, True, next((s for s in heel if s.do == acting), None)) is safe


def test_runners_take_turns_in_a_fixed_order() -> None:
    order: list[str] = []

    def cycle() -> dict[str, int]:
        order.append("cycle")
        return {"heel": len(order), "toe": -len(order)}

    turn = InTurn(AXES, cycle)

    def work(name: str, steps: int) -> int:
        row = 0
        for _ in range(steps):
            order.append(name)
            row = turn.step(name)
        return row

    ended = turn.run({"heel": partial(work, "heel", 2), "toe": partial(work, "toe", 4)})
    both = ["heel", "toe", "cycle"]
    assert order == [*both, *both, "toe", "cycle", "toe", "cycle"]
    assert ended == {"heel": 6, "toe": -10}


def test_an_error_of_the_cycle_ends_every_runner() -> None:
    def cycle() -> dict[str, int]:
        raise ValueError("no cycle")

    turn = InTurn(AXES, cycle)
    with pytest.raises(ValueError, match="no cycle"):
        turn.run({name: partial(turn.step, name) for name in AXES})


def test_an_error_of_one_runner_does_not_hold_the_other() -> None:
    turn: InTurn[int] = InTurn(AXES, lambda: dict.fromkeys(AXES, 0))
    done: list[str] = []

    def fails() -> None:
        turn.step("heel")
        raise ValueError("heel")

    def works() -> None:
        for _ in range(3):
            turn.step("toe")
        done.append("toe")

    with pytest.raises(ValueError, match="heel"):
        turn.run({"heel": fails, "toe": works})
    assert done == ["toe"]
