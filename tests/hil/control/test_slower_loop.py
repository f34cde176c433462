"""Slower force loops: lower gain at every frequency and wider margins, also on the way to them."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from hil.control import (
    Estimator,
    ForceController,
    design_slower,
    design_source,
    moved_mass,
    observer_gains,
    slower_loop,
)
from hil.control.force_design import ForceGains, plants
from hil.control.force_model import LawGains, Loop
from hil.control.loop_slide import LoopSlide
from hil.control.slower_loop import SHARES, law_between
from hil.profile import load_profile

NAMES = ("footplate_trainer", "bench_slide")
DELAYS = (1, 2)


def loops_of(name: str, delay: int) -> tuple[ForceGains, tuple[ForceGains, ...]]:
    profile = load_profile(name)
    period = 1 / profile.control.rate
    gains = design_source(profile, period, delay * period)
    assert isinstance(gains, ForceGains)
    slower = design_slower(profile, period, delay * period)
    return gains, tuple(loop for loop in slower if isinstance(loop, ForceGains))


@pytest.mark.parametrize("delay", DELAYS)
@pytest.mark.parametrize("name", NAMES)
def test_a_slower_loop_asks_for_less_and_keeps_more(name: str, delay: int) -> None:
    gains, slower = loops_of(name, delay)
    assert len(slower) == len(SHARES)
    before = gains
    for share, loop in zip(SHARES, slower, strict=True):
        assert loop.predicted.bandwidth_Hz < share * gains.predicted.bandwidth_Hz
        assert loop.predicted.phase_margin_deg > before.predicted.phase_margin_deg
        assert loop.predicted.overshoot <= 0.05
        assert loop.predicted.torque_ripple_N_m < before.predicted.torque_ripple_N_m
        assert 0.0 < loop.law.position < before.law.position
        assert 0.0 < loop.law.rate < before.law.rate
        assert loop.law.phi == gains.law.phi and loop.law.in_flight == gains.law.in_flight
        assert loop.lead_s > before.lead_s
        assert loop.most_stiffness_N_m <= before.most_stiffness_N_m
        before = loop


@pytest.mark.parametrize("delay", DELAYS)
@pytest.mark.parametrize("name", NAMES)
def test_the_way_there_keeps_the_margin_and_bears_what_is_let_through(
    name: str, delay: int
) -> None:
    profile = load_profile(name)
    period = 1 / profile.control.rate
    observer = observer_gains(profile, period)
    gains, slower = loops_of(name, delay)
    choices = plants(profile, period, delay * period)
    lightest, fraction = moved_mass(profile)[0], profile.control.passive_fraction
    for before, after in [(gains, slower[0]), (gains, slower[1]), (slower[0], slower[1])]:
        for share in (0.1, 0.25, 0.5, 0.75, 0.95):
            law = law_between(before.law, after.law, share)
            for plant in choices:
                margin, gain = Loop(plant, law, observer).margins()
                assert margin > gains.predicted.phase_margin_deg - 1.0
                assert gain > gains.predicted.gain_margin - 0.1
                # A virtual spring is softened at once, so the loops that are still quicker must
                # bear it as well.
                for part in (0.2, 0.6, 1.0):
                    stiffness = part * after.most_stiffness_N_m
                    for damping in (0.0, after.most_damping(stiffness)):
                        assert Loop(
                            replace(plant, output_mass=lightest),
                            law,
                            observer,
                            virtual_stiffness=min(stiffness, fraction * plant.stiffness),
                            virtual_damping=damping,
                            lead_s=after.lead_s,
                        ).stable, (stiffness, damping)


def test_a_loop_that_the_way_does_not_bear_is_not_offered(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(slower_loop, "SHARES", (0.7, 0.35))
    monkeypatch.setattr(slower_loop, "CEILING", 1.0)
    profile = load_profile("footplate_trainer")
    period = 1 / profile.control.rate
    gains, _ = loops_of("footplate_trainer", 1)
    found = slower_loop.slower_loops(profile, gains, period, period)
    assert [loop.natural_rad_s / gains.natural_rad_s for loop in found] == pytest.approx([0.7])


def test_retuning_at_rest_changes_no_torque() -> None:
    profile = load_profile("footplate_trainer")
    period = 1 / profile.control.rate
    gains, slower = loops_of("footplate_trainer", 1)
    torques: list[list[float]] = []
    for tuned in (False, True):
        controller = ForceController(profile, gains, period)
        estimator = Estimator(profile, period)
        estimator.reset(0.02, 0.0)
        slide = LoopSlide(gains.law, gains.natural_rad_s, slower[-1])
        told = []
        for cycle in range(1400):
            # Friction holds the nut at 60 N; the disturbance observer settles on it before the
            # change.
            deflection = 60.0 / 120e3
            estimator.update(0.02 + deflection, deflection, 60.0, 0.05, period, 0.0, 0.0)
            if tuned and cycle >= 700:
                slide.advance(period)
                assert isinstance(slide.law, LawGains)
                controller.retune(slide.law, slide.natural_rad_s)
            told.append(controller.torque(60.4, estimator, 5.0))
        torques.append(told[690:])
    assert np.ptp(torques[0]) < 1e-3 and abs(torques[0][0]) > 0.05
    assert np.max(np.abs(np.diff(torques[1]))) < 2e-4
