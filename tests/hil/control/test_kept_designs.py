"""Designs kept from an earlier process: the same ones, or none."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from drivers.motion import Motion, speaking
from hil.control import design_slower, design_source, keeping_designs, kept_designs, source
from hil.control.force_design import ForceGains
from hil.control.kept_designs import kept
from hil.control.observer_gains import ObserverGains, gains_for, observer_gains
from hil.control.source import _Designable, within_passivity
from hil.profile import ProfileError, load_profile, profile_from_dict, profile_to_dict

PROFILES = ("footplate_trainer", "footplate_velocity", "footplate_position", "rotary_joint")
TRAINER = load_profile("footplate_trainer")
PERIOD_S, DELAY_S = 0.001, 0.001


class Memory(dict[str, str]):
    def put(self, key: str, text: str) -> None:
        self[key] = text


def forget() -> None:
    """Forget the designs of this process, as another one knows none."""
    for cached in (
        source._designed,
        source._designed_over_torque,
        source._designed_slower,
        source._passive_share,
        gains_for,
    ):
        cached.cache_clear()


@pytest.fixture(autouse=True)
def forgotten():
    forget()
    yield
    forget()


def designs(profile) -> tuple[object, ...]:
    with speaking(profile.motion):
        narrowed = within_passivity(profile, PERIOD_S, DELAY_S)
        return (
            narrowed.control.passive_fraction,
            observer_gains(narrowed, PERIOD_S),
            design_source(narrowed, PERIOD_S, DELAY_S),
            design_slower(narrowed, PERIOD_S, DELAY_S),
        )


@pytest.mark.parametrize("name", PROFILES)
def test_the_next_process_has_the_same_to_the_last_bit_without_designing(name, monkeypatch):
    profile, memory = load_profile(name), Memory()
    with keeping_designs(memory):
        made = designs(profile)
    forget()
    for solver in ("design", "design_velocity", "slower_loops", "slower_velocity_loops"):
        monkeypatch.setattr(source, solver, None)
    with keeping_designs(memory):
        found = designs(profile)
    assert repr(found) == repr(made)


def test_nothing_is_kept_or_found_unless_asked_for():
    memory = Memory()
    with keeping_designs(memory):
        pass
    designs(TRAINER)
    assert not memory


def leaves(data, path=()):
    for key, value in data.items():
        if isinstance(value, dict):
            yield from leaves(value, (*path, key))
        elif type(value) is float and math.isfinite(value):
            yield (*path, key)


PLACES = [
    path for path in leaves(profile_to_dict(TRAINER)) if path[0] not in ("drive", "simulation")
]


@given(st.sampled_from(PLACES), st.sampled_from((-math.inf, math.inf)))
@settings(deadline=None, max_examples=40)
def test_the_smallest_change_of_any_value_is_another_key(path, towards):
    data = profile_to_dict(TRAINER)
    part = data
    for key in path[:-1]:
        part = part[key]
    part[path[-1]] = math.nextafter(part[path[-1]], towards)
    try:
        changed = profile_from_dict(data)
    except ProfileError:
        return  # the value was at the edge of what is possible
    before, after = (_Designable(p).arguments(PERIOD_S, DELAY_S) for p in (TRAINER, changed))
    assert before != after


def test_period_delay_words_and_code_are_in_the_key(monkeypatch):
    keys = set()
    cases: tuple[tuple[float, float, Motion, str], ...] = (
        (0.001, 0.001, "linear", "a"),
        (0.002, 0.001, "linear", "a"),
        (0.001, 0.002, "linear", "a"),
        (0.001, 0.001, "rotary", "a"),
        (0.001, 0.001, "linear", "b"),
    )
    for period_s, delay_s, motion, code in cases:
        memory = Memory()
        monkeypatch.setattr(kept_designs, "code_digest", lambda code=code: code)
        arguments = _Designable(TRAINER).arguments(period_s, delay_s)
        with speaking(motion), keeping_designs(memory):
            kept("one", arguments, float, lambda: 1.5)
        keys |= set(memory)
    assert len(keys) == 5


def test_with_a_source_that_changed_under_way_nothing_is_kept_or_found(monkeypatch):
    memory = Memory()
    with keeping_designs(memory):
        kept("one", "x", float, lambda: 1.5)
        monkeypatch.setattr(kept_designs, "code_digest", lambda: None)
        assert len(memory) == 1 and kept("one", "x", float, lambda: 2.5) == 2.5


GAINS = design_source(TRAINER, PERIOD_S, DELAY_S)


@given(st.data())
@settings(deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_a_damaged_text_is_computed_again(data):
    memory = Memory()
    with keeping_designs(memory):
        kept("torque", "x", ForceGains, lambda: GAINS)
        ((key, text),) = memory.items()
        at = data.draw(st.integers(0, len(text) - 1))
        damaged = data.draw(
            st.sampled_from(
                (
                    text[:at],
                    text[:at] + data.draw(st.characters(codec="ascii")) + text[at + 1 :],
                    text.replace("Plant", "Plan"),
                    "null",
                    "{}",
                )
            )
        )
        memory[key] = damaged
        again = kept("torque", "x", ForceGains, lambda: GAINS)
    assert again == GAINS and memory[key] == text


@pytest.mark.parametrize(
    ("value", "kind"),
    [
        (math.nan, float),
        (np.float64(1.5), float),
        ((1.0, np.float64(2.0)), tuple[float, ...]),
        ([1.0], list),
        (1.5, int),
        (True, float),
        (GAINS, ObserverGains),
    ],
)
def test_what_would_not_come_back_as_it_is_is_not_kept(value, kind):
    memory = Memory()
    with keeping_designs(memory):
        assert kept("one", "x", kind, lambda: value) is value
    assert not memory


@given(
    st.one_of(
        st.floats(allow_nan=False),
        st.tuples(st.floats(allow_nan=False), st.floats(allow_nan=False)),
    )
)
def test_numbers_come_back_to_the_last_bit(value):
    memory = Memory()
    kind = tuple[float, float] if isinstance(value, tuple) else float
    with keeping_designs(memory):
        kept("one", "x", kind, lambda: value)
        assert repr(kept("one", "x", kind, lambda: None)) == repr(value)
