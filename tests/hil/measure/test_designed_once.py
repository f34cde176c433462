"""The loop of a profile is designed once, however often figures and test lengths are requested."""

from __future__ import annotations

from typing import Any

import pytest

from hil.control import force_design
from hil.measure import TESTS
from hil.measure.loop_prediction import DesignedLoop
from hil.profile import load_profile


def test_lengths_of_all_tests_and_a_prediction_take_one_design(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    shipped = load_profile("footplate_trainer")
    bandwidth = 1.003 * shipped.control.force_bandwidth  # a value that no other test uses
    control = shipped.control.model_copy(update={"force_bandwidth": bandwidth})
    profile = shipped.model_copy(update={"control": control})
    designed, solve = [], force_design.design_for_plants

    def counted(*arguments: Any) -> Any:
        designed.append(arguments)
        return solve(*arguments)

    monkeypatch.setattr(force_design, "design_for_plants", counted)
    first = [test.lasts_s(profile) for test in TESTS]
    assert [test.lasts_s(profile) for test in TESTS] == first
    assert DesignedLoop.of(profile).loop.law == solve(*designed[0]).law
    assert len(designed) == 1
