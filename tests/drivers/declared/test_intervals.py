"""Interval of each quantity, as its board's description states."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

import pytest
import yaml

from drivers.declared.can.board import CanBoard
from drivers.declared.can.options import DeclaredCanOptions
from drivers.declared.common import DeclaredDrive
from drivers.registry import find_protocol
from hil.profile import load_profile
from tests.drivers.declared.test_can_rigs import FLEXIBLE

PERIOD_S = 0.002


def test_a_multiplexed_message_comes_in_parts(tmp_path: Path) -> None:
    data = yaml.safe_load(FLEXIBLE)
    data["bus"]["channel"] = str(tmp_path / "can.sock")
    board = CanBoard(DeclaredCanOptions.model_validate(data))
    assert board.interval_s("position", PERIOD_S) == PERIOD_S  # it answers the poll
    assert board.interval_s("supply", PERIOD_S) == pytest.approx(4 * 0.005)


@pytest.mark.parametrize("name", ["treadle_can", "treadle_lines", "treadle_frames"])
def test_every_quantity_of_a_shipped_board_has_an_interval(name: str) -> None:
    data = load_profile(name).drive
    parts: list[Any] = list(data["members"].values()) if "members" in data else [data]
    for part in parts:
        protocol = find_protocol(part["protocol"])
        drive = protocol.make(protocol.options.model_validate(part), PERIOD_S)
        assert isinstance(drive, DeclaredDrive)
        for quantity in drive.board.values:
            assert 0.0 < drive.board.interval_s(quantity, PERIOD_S) < math.inf, quantity
