"""``hookeline check --listen`` and ``--ports``, as commands."""

from __future__ import annotations

import functools
import json
import subprocess
import sys
from typing import Any

import can
import pytest

pytestmark = pytest.mark.real_time


def test_a_simulated_board_is_started_and_heard() -> None:
    words = ("check", "treadle_can", "--listen", "--seconds", "0.5", "--json")
    done = subprocess.run(
        [sys.executable, "-m", "ui.cli", *words], capture_output=True, text=True, timeout=60
    )
    assert done.returncode == 0, done.stderr
    data = json.loads(done.stdout.splitlines()[-1])
    assert data["never_came"] == [] and data["undeclared"] == []
    messages = {entry["name"]: entry for entry in data["declared"]}
    assert set(messages) == {"MOTION", "PROBE", "HEALTH"}
    assert messages["PROBE"]["values"]["deflection"]["unit"] == "counts"
    assert messages["HEALTH"]["values"]["supply"]["value"] == pytest.approx(36, abs=2)
    # The power stage stayed off.
    assert messages["MOTION"]["values"]["status"]["value"] == 0
    assert "ASK" in data["polling"][0]


@pytest.mark.parametrize(
    ("profile", "names"),
    [
        ("treadle_lines", {"state", "health", "done"}),
        ("treadle_frames", {"MOTION", "PROBE", "HEALTH", "sample"}),
    ],
)
def test_serial_boards_and_several_devices_are_heard(
    profile: str, names: set[str], hookeline: Any
) -> None:
    done = hookeline("check", profile, "--listen", "--seconds", "0.6", "--json")
    data = json.loads(done.stdout.splitlines()[-1])
    messages = {entry["name"]: entry for entry in data["declared"]}
    assert set(messages) == names
    # 'done' answers a command, and no command is sent.
    assert data["never_came"] == [name for name in names if name == "done"]
    assert done.returncode == 0, done.stderr
    values = [entry["values"].get("deflection") for entry in messages.values()]
    assert [v["value"] for v in values if v] == [pytest.approx(2048, abs=20)]
    assert all(
        entry["values"].get("status", {"value": 0})["value"] == 0 for entry in messages.values()
    )


def test_what_is_plugged_in_is_listed(hookeline: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    # One kind of bus announces itself every 3 s; the test does not wait for it.
    look = functools.partial(can.detect_available_configs, timeout=0.3)
    monkeypatch.setattr(can, "detect_available_configs", look)
    done = hookeline("check", "--ports", "--json")
    assert done.returncode == 0
    data = json.loads(done.stdout.splitlines()[-1])
    assert set(data) == {"buses", "serial_ports"}
    assert "CAN buses" in done.stderr


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        ((), "name a profile"),
        (("treadle_can", "--seconds", "3"), "--listen"),
        (("treadle_can", "--listen", "--seconds", "-1"), "--seconds"),
    ],
)
def test_wrong_use_is_reported_in_a_line(
    arguments: tuple[str, ...], words: str, hookeline: Any
) -> None:
    done = hookeline("check", *arguments)
    assert done.returncode == 2
    assert words in done.stderr and "Traceback" not in done.stderr
