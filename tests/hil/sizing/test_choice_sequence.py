"""The first session of a sized profile runs on it in lockstep, for any requirements."""

from __future__ import annotations

from hil.analysis import measure
from hil.bench.lockstep import LockstepBench
from hil.procedures.lockstep_runner import LockstepRunner
from hil.profile import load_profile
from hil.recorder.runs import load_run
from hil.recorder.writer import RunWriter
from hil.sequences import load_sequence, perform
from hil.sizing import (
    load_parts,
    load_requirements,
    profile_text,
    sequence_beside,
    sequence_text,
    size,
)
from hil.sizing.requirements import FOLDER

CHANGES = {
    "stroke: 55 mm": "stroke: 30 mm",
    "level_position: 27.5 mm": "level_position: 15 mm",
    "weights: [2.5 kg, 5 kg, 7.5 kg]": "weights: [1 kg, 2 kg]",
}


def test_it_runs_on_the_profile_that_is_written(tmp_path):
    text = (FOLDER / "footplate.yaml").read_text()
    for before, after in CHANGES.items():
        assert before in text
        text = text.replace(before, after)
    required = tmp_path / "requirements.yaml"
    required.write_text(text)
    choice = size(load_requirements(required), load_parts("parts"))[0].choice
    file = tmp_path / "sized.yaml"
    file.write_text(profile_text(choice))
    sequence_beside(file).write_text(sequence_text(choice))
    profile, sequence = load_profile(file), load_sequence(sequence_beside(file))
    with RunWriter(tmp_path / "runs", "demo", {}) as writer:
        ended = LockstepRunner(LockstepBench(profile, 3), writer).run(perform(sequence, profile))
    assert ended.how == "finished", ended
    assert writer.path is not None
    run = load_run(writer.path)
    found = measure(run, sequence.figures)
    assert found.missing == []
    floating = next(figure for figure in found.figures if figure.name == "floating weight")
    assert abs(floating.values["mean_N"] / floating.values["setpoint_N"] - 1) < 0.05
