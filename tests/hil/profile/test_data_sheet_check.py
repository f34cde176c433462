"""A profile is refused if it requires what the drive's data sheet (EDS) lacks."""

from __future__ import annotations

import re
import shutil

import pytest

from hil.profile import SHIPPED, examine_profile


@pytest.fixture
def folder(tmp_path):
    copied = tmp_path / "mine"
    shutil.copytree(SHIPPED, copied)
    return copied


def change(folder, *replacements, sheet=True):
    file = folder / "drives" / ("bench_cia402.eds" if sheet else "bench_cia402.yaml")
    text = file.read_text()
    for old, new in replacements:
        assert re.search(old, text), old
        text = re.sub(old, new, text)
    file.write_text(text)


def problems(folder):
    return examine_profile(folder / "footplate_trainer.yaml").errors


def test_the_shipped_sheet_has_all_that_the_profile_asks_for(folder):
    assert not problems(folder)


def test_a_sheet_that_lacks_inputs_and_the_watch_is_refused_with_line_object_and_nearest(folder):
    # A foreign board: other objects for inputs and temperature, and no consumed heartbeat.
    change(folder, (r"\[6401", "[2401"), (r"\[2010", "[2205"), (r"\[1016", "[5016"))
    found = {problem.key: problem for problem in problems(folder)}
    texts = "\n".join(str(problem) for problem in problems(folder))
    assert "has no 0x6401:01" in texts and "has no 0x6401:02" in texts
    assert "has no 0x2010" in texts
    assert "has no 0x1016:01 consumer heartbeat time" in texts and "dead host" in texts
    assert re.search(r"drive\.deflection_object: it has 0x2401:01 .*\(INTEGER16\)", texts)
    assert re.search(r"drive\.temperature_object or write null: it has 0x2205 Drive temp", texts)
    # A key in the profile is reported at its own line, an absent key at the line of the sheet.
    lines = (folder / "drives" / "bench_cia402.yaml").read_text().splitlines()
    assert lines[found["drive.spare_object"].line - 1].startswith("spare_object")
    assert lines[found["drive.eds"].line - 1].startswith("eds")


def test_what_the_sheet_offers_instead_is_taken(folder):
    change(folder, (r"\[6401", "[2401"), (r"\[2010", "[2205"))
    other = "deflection_object: {index: 0x2401, subindex: 1}\n"
    other += "temperature_object: {index: 0x2205, scale: 0.1}\n"
    change(folder, (r"spare_object: .*", other), sheet=False)
    assert not problems(folder)


@pytest.mark.parametrize(
    "old, new, expected",
    [
        (
            r"(?s)(\[6071\].*?)PDOMapping=1",
            r"\1PDOMapping=0",
            "does not allow 0x6071 target torque",
        ),
        (r"(?s)(\[6077\].*?)0x0003", r"\1 0x0004", "0x6077 torque actual value with 32 bits"),
        (
            r"(?s)(\[6040\].*?)AccessType=rw\w*",
            r"\1AccessType=ro",
            "0x6040 controlword to be written",
        ),
        (r"\[1802", "[5802", "3 transmit PDOs, 4 are needed"),
        (r"(?s)(\[1A00sub0\].*?)AccessType=rw\w*", r"\1AccessType=const", "not allow 0x1a00"),
        (r"\[6007", "[5007", "0x6007 abort connection option code"),
        (r"\[605A", "[505A", "0x605a quick stop option code"),
        (r"\[6076", "[5076", "0x6076 motor rated torque"),
        (r"(?s)(\[6502\].*?DefaultValue=)\S+", r"\g<1>0x180", "no cyclic synchronous torque mode"),
    ],
)
def test_each_ability_that_is_missing_is_named(folder, old, new, expected):
    change(folder, (old, new))
    assert any(expected in problem.what for problem in problems(folder)), problems(folder)


def test_a_file_that_is_no_sheet_is_refused_at_its_line(folder):
    (folder / "drives" / "bench_cia402.eds").write_text("no sheet at all")
    (found,) = problems(folder)
    assert found.key == "drive.eds" and found.line > 0 and "bench_cia402.eds" in found.what


def test_a_drive_that_consumes_no_heartbeat_may_have_another_watch_and_none_is_refused(folder):
    change(folder, (r"\[1016", "[5016"))
    (found,) = problems(folder)
    assert "dead host" in found.what and "write watch: rpdo_timer" in found.fix
    change(folder, ("protocol: cia402", "protocol: cia402\nwatch: rpdo_timer"), sheet=False)
    assert not problems(folder)
    change(folder, (r"\[1400sub5", "[1400sub4"))
    (found,) = problems(folder)
    assert found.key == "drive.watch" and "0x1400:05" in found.what
