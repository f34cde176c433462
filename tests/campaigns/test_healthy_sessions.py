"""Healthy sessions that once stopped without a fault, or exceeded a tripped value, pass."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))

from healthy_sessions import PEAKED, run

from hil.core import Limit


def test_a_weight_that_comes_off_while_it_is_lifted_is_no_following_error() -> None:
    # The cap at the lower end asked for the whole force limit while the output still moved away
    # from that end at 0.33 m/s: -400 to +580 N in 3 ms, which no force loop follows.
    session = run(("footplate_trainer", 664))
    assert session.cause == 0, session.text
    assert session.peaks[PEAKED.index(Limit.FORCE_FOLLOWING)] < 1.0


def test_a_hand_at_the_resonance_of_a_weakly_damped_spring_is_no_instability() -> None:
    # 27 N at 3.0 Hz on a spring of 110 N/mm with 80 N·s/m, driven into the force cap. The loop puts 1.6 J
    # out in each rise, 2.6 times what trips a swing, and takes 4 J more in with each fall: those of the
    # hand. It dies away as soon as the hand goes, so it is held against what a blow may bring.
    session = run(("footplate_trainer", 56))
    assert session.cause == 0, session.text
    assert 0.5 < session.peaks[PEAKED.index(Limit.OUTPUT_ENERGY)] < 1.0


@pytest.mark.parametrize(
    ("profile", "seed"),
    [
        ("footplate_velocity", 3),  # an obstacle: the drive's loop drew the tripped current
        (
            "footplate_velocity",
            22,
        ),  # a stiff spring on a light output: drag looked like a lost force
        (
            "footplate_position",
            48,
        ),  # a hand: noise of the drive's loop looked like another spring law
    ],
)
def test_a_healthy_session_over_a_drives_own_loop_is_not_stopped(profile: str, seed: int) -> None:
    session = run((profile, seed))
    assert session.cause == 0, session.text
