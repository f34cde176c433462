"""Pauses at safe points, previews, and sequences recorded from sessions."""

from __future__ import annotations

import math
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from hil.bench import LockstepBench
from hil.core import (
    INDEX,
    Apply,
    ConstantForce,
    Float,
    HoldPosition,
    Marker,
    PowerOff,
    PowerOn,
    Request,
    Tare,
    VirtualSpring,
    Waveform,
)
from hil.procedures import Ask, LockstepRunner, Pause, Procedure
from hil.profile import load_profile
from hil.sequences import Pacing, TakenDown, load_sequence, perform, preview
from hil.sequences.sequence_steps import BehaviourStep

PROFILE = load_profile("footplate_trainer")
SHORT = """\
name: short
steps:
  - power_on
  - {do: hold_position, position: 12 mm, speed: 40 mm/s, for: 0.8 s}
  - {do: virtual_spring, stiffness: 20 N/mm, rest: 14 mm, load_may_move: true, for: 0.4 s}
  - {do: push, force: 2 N, for: 0.2 s}
  - {do: constant_force, force: 10 N, load_may_move: true, for: 0.2 s}
  - power_off
"""


def at_each(procedure: Procedure, look: Callable[[object, object], None]) -> Procedure:
    """Return the same procedure, with a look at each action and at what it returned."""
    seen: Any = None
    while True:
        try:
            action = procedure.send(seen)
        except StopIteration as end:
            return end.value
        seen = yield action
        look(action, seen)


def test_it_pauses_holding_the_position_and_only_where_nothing_rests_on_what_acts(
    tmp_path: Path,
) -> None:
    file = tmp_path / "s.yaml"
    file.write_text(SHORT)
    pacing, asked, held_before, rested = Pacing(), [], [], 0.0
    position = math.nan

    def look(action: object, seen: object) -> None:
        nonlocal rested, position
        if isinstance(action, Ask):
            asked.append(action.request)
            if isinstance(action.request, PowerOn):
                pacing.step()  # from here on one safe point at a time
        if pacing.held and isinstance(action, Pause):
            rested += action.seconds
            rows = seen.rows  # type: ignore[attr-defined]
            position = float(rows[-1, INDEX["output_position_m"]])
            if rested > 0.3:
                held_before.append(pacing.number)
                rested = 0.0
                pacing.step()

    bench = LockstepBench(PROFILE, 1)
    procedure = at_each(perform(load_sequence(file), PROFILE, pacing), look)
    ended = LockstepRunner(bench).run(procedure)
    assert ended.how == "finished", ended.text
    # Not before the push, which builds on the spring.
    assert held_before == [2, 3, 5, 6]
    holds = [r.behaviour for r in asked if isinstance(r, Apply)]
    assert [b.kind for b in holds] == [
        "hold_position",
        "virtual_spring",
        "hold_position",  # pause during the spring
        "constant_force",
        "hold_position",  # pause during the force
    ]
    assert isinstance(holds[2], HoldPosition) and 0.010 < holds[2].position_m < 0.018
    assert position == pytest.approx(holds[4].position_m, abs=1e-3)
    assert [r.text for r in asked if isinstance(r, Marker)] == ["paused", "resumed"] * 4


def test_a_stop_in_a_pause_ends_the_sequence(tmp_path: Path) -> None:
    file = tmp_path / "s.yaml"
    file.write_text(SHORT)
    pacing, bench = Pacing(), LockstepBench(PROFILE, 1)
    pacing.pause()

    def look(action: object, _seen: object) -> None:
        if pacing.held and isinstance(action, Pause) and bench.environment is not None:
            bench.bench.stop(40, "operator")

    ended = LockstepRunner(bench).run(at_each(perform(load_sequence(file), PROFILE, pacing), look))
    assert ended.how == "stopped"
    assert [e["kind"] for e in bench.events].count("stop") == 1


def test_the_preview_shows_what_is_asked_for() -> None:
    plan = preview(load_sequence("demo"), PROFILE)
    assert plan.refused == () and plan.limited == ()
    assert len(plan.words) == len(plan.begins_s) - 1
    at = plan.begins_s[3] + 0.5  # during the float
    here = int(np.searchsorted(plan.time_s, at))
    assert plan.force_N[here] == 210.0 and np.isnan(plan.position_m[here])
    held = int(np.searchsorted(plan.time_s, plan.begins_s[3])) - 2
    assert plan.position_m[held] == pytest.approx(0.0275, abs=2e-4)
    assert np.all(np.diff(plan.time_s) >= -1e-9)


def test_the_preview_says_what_the_rig_would_trim_or_refuse(tmp_path: Path) -> None:
    file = tmp_path / "s.yaml"
    text = SHORT.replace("force: 10 N", "force: 9 kN").replace("20 N/mm", "900 N/mm")
    file.write_text(text.replace("  - power_off", "  - {do: hang, mass: 3 kg}\n  - power_off"))
    plan = preview(load_sequence(file), PROFILE)
    said = [str(problem) for problem in plan.refused] + list(plan.limited)
    assert any(":8: " in one and "3 kg" in one for one in said)
    assert any("virtual stiffness" in one.lower() for one in said)
    assert any("line 7" in one and "Force" in one for one in said)


DONE: list[tuple[float, Request]] = [
    (1.0, PowerOn(load_supported=True)),
    (3.04, Apply(behaviour=HoldPosition(position_m=0.01234, speed_m_s=0.03))),
    (3.2, Apply(behaviour=HoldPosition(position_m=0.0125, speed_m_s=0.03))),  # in motion
    (5.31, Marker(text="it's up")),
    (5.32, Apply(behaviour=VirtualSpring(rest_m=0.0125, stiffness_N_m=20e3, bias_N=12.0))),
    (
        18.4,
        Apply(
            behaviour=Waveform(shape="table", points=((0.0, 1.0), (1.0, 2.0))), load_may_move=True
        ),
    ),
    (20.0, Apply(behaviour=ConstantForce(force_N=33.33333, damping_N_s_m=250.0))),
    (95.7, PowerOff()),
]


def test_a_session_by_hand_becomes_a_sequence(tmp_path: Path) -> None:
    taken = TakenDown()
    for time_s, request in DONE:
        taken.take(request, time_s)
    file = tmp_path / "by_hand.yaml"
    taken.write(file, "footplate_trainer", 120.0)
    sequence = load_sequence(file)
    assert sequence.profile == "footplate_trainer"
    assert [(step.do, getattr(step, "lasts", 0.0)) for step in sequence.steps] == [
        ("power_on", 0.0),
        ("wait", 2.0),
        ("hold_position", 2.3),
        ("marker", 0.0),
        ("virtual_spring", 13.0),
        ("waveform", 1.6),
        ("constant_force", 76.0),
        ("power_off", 0.0),
    ]
    behaviours = [step.behaviour() for step in sequence.steps if isinstance(step, BehaviourStep)]
    assert behaviours[0] == HoldPosition(position_m=0.0125, speed_m_s=0.03)
    assert behaviours[1] == DONE[4][1].behaviour
    assert behaviours[2].points == ((0.0, 1.0), (1.0, 2.0))
    assert behaviours[3] == ConstantForce(force_N=33.33, damping_N_s_m=250.0)
    assert preview(sequence, PROFILE).refused == ()


REQUESTS = st.sampled_from(
    [
        PowerOn(load_supported=True),
        PowerOff(),
        Tare(),
        Tare(clear=True),
        Marker(text="a: 'b' #\nc"),
        Apply(behaviour=Float()),
        Apply(behaviour=ConstantForce(force_N=-1e-7), load_may_move=True),
        Apply(behaviour=HoldPosition(position_m=0.01)),
        Apply(behaviour=Waveform(shape="sweep", of="rest", amplitude=0.001, end_frequency_Hz=9.0)),
    ]
)


@given(st.lists(st.tuples(st.floats(0.0, 90.0), REQUESTS), max_size=9), st.booleans())
def test_what_was_taken_down_can_be_performed_or_is_no_file(
    session: list[tuple[float, Request]], stopped: bool
) -> None:
    import tempfile

    taken, time_s, powered = TakenDown(), 0.0, False
    for passed_s, request in session:
        time_s += passed_s
        # Only requests that the bench would accept.
        if isinstance(request, Apply) and not powered:
            continue
        if isinstance(request, PowerOn) and powered:
            continue
        powered = isinstance(request, PowerOn) or (powered and not isinstance(request, PowerOff))
        taken.take(request, time_s)
    if stopped:
        taken.stopped(time_s)
    with tempfile.TemporaryDirectory() as directory:
        file = Path(directory) / "s.yaml"
        try:
            taken.write(file, "footplate_trainer", time_s + 1.0)
        except ValueError as error:
            assert "power on" in str(error) and not file.exists()
            return
        load_sequence(file)
