"""One package shared by all tests, and a copy that a test may change."""

from __future__ import annotations

import datetime
import json
import shutil
from pathlib import Path
from types import ModuleType

import pytest

from hil.handover import Evidence, hand_over
from hil.profile import load_profile
from tests.hil.handover.in_package import SHEET, imported


@pytest.fixture(scope="session")
def package(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("package") / "law"
    profile = load_profile("footplate_trainer")
    # Dated today, or the tests would fail once the shipped calibration is too old.
    today = {"dated": datetime.date.today().isoformat()}
    calibration = profile.calibration.model_copy(update=today)
    profile = profile.model_copy(update={"calibration": calibration})
    sheet = {"data_sheet.json": json.dumps(SHEET).encode(), "data_sheet.html": b"<p>invented 1</p>"}
    hand_over(
        profile, folder, datetime.date(2026, 2, 1), "footplate_trainer", Evidence(sheet, SHEET)
    )
    return folder


@pytest.fixture(scope="session")
def slide(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return the package of a rig with a polynomial, a left-hand screw and a guided mass."""
    folder = tmp_path_factory.mktemp("slide") / "law"
    hand_over(load_profile("bench_slide"), folder)
    return folder


@pytest.fixture
def copy(package: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(package, tmp_path / "law"))


@pytest.fixture
def acceptance(
    package: Path, monkeypatch: pytest.MonkeyPatch, request: pytest.FixtureRequest
) -> ModuleType:
    """Return the package's tests of a rig, imported as its own pytest would."""
    for mark in ("power", "motion", "hands", "builds_on"):
        request.config.addinivalue_line("markers", mark)
    return imported(package, monkeypatch)
