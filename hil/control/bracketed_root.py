"""Root of a function between two points, by Brent's method.

Inverse quadratic or linear interpolation, and bisection where these do not converge (R. P. Brent, Algorithms
for Minimization without Derivatives, 1973, chapter 4, from memory). The steps are those of
``scipy.optimize.brentq``, to which a test compares it; loading that package takes longer than a design.
"""

from __future__ import annotations

from collections.abc import Callable

RELATIVE = 4 * 2.0**-52  # of the root: four steps of a float, the finest that makes sense
MOST_ROUNDS = 100


def bracketed_root(
    function: Callable[[float], float], low: float, high: float, tolerance: float
) -> float:
    """Return where ``function`` is zero, to ``tolerance``.

    Raises:
        ValueError: it has the same sign at both ends.
        RuntimeError: not found within ``MOST_ROUNDS`` rounds.
    """
    before, at = low, high
    value_before, value = function(before), function(at)
    if value_before == 0.0 or value == 0.0:
        return before if value_before == 0.0 else at
    if (value_before < 0.0) == (value < 0.0):
        raise ValueError("the function has the same sign at both ends")
    other, value_other = before, value_before  # end of the bracket across the root
    last = step = at - before
    for _ in range(MOST_ROUNDS):
        if value_before != 0.0 and value != 0.0 and (value_before < 0.0) != (value < 0.0):
            other, value_other = before, value_before
            last = step = at - before
        if abs(value_other) < abs(value):
            before, at, other = at, other, at
            value_before, value, value_other = value, value_other, value
        least = (tolerance + RELATIVE * abs(at)) / 2
        half = (other - at) / 2
        if value == 0.0 or abs(half) < least:
            return at
        if abs(last) > least and abs(value) < abs(value_before):
            if before == other:
                tried = -value * (at - before) / (value - value_before)
            else:
                to_before = (value_before - value) / (before - at)
                to_other = (value_other - value) / (other - at)
                tried = (
                    -value
                    * (value_other * to_other - value_before * to_before)
                    / (to_other * to_before * (value_other - value_before))
                )
            if 2 * abs(tried) < min(abs(last), 3 * abs(half) - least):
                last, step = step, tried
            else:
                last = step = half
        else:
            last = step = half
        before, value_before = at, value
        if abs(step) > least:
            at += step
        else:
            at += least if half > 0.0 else -least
        value = function(at)
    raise RuntimeError(f"no root to {tolerance:g} within {MOST_ROUNDS} rounds")
