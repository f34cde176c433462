"""Earlier records of a rig: its newest ones are found among any number of others."""

from __future__ import annotations

from pathlib import Path

from hil.bringup import YAML
from ui.dashboard.bringup.records import kept_records
from ui.dashboard.guided import newest_folders


def write(records: Path, day: int, rig: str, passed: int) -> Path:
    folder = records / f"202603{day:02d}-090000-{rig}"
    folder.mkdir()
    steps = "- step: a\n  verdict: pass\n" * passed + "- step: b\n  verdict: fail\n"
    (folder / YAML).write_text(f"profile:\n  name: {rig}\nsteps:\n{steps}", "utf-8")
    return folder


def test_records_of_other_rigs_do_not_push_out_those_of_this_one(tmp_path: Path) -> None:
    mine = [write(tmp_path, 1, "mine", 3), write(tmp_path, 2, "mine", 4)]
    for day in range(3, 29):
        write(tmp_path, day, "other", 1)
    (tmp_path / "20260329-090000-damaged").mkdir()
    kept = kept_records(tmp_path, "mine", 20)
    assert [record.folder for record in kept] == mine[::-1]
    assert [record.holds for record in kept] == ["4 of 20 verified", "3 of 20 verified"]


def test_no_more_folders_are_looked_at_than_are_listed(tmp_path: Path) -> None:
    for day in range(1, 29):
        write(tmp_path, day, "mine", 1)
    looked: list[Path] = []

    def wanted(folder: Path) -> bool:
        looked.append(folder)
        return True

    assert len(newest_folders(tmp_path, wanted, most=5)) == 5
    assert len(looked) == 5
