"""Loops, ramps, waits, parameters and nested files: their meaning, and errors in them."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from drivers.base import PowerStage
from drivers.simulated import Lateness
from hil.bench import LockstepBench
from hil.core import INDEX, BehaviourCode, HoldPosition, Sample, Waveform
from hil.procedures import Ended, LockstepRunner
from hil.profile import ProfileError, load_profile
from hil.sequences import load_sequence, perform, reading

Row = Sample
WHOLE = """\
name: ladder
parameters:
  height: {value: 12 mm, from: 5 mm, to: 40 mm}
  rounds: {value: 2, from: 1, to: 5}
steps:
  - power_on
  - do: repeat
    times: {parameter: rounds}
    steps:
      - do: hold_position
        position: {parameter: height}
        speed: 40 mm/s
        for: 0.3 s
      - do: wait_until
        measured: output_position
        above: 11 mm
        holds: 50 ms
        at_most: 2 s
      - do: sequence
        file: soft.yaml
        with: {stiffness: 15 N/mm}
  - power_off
"""
SOFT = """\
name: soft
parameters:
  stiffness: {value: 10 N/mm, from: 5 N/mm, to: 20 N/mm}
steps:
  - {do: ramp, of: rest, from: 12 mm, to: 10 mm, stiffness: {parameter: stiffness},
     load_may_move: true, for: 0.4 s}
"""


def written(tmp_path: Path, whole: str = WHOLE, soft: str = SOFT) -> Path:
    (tmp_path / "soft.yaml").write_text(soft)
    file = tmp_path / "ladder.yaml"
    file.write_text(whole)
    return file


def performed(file: Path, lateness: Lateness | None = None) -> tuple[Ended, list[Row]]:
    profile = load_profile("footplate_trainer")
    bench = LockstepBench(profile, 1, lateness)
    rows: list[Row] = []
    step = bench.step

    def kept() -> Row:
        rows.append(step())
        return rows[-1]

    bench.step = kept  # type: ignore[method-assign]
    return LockstepRunner(bench).run(perform(load_sequence(file), profile)), rows


def test_a_sequence_is_written_out_with_its_values(tmp_path: Path) -> None:
    sequence = load_sequence(written(tmp_path), {"height": "20 mm", "rounds": 3})
    assert [step.do for step in sequence.steps] == [
        "power_on",
        *(["hold_position", "wait_until", "ramp"] * 3),
        "power_off",
    ]
    assert sequence.steps[1].behaviour() == HoldPosition(position_m=0.020, speed_m_s=0.040)
    ramp = sequence.steps[3].behaviour()
    assert isinstance(ramp, Waveform)
    assert ramp.points == ((0.0, 0.012), (0.4, 0.010)) and ramp.stiffness_N_m == 15e3
    assert sequence.longest_wait_s == 6.0
    assert sequence.seconds == pytest.approx(3 * 0.7)


def test_figures_of_a_loop_are_told_apart(tmp_path: Path) -> None:
    text = WHOLE.replace("for: 0.3 s", "for: 2 s\n        measure: held")
    assert load_sequence(written(tmp_path, text)).figures == [
        ("hold", "held (1)"),
        ("hold", "held (2)"),
    ]


# Old text, new text, file and text of the reported line, key, what, fix.
MISTAKES = [
    ("{parameter: height}", "{parameter: hight}", "ladder", "hight", "no parameter", "'height'"),
    ("value: 12 mm", "value: 42 mm", "ladder", "42 mm", "outside its range", "'5 mm' to '40 mm'"),
    ("from: 5 mm", "from: 5 N", "ladder", "5 N", "not a length", "unit of its 'value'"),
    ("from: 1,", "form: 1,", "ladder", "form: 1", "unknown key", "'from'"),
    ("value: 2,", "value: 2.5,", "ladder", "value: 2.5", "not a quantity", "'20 N'"),
    ("with: {stiffness", "with: {stifness", "ladder", "stifness", "no parameter", "'stiffness'"),
    ("15 N/mm", "25 N/mm", "ladder", "25 N/mm", "outside its range", "'5 N/mm' to '20 N/mm'"),
    ("file: soft.yaml", "file: sft.yaml", "ladder", "sft.yaml", "no file", "directory"),
    ("file: soft.yaml", "file: ladder.yaml", "ladder", "file: ladder", "includes itself", "out"),
    ("at_most: 2 s", "at_mst: 2 s", "ladder", "at_mst", "unknown key", "at_most"),
    ("above: 11 mm", "above: 11 N", "ladder", "11 N", "not a length", "'20 mm'"),
    ("        above: 11 mm\n", "", "ladder", "- do: wait_until", "no condition", "above"),
    ("above: 11 mm", "above: 9 mm\n        below: 8 mm", "ladder", "9 mm", "no value", "smaller"),
    ("holds: 50 ms", "holds: 3 s", "ladder", "holds: 3", "hold for so long", "at_most"),
    ("measured: output_position", "measured: place", "ladder", "place", "", "output_position"),
    ("{parameter: rounds}", "20000", "ladder", "20000", "10000", ""),
    ("{parameter: rounds}", "2000", "ladder", "do: repeat", "more than 5000 steps", "repeat less"),
    ("of: rest", "of: force", "soft", "do: ramp", "not a force", "'20 N'"),
    ("{parameter: stiffness}", "{parameter: height}", "soft", "height", "no parameter", ""),
]


@pytest.mark.parametrize(("old", "new", "file", "part", "what", "fix"), MISTAKES)
def test_each_mistake_is_named_with_file_line_and_fix(
    tmp_path: Path, old: str, new: str, file: str, part: str, what: str, fix: str
) -> None:
    texts = {"ladder": WHOLE, "soft": SOFT}
    place = "ladder" if old in WHOLE else "soft"
    assert old in texts[place]
    texts[place] = texts[place].replace(old, new)
    with pytest.raises(ProfileError) as caught:
        load_sequence(written(tmp_path, texts["ladder"], texts["soft"]))
    line = texts[file][: texts[file].index(part)].count("\n") + 1
    lines = str(caught.value).splitlines()
    found = [one for one in lines if f"{file}.yaml:{line}: " in one and what in one and fix in one]
    assert found, lines
    assert len(set(lines)) == len(lines)


@pytest.mark.parametrize(
    ("given", "what", "fix"),
    [
        ({"height": "60 mm"}, "outside its range", "'5 mm' to '40 mm'"),
        ({"height": "3 N"}, "not a length", "'5 mm' to '40 mm'"),
        ({"rounds": "2 s"}, "not a whole number", "'1' to '5'"),
        ({"hight": "20 mm"}, "no parameter", "did you mean 'height'"),
    ],
)
def test_a_value_that_is_given_wrongly_is_named(
    tmp_path: Path, given: dict[str, object], what: str, fix: str
) -> None:
    with pytest.raises(ProfileError) as caught:
        load_sequence(written(tmp_path), given)
    assert what in str(caught.value) and fix in str(caught.value)


def test_files_that_take_each_other_in_are_refused_with_their_way(tmp_path: Path) -> None:
    soft = "name: soft\nsteps:\n  - {do: sequence, file: ladder.yaml}\n"
    text = WHOLE.replace("        with: {stiffness: 15 N/mm}\n", "")
    with pytest.raises(ProfileError) as caught:
        load_sequence(written(tmp_path, text, soft))
    assert "soft.yaml:3" in str(caught.value)
    assert "ladder.yaml → soft.yaml → ladder.yaml" in str(caught.value)


@pytest.mark.parametrize("wrong", [False, True])
def test_files_that_multiply_are_bounded(
    tmp_path: Path, wrong: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(reading, "MOST_STEPS", 100)
    monkeypatch.setattr(reading, "MOST_READ", 200)
    for n in range(7):
        inner = f"  - {{do: sequence, file: f{n + 1}.yaml}}\n" * 4
        (tmp_path / f"f{n}.yaml").write_text(f"name: f{n}\nsteps:\n{inner}")
    leaf = "float" if wrong else "tare"
    (tmp_path / "f7.yaml").write_text(f"name: f7\nsteps:\n  - {leaf}\n")
    with pytest.raises(ProfileError, match="more than 100 steps"):
        load_sequence(tmp_path / "f0.yaml")


def test_files_within_files_are_bounded_in_depth(tmp_path: Path) -> None:
    for n in range(9):
        inner = f"{{do: sequence, file: f{n + 1}.yaml}}"
        (tmp_path / f"f{n}.yaml").write_text(f"name: f{n}\nsteps:\n  - {inner}\n")
    (tmp_path / "f9.yaml").write_text("name: f9\nsteps:\n  - tare\n")
    with pytest.raises(ProfileError, match=r"f7.yaml:3: .*files nested more than 8 deep"):
        load_sequence(tmp_path / "f0.yaml")
    assert len(load_sequence(tmp_path / "f2.yaml").steps) == 1


@pytest.mark.parametrize("lateness", [None, Lateness(share=0.2, up_to_s=0.002)])
def test_a_composed_sequence_is_performed(tmp_path: Path, lateness: Lateness | None) -> None:
    ended, rows = performed(written(tmp_path), lateness)
    assert ended.how == "finished", ended.text
    columns = np.array(rows)
    rest, position = (columns[:, INDEX[name]] for name in ("rest_position_m", "output_position_m"))
    behaviour = columns[:, INDEX["behaviour"]]
    waves = np.flatnonzero(np.diff(behaviour == BehaviourCode.WAVEFORM) > 0)
    assert len(waves) == 4  # two ramps, each with beginning and end
    for begin, end in waves.reshape(2, 2):
        assert position[begin] > 0.011  # by the wait before the ramp
        ramp = rest[begin + 1 : end + 1]
        assert ramp[0] == pytest.approx(0.012, abs=1e-4)
        assert ramp[-1] == pytest.approx(0.010, abs=1e-4)
        assert np.all(np.diff(ramp) <= 1e-12)


def test_what_does_not_come_in_time_fails_with_the_last_value(tmp_path: Path) -> None:
    text = WHOLE.replace("above: 11 mm", "above: 30 mm").replace("at_most: 2 s", "at_most: 0.3 s")
    ended, rows = performed(written(tmp_path, text))
    assert ended.how == "failed"
    assert "output position above 30 mm for 0.05 s was not reached within 0.3 s" in ended.text
    assert rows[-1][INDEX["power_stage"]] == PowerStage.OFF
