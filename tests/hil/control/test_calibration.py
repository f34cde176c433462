"""Counts to newtons and back."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from hil.control.calibration import ForceCalibration, passive_bounds
from hil.profile.loader import load_profile
from hil.profile.schema import Calibration, DeflectionSensor, Polynomial, TwoSlopes

SENSOR = DeflectionSensor(span="15 mm")


def calibration(law: TwoSlopes | Polynomial, **more: object) -> ForceCalibration:
    values = {"zero": 2048, "deflection_per_count": "3 um/count", "spring_law": law} | more
    return ForceCalibration(Calibration.model_validate(values), SENSOR)


two_slopes = st.builds(
    TwoSlopes,
    kind=st.just("two_slopes"),
    inner_rate=st.floats(1e3, 1e6).map(lambda v: f"{v} N/m"),
    outer_rate=st.floats(1e3, 1e6).map(lambda v: f"{v} N/m"),
    knee=st.floats(1e-5, 0.01).map(lambda v: f"{v} m"),
)
# Odd polynomials with positive slope, and an offset: monotonic everywhere.
polynomials = st.builds(
    lambda a, b, c, d: Polynomial(kind="polynomial", coefficients=(a, b, 0.0, c, 0.0, d)),
    st.floats(-50, 50),
    st.floats(1, 1000),
    st.floats(0, 5),
    st.floats(0, 0.05),
)


@given(two_slopes | polynomials, st.floats(-0.02, 0.02))
def test_spring_law_and_its_inverse_agree(law, deflection):
    spring = calibration(law)
    assert spring.deflection_for(spring.force(deflection)) == pytest.approx(deflection, abs=2e-9)
    assert spring.stiffness(deflection) > 0


@given(two_slopes | polynomials, st.floats(-0.015, 0.015))
def test_stiffness_is_the_slope_of_force(law, deflection):
    spring = calibration(law)
    h = 1e-7
    below, here, above = (spring.force(deflection + i * h) for i in (-1, 0, 1))
    slopes = [(here - below) / h, (above - here) / h]  # at a knee the two differ
    assert min(abs(spring.stiffness(deflection) / slope - 1) for slope in slopes) < 2e-3


def test_knee_of_two_slopes():
    spring = calibration(
        TwoSlopes(kind="two_slopes", inner_rate="120 N/mm", outer_rate="60 N/mm", knee="3 mm")
    )
    assert spring.deflection(2048 + 1000) == pytest.approx(3e-3)
    assert spring.force(3e-3) == pytest.approx(360.0)
    assert spring.force(-5e-3) == pytest.approx(-480.0)
    assert spring.stiffness(2.9e-3) == 120e3 and spring.stiffness(-3.1e-3) == 60e3


def test_polynomial_goes_on_straight_beyond_the_sensor():
    spring = calibration(Polynomial(kind="polynomial", coefficients=(2.0, 60.0, 0.0, -0.2)))
    edge = 7.5e-3
    slope = 1e3 * (60 - 3 * 0.2 * 7.5**2)
    assert spring.force(edge) == pytest.approx(2 + 60 * 7.5 - 0.2 * 7.5**3)
    for beyond in (1e-3, 5e-3):
        assert spring.force(edge + beyond) == pytest.approx(spring.force(edge) + slope * beyond)
        assert spring.stiffness(edge + beyond) == pytest.approx(slope)
        assert spring.deflection_for(spring.force(-edge - beyond)) == pytest.approx(-edge - beyond)


@given(st.floats(-1000, 1000))
def test_expanded_uncertainty(force):
    """JCGM 100:2008, 5.1.2 (combined) and 6.2.1 (expanded, k = 2)."""
    law = TwoSlopes(kind="two_slopes", inner_rate="1 N/mm", outer_rate="1 N/mm", knee="0 mm")
    spring = calibration(law, absolute_uncertainty="1.5 N", relative_uncertainty=0.004)
    assert spring.u95(force) == pytest.approx(2 * math.sqrt(1.5**2 + (0.004 * force) ** 2))


def test_passive_bounds_are_a_fraction_of_the_springs_own_rate():
    trainer = load_profile("footplate_trainer")
    assert passive_bounds(trainer) == pytest.approx((0.98 * 120e3, 0.98 * 60e3, 360.0))
    slide = load_profile("bench_slide")
    inner, outer, knee = passive_bounds(slide)
    spring = ForceCalibration(slide.calibration, slide.sensors.deflection)
    most = slide.limits.deflection.limited
    softest = min(spring.stiffness(-most), spring.stiffness(0.0), spring.stiffness(most))
    assert inner == outer == pytest.approx(slide.control.passive_fraction * softest)
    assert knee == math.inf
