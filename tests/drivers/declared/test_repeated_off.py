"""A board without a status: OFF is sent in bursts, with pauses in which its own watch can act."""

from __future__ import annotations

import itertools
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
import yaml

from drivers.base import Command, Mode, PowerRequest
from drivers.declared.can.board import CanBoard
from drivers.declared.can.options import DeclaredCanOptions
from drivers.declared.common import DeclaredDrive
from drivers.declared.common import drive as module
from tests.drivers.declared.test_can_rigs import FLEXIBLE

PERIOD_S = 0.001


def sent_after_off(
    directory: Path, monkeypatch: pytest.MonkeyPatch, heartbeat: bool
) -> tuple[DeclaredCanOptions, list[float]]:
    """Return the moments, in s after the first request, at which OFF is sent during one second."""
    data: dict[str, Any] = yaml.safe_load(FLEXIBLE)
    data["bus"]["channel"] = str(directory / "can.sock")
    del data["status"], data["gives"]["status"], data["sequences"]["clear_fault"]
    data["sequences"]["energise"] = [{"send": "ORDER", "with": {"ACTION": 1}}]
    if not heartbeat:
        del data["heartbeat"]
    options = DeclaredCanOptions.model_validate(data)
    board = CanBoard(options)
    drive = DeclaredDrive(board, PERIOD_S)
    clock = SimpleNamespace(now=100.0, sent=[])
    monkeypatch.setattr(module, "time", SimpleNamespace(monotonic=lambda: clock.now))

    def send(name: str, values: dict[str, float], *_rest: Any) -> None:
        if name == "ORDER" and values.get("ACTION") == 0:
            clock.sent.append(clock.now - 101.0)

    monkeypatch.setattr(board, "send", send)
    drive._opened = True
    drive.write(Command(PowerRequest.ON, Mode.TORQUE))
    clock.now = 101.0
    for _ in range(1000):
        drive.write(Command(PowerRequest.OFF, heartbeat=False))
        clock.now += PERIOD_S
    return options, clock.sent


def test_off_comes_in_bursts_and_pauses_longer_than_the_watch(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    options, sent = sent_after_off(tmp_path, monkeypatch, heartbeat=False)
    assert sent[0] == 0.0
    gaps = [after - before for before, after in itertools.pairwise(sent)]
    long = [gap for gap in gaps if gap > 2 * module.REPEAT_OFF_S]
    assert len(sent) > 10 and len(long) >= 2
    assert options.host_loss is not None
    assert min(long) > options.host_loss + module.PAUSE_S - module.REPEAT_OFF_S
    assert max(gap for gap in gaps if gap not in long) == pytest.approx(
        module.REPEAT_OFF_S, abs=2 * PERIOD_S
    )


def test_beside_a_heartbeat_that_is_withheld_off_need_not_pause(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    _, sent = sent_after_off(tmp_path, monkeypatch, heartbeat=True)
    assert len(sent) == pytest.approx(1.0 / module.REPEAT_OFF_S, rel=0.1)
