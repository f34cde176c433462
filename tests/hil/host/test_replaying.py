"""Recorded wires played to the bench give the samples that were recorded with them.

``recordings/PROFILE`` holds a short run of a live bench: ``hookeline perform brief.yaml --profile
PROFILE --log-wire`` (power on, hold a position for a moment, power off), its ``bus.log`` compressed
and some columns of its samples. Record it again after a change in the requests to a drive at
opening, or in the number of clock readings.
"""

from __future__ import annotations

import gzip
import json
import shutil
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from drivers.base import DriverError
from hil.control import reduced_profile
from hil.core import SessionCap, State
from hil.host import replaying
from hil.host.replaying import replay
from hil.profile.loader import load_profile
from hil.recorder.runs import load_run

RECORDINGS = Path(__file__).parent / "recordings"
# Decoded from the wire, independent of the bench's own estimates.
DECODED = (
    "deflection_counts",
    "measured_torque_N_m",
    "supply_V",
    "drive_temperature_degC",
    "power_stage",
    "fault_code",
    "status_word",
)


@pytest.mark.parametrize("name", ["footplate_trainer", "treadle_can", "treadle_frames"])
def test_the_same_samples_come_again(name: str, tmp_path: Path) -> None:
    profile = load_profile(name)
    recorded = np.load(RECORDINGS / name / "samples.npz")
    run = load_run(replay(profile, RECORDINGS / name, tmp_path, "again", "test"))
    cycles = run.column("cycle")
    at = np.searchsorted(cycles, recorded["cycle"])
    assert np.array_equal(cycles[at], recorded["cycle"])
    assert {*DECODED, "nut_position_m", "state"} <= set(recorded.files)
    for column in recorded.files:
        assert np.array_equal(run.column(column)[at], recorded[column], equal_nan=True), column
    # The recording contains motion.
    assert set(np.unique(recorded["state"])) >= {0, 1, 2}
    assert np.ptp(recorded["deflection_counts"]) > 3
    assert np.ptp(recorded["nut_position_m"]) > 0.0015
    asked = [e["kind"] for e in run.events]
    assert "marker" in asked or "state" in asked


def test_without_its_times_a_recording_of_several_devices_is_still_played(tmp_path: Path) -> None:
    folder = tmp_path / "recorded"
    shutil.copytree(RECORDINGS / "treadle_frames", folder)
    lines = [json.loads(line) for line in (folder / "wire.jsonl").read_text().splitlines()]
    for line in lines:
        if "cycles" in line:
            del line["now"], line["received"]
    (folder / "wire.jsonl").write_text("\n".join(map(json.dumps, lines)) + "\n")
    recorded = np.load(folder / "samples.npz")
    run = load_run(replay(load_profile("treadle_frames"), folder, tmp_path, "again", "test"))
    at = np.searchsorted(run.column("cycle"), recorded["cycle"])
    same = [
        np.array_equal(run.column(column)[at], recorded[column], equal_nan=True)
        for column in (*DECODED, "nut_position_m")
    ]
    # Only the column that depends on matched times differs without them.
    assert same == [True] * len(DECODED) + [False]


def test_a_cycle_that_read_twice_does_so_again(tmp_path: Path) -> None:
    """A drive that was held up reads twice; both readings belong to one sample."""
    folder = tmp_path / "recorded"
    shutil.copytree(RECORDINGS / "treadle_frames", folder)
    lines = [json.loads(line) for line in (folder / "wire.jsonl").read_text().splitlines()]
    line = next(line for line in lines if len(line.get("cycles", ())) > 100)
    # Merge two cycles into one, whose second reading is that of the second cycle.
    line["cycles"][50][0] = 0
    (folder / "wire.jsonl").write_text("\n".join(map(json.dumps, lines)) + "\n")
    recorded = np.load(folder / "samples.npz")
    run = load_run(replay(load_profile("treadle_frames"), folder, tmp_path, "again", "test"))
    at = np.searchsorted(run.column("cycle"), recorded["cycle"][-200:] - 1)
    # One cycle less; later readings keep their place.
    for column in ("deflection_counts", "measured_torque_N_m"):
        assert np.array_equal(run.column(column)[at], recorded[column][-200:]), column


def test_after_an_answer_that_came_late_samples_are_as_young_as_they_were(tmp_path: Path) -> None:
    """A late answer is read before the next request, and that request's answers after it."""
    source, folder = RECORDINGS / "footplate_trainer", tmp_path / "recorded"
    shutil.copytree(source, folder)
    log = gzip.decompress((folder / "bus.log.gz").read_bytes()).decode().splitlines()
    index = [json.loads(line) for line in (folder / "wire.jsonl").read_text().splitlines()]
    cycles = [cycle for line in index for cycle in line.get("cycles", ())]
    late = next(n for n in range(300, 400) if cycles[n][1] == 4 == cycles[n + 1][1])
    begin = sum(count for _, count in cycles[:late])
    sync, first, second, command = log[begin : begin + 4]
    assert sync.endswith("T") and second.endswith("R") and command.endswith("T")
    log[begin : begin + 4] = [sync, command, first, second]  # read by the next cycle
    cycles[late][1], cycles[late + 1][1] = 2, 6
    (folder / "bus.log.gz").write_bytes(gzip.compress("\n".join([*log, ""]).encode()))
    (folder / "wire.jsonl").write_text("\n".join(map(json.dumps, index)) + "\n")
    profile = load_profile("footplate_trainer")
    punctual, held_up = (
        load_run(replay(profile, played, tmp_path, "again", "test")).column("telemetry_age_s")
        for played in (source, folder)
    )
    assert 1 <= np.count_nonzero(held_up != punctual) <= 2
    assert np.max(held_up) > 1.05e-3 > 2 * np.median(held_up)


def test_another_profile_is_refused(tmp_path: Path) -> None:
    with pytest.raises(DriverError):
        replay(
            load_profile("footplate_trainer"), RECORDINGS / "treadle_can", tmp_path, "no", "test"
        )


def test_what_the_host_began_with_is_begun_with_again(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Reduced limits of an unverified rig, and the zero of the session before."""
    kept_m = 0.0125
    folder = tmp_path / "recorded"
    shutil.copytree(RECORDINGS / "treadle_can", folder)
    cap = SessionCap(force_N=20.0)
    notes = [{"reduced": True}, {"kept_offset_m": kept_m}]
    notes.append({"session_cap": cap.model_dump(mode="json")})
    lines = (folder / "wire.jsonl").read_text().splitlines()
    first = json.loads(lines[1])  # frames received at opening, then the first cycle
    parts = ({k: v[:2] for k, v in first.items()}, {k: v[2:] for k, v in first.items()})
    begins = [lines[0], json.dumps(parts[0]), *map(json.dumps, notes), json.dumps(parts[1])]
    (folder / "wire.jsonl").write_text("\n".join([*begins, *lines[2:]]) + "\n")
    benches = []

    class Watched(replaying.Replayed):
        def __init__(self, *given: Any) -> None:
            super().__init__(*given)
            benches.append(self.bench)

    monkeypatch.setattr(replaying, "Replayed", Watched)
    profile = load_profile("treadle_can").model_copy(update={"simulation": None})
    run = load_run(replay(profile, folder, tmp_path, "again", "test"))
    (bench,) = benches
    assert bench.reduced and bench.wide.limits == reduced_profile(profile).limits
    assert bench.cap == cap and bench.profile.limits.force.limited == 20.0
    [changed] = run.meta["session_cap_changes"]
    assert changed["cap"] == {"force_N": 20.0} and changed["cycle"] == 0  # before the first cycle
    assert bench.reference == "kept" and bench.nut_offset_m == kept_m
    assert [e["how"] for e in run.events if e["kind"] == "reference"] == ["kept"]
    # On a guess the loop stays open, so the recorded behaviour is refused now.
    assert any("kept from the last session" in e.get("text", "") for e in run.events)
    assert 2 not in set(run.column("state"))


@pytest.mark.parametrize(
    ("note", "stopped"),
    [
        ({"stopped": 40, "detail": "it was late"}, 701),
        ({"request": {"kind": "stop", "cause": "it was late"}}, 701),
        # It arrived before that cycle's command was computed.
        ({"request": {"kind": "stop", "cause": "it was late"}, "early": True}, 700),
    ],
)
def test_a_stop_from_outside_comes_again(
    tmp_path: Path, note: dict[str, Any], stopped: int
) -> None:
    """A recorded stop from outside stops the replayed bench in the same cycle."""
    folder = tmp_path / "recorded"
    folder.mkdir()
    source = RECORDINGS / "treadle_can"
    (folder / "bus.log.gz").write_bytes((source / "bus.log.gz").read_bytes())
    lines, total = [], 0
    for line in (source / "wire.jsonl").read_text().splitlines():
        data = json.loads(line)
        kept = data.get("cycles", [])
        if total <= 700 < total + len(kept):
            cut = 701 - total
            lines.append(json.dumps({"cycles": kept[:cut]}))
            lines.append(json.dumps(note))
            lines.append(json.dumps({"cycles": kept[cut:]}))
        else:
            lines.append(line)
        total += len(kept)
    (folder / "wire.jsonl").write_text("\n".join(lines) + "\n")
    profile = load_profile("treadle_can")
    run = load_run(replay(profile, folder / "bus.log", tmp_path, "again", "test"))
    stops = [event for event in run.events if event["kind"] == "stop"]
    assert "it was late" in stops[0]["detail"]
    state = run.column("state")
    assert int(run.column("cycle")[np.flatnonzero(state == State.STOPPED)[0]]) == stopped
