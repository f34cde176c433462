"""Several parts of a process keep the collector off; none enables it for another."""

from __future__ import annotations

import gc

import pytest

from hil.core.collector_hold import collector_held, hold_collector, release_collector


@pytest.fixture(autouse=True)
def collector_as_before():
    """Begin with the collector on, whatever an earlier test in this process left."""
    before = gc.isenabled()
    gc.enable()
    yield
    (gc.enable if before else gc.disable)()


def test_a_part_that_began_before_another_and_ends_first_leaves_it_off() -> None:
    """A list of runs begun before a window held the collector ended within its life."""
    with collector_held():
        hold_collector()
    assert not gc.isenabled()
    release_collector()
    assert gc.isenabled()


def test_a_collector_that_is_off_for_good_stays_off() -> None:
    gc.disable()
    with collector_held():
        assert not gc.isenabled()
    assert not gc.isenabled()


def test_an_error_ends_the_hold() -> None:
    with pytest.raises(ValueError, match="inside"), collector_held():
        raise ValueError("inside")
    assert gc.isenabled()
