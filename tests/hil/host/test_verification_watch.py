"""The verification is checked again before power: in doubt the reduced limits apply."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from pathlib import Path

import pytest

from hil.control import standing, verify, withdraw
from hil.host.verification_watch import VerificationWatch
from hil.profile import Profile, load_profile

pytestmark = pytest.mark.usefixtures("own_state")

SHIPPED = Path(__file__).parents[3] / "profiles"


@pytest.fixture
def written(tmp_path: Path) -> Path:
    """Return a real rig's profile on disk with its parts: the trainer without its simulation."""
    for part in ("actuators", "rigs", "drives"):
        shutil.copytree(SHIPPED / part, tmp_path / part)
    lines = (SHIPPED / "footplate_trainer.yaml").read_text().splitlines()
    begin = next(i for i, line in enumerate(lines) if line.startswith("simulation"))
    end = next((i for i in range(begin + 1, len(lines)) if lines[i][:1].isalpha()), len(lines))
    file = tmp_path / "rig.yaml"
    file.write_text("\n".join(lines[:begin] + lines[end:]) + "\n")
    return file


def watching(file: Path) -> tuple[Profile, VerificationWatch]:
    profile = load_profile(file)
    return profile, VerificationWatch(profile, standing(profile), str(file))


def test_a_bring_up_that_ends_opens_and_one_that_is_withdrawn_shuts(written: Path) -> None:
    profile, watch = watching(written)
    assert not watch.standing.open and not watch.look()
    verify(profile, written.parent, "2026-01-01T12:00:00+00:00")
    assert watch.look() and watch.standing.open and not watch.look()
    withdraw(profile)
    assert watch.look() and not watch.standing.open


@pytest.mark.parametrize(
    ("edit", "words"),
    [
        (
            lambda text: text.replace("tripped_beyond: 1.5", "tripped_beyond: 1.4"),
            "has changed since",
        ),
        (lambda text: text + "nonsense: 3\n", "can no longer be read"),
        (lambda text: "", "can no longer be read"),
    ],
)
def test_a_profile_that_was_edited_is_in_doubt(
    written: Path, edit: Callable[[str], str], words: str
) -> None:
    profile, watch = watching(written)
    verify(profile, written.parent, "2026-01-01T12:00:00+00:00")
    assert watch.look() and watch.standing.open
    changed = edit(written.read_text())
    assert changed != written.read_text()
    written.write_text(changed)
    assert watch.look() and not watch.standing.open
    assert words in watch.standing.text and "restart the rig host" in watch.standing.text


def test_a_part_that_was_edited_is_in_doubt_and_a_comment_is_not(written: Path) -> None:
    profile, watch = watching(written)
    verify(profile, written.parent, "2026-01-01T12:00:00+00:00")
    assert watch.look()
    written.write_text("# a comment\n" + written.read_text())
    assert not watch.look() and watch.standing.open
    part = written.parent / "drives" / "bench_cia402.yaml"
    part.unlink()
    part.write_text("protocol: nothing\n")
    assert watch.look() and not watch.standing.open


def test_a_verification_that_cannot_be_read_shuts(written: Path) -> None:
    profile, watch = watching(written)
    kept = verify(profile, written.parent, "2026-01-01T12:00:00+00:00")
    assert watch.look() and watch.standing.open
    kept.write_text("{")
    assert watch.look() and not watch.standing.open


def test_a_simulated_rig_is_verified_by_nature() -> None:
    profile = load_profile("bench_slide")
    watch = VerificationWatch(profile, standing(profile), "bench_slide")
    assert not watch.look() and watch.standing.open
