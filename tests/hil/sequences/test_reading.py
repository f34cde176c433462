"""Sequence files: their meaning, and one line with place and fix for each mistake."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from hil.core.requests import ConstantForce, HoldPosition, VirtualSpring, Waveform
from hil.profile.loader import load_profile
from hil.profile.problems import ProfileError
from hil.sequences.reading import load_sequence
from hil.sequences.sequence import kind_of, unfit
from hil.sequences.sequence_steps import STEPS, BehaviourStep
from hil.sequences.tolerances import declared_tolerance
from hil.sequences.waveform_files import read_points

GOOD = """\
name: short
steps:
  - power_on
  - do: hold_position
    position: 20 mm
    speed: 30 mm/s
    for: 2 s
  - do: virtual_spring
    stiffness: 40 N/mm
    rest: 20 mm
    push: {force: 5 N, frequency: 1 Hz}
    for: 3 s
    settle: 1 s
    measure: medium
  - power_off
"""


def written(tmp_path: Path, text: str) -> Path:
    file = tmp_path / "sequence.yaml"
    file.write_text(text)
    return file


def refused(tmp_path: Path, text: str) -> str:
    with pytest.raises(ProfileError) as caught:
        load_sequence(written(tmp_path, text))
    return str(caught.value)


def test_quantities_become_requests_in_si(tmp_path: Path) -> None:
    sequence = load_sequence(written(tmp_path, GOOD))
    behaviours = [step.behaviour() for step in sequence.steps if isinstance(step, BehaviourStep)]
    assert behaviours == [
        HoldPosition(position_m=0.020, speed_m_s=0.030),
        VirtualSpring(rest_m=0.020, stiffness_N_m=40e3),
    ]
    assert sequence.seconds == pytest.approx(5.0)
    assert sequence.figures == [("virtual_spring", "medium")]


# Old text, new text, text of the reported line, key, what, fix.
MISTAKES = [
    ("position: 20 mm", "position: 20 N", "20 N", r"steps[1].position", "not a length", "10 mm"),
    ("position: 20 mm", "position: 20", "position: 20\n", r"steps[1].position", "no unit", "10 mm"),
    ("speed:", "sped:", "sped:", "steps[1].sped", "unknown key", "did you mean 'speed'"),
    ("    for: 2 s\n", "", "hold_position", "steps[1].for", "missing", "'for: 3 s'"),
    ("for: 2 s", "for: 2 kg", "2 kg", "steps[1].for", "not a time", "20 ms"),
    ("for: 2 s", "for: -2 s", "-2 s", "steps[1].for", "greater than 0", ""),
    (
        "do: hold_position",
        "do: hold_postion",
        "hold_postion",
        "steps[1].do",
        "not a step",
        "did you mean 'hold_position'",
    ),
    (
        "- power_on",
        "- power_onn",
        "power_onn",
        "steps[0].do",
        "not a step",
        "did you mean 'power_on'",
    ),
    ("  - power_on\n", "", "hold_position", "steps[0].do", "without power", "'- power_on' before"),
    (
        "  - power_off\n",
        "",
        "virtual_spring",
        "steps[2].do",
        "ends with the rig under power",
        "'- power_off'",
    ),
    (
        "  - power_off\n",
        "  - do: stop\n",
        "do: stop",
        "steps[3].do",
        "with the rig stopped",
        "'- reset'",
    ),
    (
        "  - power_off\n",
        "  - do: stop\n  - tare\n",
        "- tare",
        "steps[4].do",
        "while stopped",
        "'- reset' before",
    ),
    ("  - power_off\n", "  - reset\n", "- reset", "steps[3].do", "nothing to reset", "leave it"),
    (
        "    push: {force: 5 N, frequency: 1 Hz}\n",
        "",
        "measure: medium",
        "steps[2].measure",
        "while something moves",
        "add 'push",
    ),
    (
        "frequency: 1 Hz",
        "frequency: 0.3 Hz",
        "for: 3 s",
        "steps[2].for",
        "less than one period",
        "at least 4.33 s",
    ),
    (
        "settle: 1 s",
        "settle: 2.5 s",
        "for: 3 s",
        "steps[2].for",
        "0.5 s to measure",
        "at least 3.5 s",
    ),
    ("name: short", "name: a/b", "a/b", "name", "impossible", ""),
    ("name: short", "nmae: short", "nmae", "nmae", "unknown key", "did you mean 'name'"),
    ("  - power_off", "\t- power_off", "\t- power_off", "", "a tab where", "spaces"),
    ("  - power_off", "  - 7", "- 7", "steps[3]", "'7' is not a step", "do: float"),
    ("  - power_off", "  - {for: 1 s}", "- {for", "steps[3]", "'do' is missing", "one of"),
    ("name: short", "name: [", "- power_on", "", "not YAML", "brackets"),
]


@pytest.mark.parametrize(("old", "new", "part", "key", "what", "fix"), MISTAKES)
def test_each_mistake_is_named_with_its_line_and_fix(
    tmp_path: Path, old: str, new: str, part: str, key: str, what: str, fix: str
) -> None:
    assert GOOD.count(old) == 1
    text = GOOD.replace(old, new)
    lines = refused(tmp_path, text).splitlines()
    line = text[: text.index(part)].count("\n") + 1
    found = [
        entry
        for entry in lines
        if re.match(rf".*sequence\.yaml:{line}: ", entry)
        and key in entry
        and what in entry
        and fix in entry
    ]
    assert len(found) == 1, lines


def test_several_mistakes_come_together(tmp_path: Path) -> None:
    text = GOOD.replace("20 mm\n    speed", "20 N\n    speed").replace("40 N/mm", "40 N")
    assert len(refused(tmp_path, text).splitlines()) == 2


def test_a_sequence_that_is_not_there_names_those_that_are() -> None:
    with pytest.raises(ProfileError, match="did you mean 'demo'"):
        load_sequence("dmo")


@given(st.text(max_size=200))
def test_no_text_makes_it_fail_in_another_way(text: str) -> None:
    import tempfile

    with tempfile.TemporaryDirectory() as directory:
        file = Path(directory) / "s.yaml"
        file.write_text(text, encoding="utf-8", errors="surrogatepass")
        with pytest.raises(ProfileError):
            load_sequence(file)


@given(
    st.sampled_from(sorted(STEPS)),
    st.dictionaries(
        st.sampled_from(["for", "force", "rest", "stiffness", "mass", "measure", "push", "shape"]),
        st.sampled_from(["1 s", "3 N", "2 mm", "5 N/mm", "7 kg", "1e400 N", "x", 3, None, [], {}]),
        max_size=5,
    ),
)
def test_any_step_is_read_or_refused_in_one_line_each(name: str, keys: dict[str, object]) -> None:
    import tempfile

    import yaml

    with tempfile.TemporaryDirectory() as directory:
        file = Path(directory) / "s.yaml"
        file.write_text(yaml.safe_dump({"name": "s", "steps": [{"do": name, **keys}]}))
        try:
            load_sequence(file)
        except ProfileError as error:
            assert all(problem.what and problem.line for problem in error.problems)


# ------------------------------------------------------------------------- waveforms


def test_a_waveform_takes_its_unit_from_what_it_moves_and_its_points_from_a_file(
    tmp_path: Path,
) -> None:
    (tmp_path / "steps.csv").write_text("time_s,value\n0,0\n0.5,20\n1.0,20\n")
    text = (
        "name: w\nsteps:\n  - power_on\n"
        "  - {do: waveform, shape: sine, of: rest, offset: 20 mm, amplitude: 3 mm, for: 2 s}\n"
        "  - {do: waveform, shape: file, file: steps.csv, for: 1 s}\n  - power_off\n"
    )
    sine, table = (step.behaviour() for step in load_sequence(written(tmp_path, text)).steps[1:3])
    assert isinstance(sine, Waveform) and isinstance(table, Waveform)
    assert (sine.offset, sine.amplitude, sine.duration_s) == (0.020, 0.003, 2.0)
    assert table.shape == "table" and table.points == ((0.0, 0.0), (0.5, 20.0), (1.0, 20.0))


def test_a_force_waveform_in_millimetres_is_refused(tmp_path: Path) -> None:
    text = (
        "name: w\nsteps:\n  - power_on\n"
        "  - {do: waveform, shape: sine, amplitude: 3 mm, for: 2 s}\n  - power_off\n"
    )
    assert "steps[1].amplitude" in refused(tmp_path, text)
    assert ":4: " in refused(tmp_path, text)


@pytest.mark.parametrize(
    ("text", "reason"),
    [
        ("t,v\n0,1\n1,2\n", "f.csv:1: the header"),
        ("time_s,value\n0,1\nx,2\n", "f.csv:3: not two numbers"),
        ("time_s,value\n0,1\n1,2,3\n", "f.csv:3: not two numbers"),
        ("time_s,value\n0,1\n1,nan\n", "f.csv:3: not finite"),
        ("time_s,value\n0,1\n0,2\n", "f.csv:3: time does not increase"),
        ("time_s,value\n-1,1\n0,2\n", "f.csv:2: time does not increase"),
        ("time_s,value\n0,1\n", "fewer than two points"),
        (
            "time_s,value\n" + "".join(f"{i},0\n" for i in range(2001)),
            "more than 2000 points; keep every second row",
        ),
        ("", "f.csv:1: the header"),
    ],
)
def test_a_waveform_file_is_read_strictly(tmp_path: Path, text: str, reason: str) -> None:
    file = tmp_path / "f.csv"
    file.write_text(text)
    with pytest.raises(ValueError, match=re.escape(reason)):
        read_points(file)


# --------------------------------------------------------------------------- time


@given(st.floats(19.0, 200.0))
def test_stretching_gives_the_asked_length_and_keeps_measurements(seconds: float) -> None:
    sequence = load_sequence("demo").fitted(seconds)
    assert sequence.seconds == pytest.approx(seconds, rel=1e-6)
    for step in sequence.steps:
        if getattr(step, "measure", None) and step.do != "stop":
            window = sequence.length(step) - sequence.settle(step)
            assert window >= 1.0 - 1e-9
            push = step.push
            if push is not None and push.frequency is not None:
                assert window * push.frequency >= 1.0


def test_too_short_is_refused_with_the_least() -> None:
    demo = load_sequence("demo")
    with pytest.raises(ValueError, match=r"at least \d+ s") as caught:
        demo.fitted(3.0)
    least = int(re.search(r"at least (\d+) s", str(caught.value))[1])  # type: ignore[index]
    assert demo.fitted(least).seconds == pytest.approx(least)


def test_loads_that_the_rig_does_not_have_are_refused(tmp_path: Path) -> None:
    text = GOOD.replace("  - power_off", "  - {do: hang, mass: 3 kg}\n  - power_off")
    sequence = load_sequence(written(tmp_path, text))
    problems = unfit(sequence, load_profile("footplate_trainer"))
    assert [problem.line for problem in problems] == [15]
    assert "2.5 kg, 5 kg, 7.5 kg" in problems[0].fix


def test_the_shipped_sequence_fits_the_shipped_rig() -> None:
    demo = load_sequence("demo")
    assert demo.profile is not None
    assert unfit(demo, load_profile(demo.profile)) == []
    assert {step.behaviour().kind for step in demo.steps if isinstance(step, BehaviourStep)} == {
        "float",
        "constant_force",
        "virtual_spring",
        "hold_position",
    }
    asked = [step.behaviour() for step in demo.steps if step.do == "constant_force"]
    assert asked[0] == ConstantForce(force_N=210.0, damping_N_s_m=600.0)


TOLERANCES = [
    ("virtual_spring", "tolerance: 5 %", 2.0),
    ("virtual_spring", "tolerance: 2.5%", 1.0),
    ("virtual_spring", "tolerance: 3 N/mm", 3.0),
    ("hold_position", "tolerance: 0.5 mm", 0.5),
]


@pytest.mark.parametrize(("do", "line", "value"), TOLERANCES)
def test_a_tolerance_is_read_into_the_figures_own_unit(
    tmp_path: Path, do: str, line: str, value: float
) -> None:
    text = GOOD.replace("    measure: medium\n", f"    measure: medium\n    {line}\n")
    if do == "hold_position":
        text = GOOD.replace("    for: 2 s\n", f"    for: 2 s\n    measure: held\n    {line}\n")
    sequence = load_sequence(written(tmp_path, text))
    [step] = [s for s in sequence.steps if getattr(s, "tolerance", None)]
    assert declared_tolerance(step, kind_of(step)) == pytest.approx(value)


@pytest.mark.parametrize(
    ("old", "new", "what", "fix"),
    [
        ("measure: medium", "measure: medium\n    tolerance: 5 N", "not a stiffness", "'2 N/mm'"),
        ("measure: medium", "measure: medium\n    tolerance: 0 %", "not above 0", "'2 N/mm'"),
        ("measure: medium", "measure: medium\n    tolerance: -5 %", "cannot be read", "'5 %'"),
        ("measure: medium", "measure: medium\n    tolerance: 5", "tolerance", ""),
        ("for: 2 s", "for: 2 s\n    tolerance: 5 %", "measures nothing", "add 'measure: NAME'"),
        (
            "for: 2 s",
            "for: 2 s\n    measure: held\n    tolerance: 5 %",
            "needs a setpoint",
            "'1 mm'",
        ),
    ],
)
def test_a_wrong_tolerance_is_named_with_its_fix(
    tmp_path: Path, old: str, new: str, what: str, fix: str
) -> None:
    [line] = refused(tmp_path, GOOD.replace(old, new)).splitlines()
    assert "tolerance" in line and what in line and fix in line
