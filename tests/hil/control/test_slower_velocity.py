"""Slower loops over a velocity-commanded drive: lower gains, passive and stable on the way."""

from __future__ import annotations

from dataclasses import replace

import pytest

from hil.control import design_slower, design_source, moved_mass, observer_gains
from hil.control.loop_slide import LoopSlide
from hil.control.slower_loop import SHARES, SLIDE_S
from hil.control.slower_velocity import velocity_law_between
from hil.control.source import within_passivity
from hil.control.velocity_design import VelocityGains, velocity_plants
from hil.control.velocity_model import VelocityLoop
from hil.control.velocity_passivity import passive_feedforward, passive_stiffness
from hil.profile import Profile, load_profile

DELAYS = (2,)  # cycles; the case with less margin


def rig(delay: int) -> tuple[Profile, float]:
    profile = load_profile("footplate_velocity")
    period = 1 / profile.control.rate
    return within_passivity(profile, period, delay * period), period


def loops_of(delay: int) -> tuple[VelocityGains, list[VelocityGains]]:
    profile, period = rig(delay)
    gains = design_source(profile, period, delay * period)
    assert isinstance(gains, VelocityGains)
    slower = [
        loop
        for loop in design_slower(profile, period, delay * period)
        if isinstance(loop, VelocityGains)
    ]
    return gains, slower


@pytest.mark.parametrize("delay", DELAYS)
def test_a_slower_loop_asks_for_less_and_bears_no_more(delay: int) -> None:
    gains, slower = loops_of(delay)
    assert len(slower) == len(SHARES)
    before = gains
    for share, loop in zip(SHARES, slower, strict=True):
        assert loop.predicted.bandwidth_Hz < share * gains.predicted.bandwidth_Hz
        assert loop.predicted.phase_margin_deg > before.predicted.phase_margin_deg
        assert loop.law.proportional_1_s == pytest.approx(share * gains.law.proportional_1_s)
        assert 0.0 < loop.law.integral_1_s2 < before.law.integral_1_s2
        assert loop.most_stiffness_N_m <= before.most_stiffness_N_m
        assert loop.drag_N_s_m > before.drag_N_s_m  # felt when the output floats
        for part in (0.0, 0.3, 0.7, 1.0):
            stiffness = part * loop.most_stiffness_N_m
            assert loop.most_damping(stiffness) <= gains.most_damping(stiffness) + 1e-9
            assert loop.feedforward(stiffness) <= gains.feedforward(stiffness) + 1e-9
        before = loop


@pytest.mark.parametrize("delay", DELAYS)
def test_each_loop_on_the_way_is_stable_and_passive_with_what_is_let_through(delay: int) -> None:
    profile, period = rig(delay)
    observer, lightest = observer_gains(profile, period), moved_mass(profile)[0]
    choices = velocity_plants(profile, period, delay * period)
    gains, slower = loops_of(delay)
    for before, after in [(gains, slower[1]), (slower[0], slower[1])]:
        for share in (0.2, 0.75):
            law = velocity_law_between(before.law, after.law, share)
            for plant in choices:
                ceiling = passive_stiffness(plant, law)
                for stiffness, damping in after.damping_bounds:
                    feed = after.feedforward(stiffness)
                    spring = min(stiffness, ceiling)
                    assert feed <= passive_feedforward(plant, law, spring) + 1e-6
                    assert VelocityLoop(
                        replace(plant, output_mass=lightest),
                        law,
                        observer,
                        virtual_stiffness=spring,
                        virtual_damping=damping,
                        feedforward=feed,
                    ).stable, (share, stiffness, damping)
            assert after.most_stiffness_N_m <= passive_stiffness(choices[0], law) * (1 + 1e-9)


def test_the_slide_ends_at_the_slower_law() -> None:
    gains, slower = loops_of(1)
    slide = LoopSlide(gains.law, gains.natural_rad_s, slower[1])
    slide.advance(SLIDE_S / 2)
    assert slower[1].natural_rad_s < slide.natural_rad_s < gains.natural_rad_s and not slide.ended
    slide.advance(SLIDE_S / 2)
    assert slide.ended
    assert slide.law.proportional_1_s == pytest.approx(slower[1].law.proportional_1_s)
    assert slide.law.integral_1_s2 == pytest.approx(slower[1].law.integral_1_s2)
