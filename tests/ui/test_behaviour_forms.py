"""Forms of behaviours: ranges from the profile, accepted input, and the resulting request."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from hil.control.behaviours import check_behaviour
from hil.control.force_design import design
from hil.core.requests import ConstantForce, Float, HoldPosition, VirtualSpring, Waveform
from hil.profile.loader import load_profile
from ui.dashboard.bench.behaviour_forms import EntryError, Field, behaviour_forms, read_table

PROFILE = load_profile("footplate_trainer")
GAINS = design(PROFILE, 0.001, 0.001)


@pytest.fixture
def forms():
    return behaviour_forms(PROFILE)


def test_every_behaviour_as_offered_is_one_the_bench_takes(forms):
    kinds = []
    for form in forms:
        behaviour = form.build()
        checked = check_behaviour(behaviour, PROFILE, GAINS)
        assert checked.refusal is None and checked.limited_mask == 0, form.name
        kinds.append(type(behaviour))
    assert kinds == [Float, ConstantForce, VirtualSpring, HoldPosition, Waveform]


def test_ranges_come_from_limits_and_calibration(forms):
    force = forms[1].entry("force")
    assert (force.low, force.high) == (-580.0, 580.0)
    stiffness = forms[2].entry("stiffness")
    assert stiffness.bound == pytest.approx(0.98 * 120e3)
    assert stiffness.high > stiffness.bound
    assert stiffness.bound_text == "limited to 118"
    rest = forms[2].entry("rest")
    assert (rest.low, rest.high) == (0.002, 0.053)
    assert forms[3].entry("speed").high == PROFILE.limits.speed.limited


def test_beyond_the_hatched_bound_the_bench_trims(forms):
    spring = forms[2]
    stiffness = spring.entry("stiffness")
    stiffness.value = stiffness.bound * 1.001
    assert check_behaviour(spring.build(), PROFILE, GAINS).limited_mask
    stiffness.value = stiffness.bound * 0.999
    assert not check_behaviour(spring.build(), PROFILE, GAINS).limited_mask


FIELD = Field("x", "Rest position", "mm", 1e3, 0.002, 0.053, 0.01, 0.0005, 1)


@pytest.mark.parametrize(
    "text, value", [("27", 0.027), ("27,5", 0.0275), (" 3.0 mm", 0.003), ("53", 0.053)]
)
def test_what_people_type_is_read(text, value):
    assert FIELD.parse(text) == pytest.approx(value)


@pytest.mark.parametrize("text", ["", "mm", "1e", "nan", "inf", "1.9", "53.1", "−5", "2 7"])
def test_what_cannot_be_used_is_said_with_the_range_or_the_text(text):
    with pytest.raises(EntryError, match=r"Rest position: (2\.0 to 53\.0 mm|'.*' is not a number)"):
        FIELD.parse(text)


@given(st.floats(0.002, 0.053))
def test_what_is_shown_can_be_typed_back(value):
    assert FIELD.parse(FIELD.shown(value)) == pytest.approx(value, abs=0.0000501)


@given(st.floats(-1e3, 1e3))
def test_steps_never_leave_the_range(steps):
    field = Field("x", "X", "mm", 1e3, 0.002, 0.053, 0.01, 0.0005, 1)
    field.nudge(steps)
    assert field.low <= field.value <= field.high


def test_a_waveform_shows_only_what_matters(forms):
    wave = forms[4]
    assert [f.key for f in wave.visible()] == [
        "offset_force",
        "amplitude_force",
        "frequency",
        "duration",
        "damping",
    ]
    wave.choices[0].value = "sweep"
    wave.choices[1].value = "rest"
    assert [f.key for f in wave.visible()] == [
        "offset_rest",
        "amplitude_rest",
        "frequency",
        "end_frequency",
        "duration",
        "stiffness",
        "damping",
    ]
    built = wave.build()
    assert (built.shape, built.of) == ("sweep", "rest")
    assert built.offset == wave["offset_rest"]


def test_a_file_waveform(forms, tmp_path):
    file = tmp_path / "steps.csv"
    file.write_text("time_s, position_mm\n# note\n0, 20\n1.5; 25\n3 20\n")
    wave = forms[4]
    wave.choices[0].value = "table"
    wave.choices[1].value = "rest"
    wave.path = str(file)
    built = wave.build()
    assert built.points == ((0.0, 0.02), (1.5, 0.025), (3.0, 0.02))
    assert built.duration_s == 3.0


@pytest.mark.parametrize(
    "text, told",
    [
        ("0 1\n0 2\n", "line 2: time must increase"),
        ("0 1\n1 b\n", "line 2: two numbers expected"),
        ("0 1 2\n", "line 1: two numbers expected"),
        ("0 1\n1 nan\n", "line 2: not a finite number"),
        ("0 1\n", "at least two lines"),
        ("", "at least two lines"),
        ("\n".join(f"{i} 0" for i in range(4001)), "4001 points; at most 2000 fit. Keep one in 3"),
    ],
)
def test_a_bad_file_is_reported_by_its_line(tmp_path, text, told):
    file = tmp_path / "bad.csv"
    file.write_text(text)
    with pytest.raises(EntryError, match=told):
        read_table(str(file), 1.0)


def test_a_missing_or_binary_file_is_reported(tmp_path):
    with pytest.raises(EntryError, match="No such file"):
        read_table(str(tmp_path / "none.csv"), 1.0)
    with pytest.raises(EntryError, match="enter the path"):
        read_table("  ", 1.0)
    (tmp_path / "b").write_bytes(b"\xff\xfe\x00\x80")
    with pytest.raises(EntryError, match="not a text file"):
        read_table(str(tmp_path / "b"), 1.0)


def test_a_form_shows_what_acts_within_its_own_range(forms):
    form = forms[2]
    acting = VirtualSpring(rest_m=0.03, stiffness_N_m=4e4, damping_N_s_m=50.0, bias_N=1e5)
    form.show(acting.model_dump())
    assert (form["stiffness"], form["rest"], form["damping"]) == (4e4, 0.03, 50.0)
    assert form["bias"] == form.entry("bias").high
