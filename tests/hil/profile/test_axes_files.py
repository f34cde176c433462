"""Axes files: their contents, and profiles that cannot run together."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from hil.profile import ProfileError, find_axes, is_axes_file, load_axes, shipped_axes

HEEL = "based_on: footplate_trainer.yaml\nname: heel\ncontrol: {rate: 600 Hz}\n"
TOE = HEEL.replace("heel", "toe") + "drive: {node: 6, host_node: 126}\n"
BOARD = "based_on: treadle_can.yaml\nname: board\ncontrol: {rate: 600 Hz}\n"
LINES = "based_on: treadle_lines.yaml\nname: lines\n"


def written(tmp_path: Path, axes: str = "heel: heel.yaml\n  toe: toe.yaml", **files: str) -> Path:
    for name, text in ({"heel": HEEL, "toe": TOE} | files).items():
        (tmp_path / f"{name}.yaml").write_text(text)
    file = tmp_path / "both.yaml"
    file.write_text(f"name: both\naxes:\n  {axes}\n")
    return file


def refusal(file: Path) -> str:
    with pytest.raises(ProfileError) as caught:
        load_axes(file)
    return str(caught.value)


def test_the_shipped_axes_share_one_bus_and_one_rate() -> None:
    axes = load_axes("two_axes")
    assert shipped_axes() == ["two_axes"]
    assert list(axes.profiles) == ["heel", "toe"] and axes.simulated
    assert axes.rate_Hz == 600.0
    assert axes.buses() == {"heel": "heel", "toe": "heel"}
    heel, toe = axes.profiles.values()
    assert heel.limits.force != toe.limits.force and heel.calibration != toe.calibration


def test_a_profile_is_no_axes_file(tmp_path: Path) -> None:
    file = written(tmp_path)
    assert is_axes_file(file) and find_axes(tmp_path / "heel.yaml") is None
    assert not is_axes_file("footplate_trainer") and not is_axes_file("heel")
    assert "no axes file" in refusal(tmp_path / "heel.yaml")
    with pytest.raises(ProfileError, match="did you mean 'two_axes'"):
        load_axes("two_axs")


@pytest.mark.parametrize(
    ("toe", "text"),
    [
        (TOE.replace("600", "500"), r"the rates 600 Hz and 500 Hz of 'heel' and 'toe'"),
        (TOE.replace("node: 6", "node: 5"), "both use node 5 of local_socket can.sock"),
        (TOE.replace("126", "127"), r"both use node 127 .*change drive\.host_node of 'toe'"),
        ("based_on: rotary_joint.yaml\nname: toe\ncontrol: {rate: 600 Hz}\n", "the motions"),
        (BOARD + "drive: {host_loss: 1 ms}\n", "host_loss"),
    ],
)
def test_what_two_profiles_cannot_do_together_is_named(tmp_path: Path, toe: str, text: str) -> None:
    found = refusal(written(tmp_path, toe=toe))
    assert re.search(text, found), found


def test_more_than_the_bus_carries_is_refused(tmp_path: Path) -> None:
    file = written(tmp_path, heel=HEEL.replace("600", "1000"), toe=TOE.replace("600", "1000"))
    found = refusal(file)
    assert "of local_socket can.sock are used at worst by heel, toe together" in found
    assert "both.yaml:2" in found


def test_boards_of_one_database_collide_by_their_messages(tmp_path: Path) -> None:
    found = refusal(written(tmp_path, heel=BOARD, toe=BOARD))
    assert "both use identifier 0x" in found and "drive.messages." in found


def test_a_serial_port_is_not_shared(tmp_path: Path) -> None:
    found = refusal(written(tmp_path, heel=LINES, toe=LINES.replace("name: lines", "name: l2")))
    assert "connect 'toe' to a port of its own, see drive.port" in found


@pytest.mark.parametrize(
    ("axes", "text"),
    [
        ("heel: heel.yaml", "1 axes; name 2 to 8"),
        ("Heel side: heel.yaml\n  toe: toe.yaml", "'Heel side' cannot name an axis"),
        ("heel: heel.yaml\n  toe: other.yaml", "no file 'other.yaml'"),
        ("heel: heel.yaml\n  toe: 3", "text"),
    ],
)
def test_a_faulty_axes_file_is_refused_with_its_place(tmp_path: Path, axes: str, text: str) -> None:
    found = refusal(written(tmp_path, axes))
    assert text in found and "both.yaml:" in found


def test_more_than_the_line_of_a_shared_adapter_carries_is_refused(tmp_path: Path) -> None:
    line = "bus: {interface: serial_line, channel: /dev/ttyUSB0, tty_baudrate: 500000}"
    both = {
        name: text.replace("drive: {", f"drive: {{{line}, ")
        for name, text in (("heel", HEEL + "drive: {host_node: 127}\n"), ("toe", TOE))
    }
    found = refusal(written(tmp_path, **both))
    assert "of serial_line /dev/ttyUSB0, lines from the adapter, at 500000 baud" in found
