"""Interpolation between bounds that were found at a few virtual stiffnesses."""

from __future__ import annotations


def bound_at(stiffness_N_m: float, bounds: tuple[tuple[float, float], ...]) -> float:
    """Return the bound at a virtual stiffness, interpolated linearly; the last one beyond its end.

    ``bounds`` are (stiffness in N/m, bound), rising in stiffness.
    """
    # Plain: the hand-over writes it as C.
    before = bounds[0]
    for after in bounds:
        if stiffness_N_m <= after[0]:
            span = after[0] - before[0]
            share = (stiffness_N_m - before[0]) / span if span > 0 else 1.0
            return before[1] + share * (after[1] - before[1])
        before = after
    return before[1]
