"""The package of a real rig: no simulation; its vectors come from a session recorded on its wires."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import numpy as np
import pytest

from hil.handover import Evidence, HandoverError, hand_over
from hil.handover.package import law_of
from hil.handover.recorded import RecordingError, check_vectors, recorded_vectors
from hil.profile import Profile, load_profile
from tests.hil.handover.in_package import python_law, ran

RECORDINGS = Path(__file__).parents[1] / "host" / "recordings"


def real(name: str = "footplate_trainer") -> Profile:
    """Return the rig without its simulation, as a real one is described."""
    return load_profile(name).model_copy(update={"simulation": None})


def stated(recording: Path, folder: Path) -> Path:
    """Return a copy in which a person stated the zero, as at a real rig; simulated rigs know it."""
    shutil.copytree(recording, folder)
    lines = (folder / "wire.jsonl").read_text().splitlines()
    at = next(i for i, line in enumerate(lines) if "start_run" in line)
    lines.insert(at, json.dumps({"reference": "confirmed"}))
    (folder / "wire.jsonl").write_text("\n".join(lines) + "\n")
    return folder


@pytest.mark.skipif(not (shutil.which("gcc") and shutil.which("make")), reason="no gcc")
def test_both_laws_answer_as_the_bench_did_on_the_rigs_own_wires(tmp_path: Path) -> None:
    recording = stated(RECORDINGS / "treadle_can", tmp_path / "treadle_can")
    hand_over(real("treadle_can"), tmp_path / "law", evidence=Evidence(recording=recording))
    package = tmp_path / "law"
    assert [path.name for path in (package / "vectors").iterdir()] == ["recorded.csv"]
    data = json.loads((package / "law.json").read_text())
    assert data["simulated"] is False
    assert data["sources"]["vectors"] == "recorded wires of treadle_can"
    assert data["drive"]["identity"] == "treadle board"
    assert "simulated rig" not in (package / "README.md").read_text().split("|")[0]
    law = python_law(package)
    inputs, expected = law.read_vectors(package / "vectors" / "recorded.csv")
    assert len(inputs) > 1000 and inputs[:, law.INPUTS.index("closed")].sum() > 100
    assert np.ptp(expected[:, law.OUTPUTS.index("torque_N_m")]) > 0.05
    off = law.worst(law.run(law.build(data["objects"]), inputs), expected)
    assert max(off.values()) <= 1e-9, off
    done = ran("make", "CC=gcc", "check", cwd=package / "c")
    assert done.returncode == 0, done.stdout + done.stderr


def test_a_recording_that_does_not_fit_is_one_line_with_a_fix(tmp_path: Path) -> None:
    board = real("treadle_can")
    wrong = {
        "no recording": (board, tmp_path, "written by --log-wire"),
        "zero never stated": (board, RECORDINGS / "treadle_can", "is closed in 0 cycles.*Fix"),
    }
    for name, (profile, recording, words) in wrong.items():
        with pytest.raises(HandoverError, match=f"{recording}.*({words})") as found:
            hand_over(profile, tmp_path / "law", evidence=Evidence(recording=recording))
        assert "\n" not in str(found.value), name
    assert not (tmp_path / "law").exists()
    with pytest.raises(HandoverError, match=r"Fix: name a session of the rig.*--recording"):
        hand_over(real(), tmp_path / "law")


def test_a_session_that_the_law_does_not_answer_is_refused(tmp_path: Path) -> None:
    profile, recording = load_profile("treadle_can"), RECORDINGS / "treadle_can"
    vectors, _ = recorded_vectors(profile, recording)
    slower = profile.control.model_copy(update={"force_bandwidth": 15.0})
    law, _ = law_of(profile.model_copy(update={"control": slower}))
    with pytest.raises(RecordingError, match=r"from cycle \d+ on \w+ differs from the law's.*Fix"):
        check_vectors(law, vectors, recording)
    check_vectors(law_of(profile)[0], vectors, recording)
