"""Root between two points, beside SciPy's own."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.optimize import brentq

from hil.control.bracketed_root import bracketed_root

coefficients = st.floats(-5.0, 5.0).filter(lambda value: abs(value) > 1e-3)


@given(
    st.tuples(coefficients, coefficients, coefficients), st.floats(-3.0, 3.0), st.floats(1e-9, 1e-2)
)
def test_it_goes_scipys_way(shape, root, tolerance):
    a, b, c = shape

    def function(x: float) -> float:
        u = x - root
        return u * (a * a + 0.1 + b * math.sin(u) / 10) + c * math.tanh(u) ** 3

    low, high = -7.0, 9.0
    if function(low) * function(high) >= 0.0:
        return
    ours, theirs = [], []
    found = bracketed_root(lambda x: ours.append(x) or function(x), low, high, tolerance)
    expected = brentq(lambda x: theirs.append(x) or function(x), low, high, xtol=tolerance)
    assert found == pytest.approx(expected, rel=1e-12, abs=1e-12)
    assert len(ours) == len(theirs)


def test_ends_that_are_roots_and_ends_that_bracket_none():
    assert bracketed_root(lambda x: x, 0.0, 1.0, 1e-6) == 0.0
    assert bracketed_root(lambda x: x - 1.0, 0.0, 1.0, 1e-6) == 1.0
    with pytest.raises(ValueError, match="same sign"):
        bracketed_root(lambda x: x * x + 1.0, -1.0, 1.0, 1e-6)


def test_a_root_that_takes_too_many_rounds_is_an_error():
    with pytest.raises(RuntimeError, match="no root"):
        bracketed_root(lambda x: -1.0 if x < 1.0 else 1.0, -1e300, 1e300, 1e-300)
