"""Frequency responses from periodic excitation: H1, coherence, random error, multisines."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from hil.measure.characteristic import Floats

Complex = NDArray[np.complex128]
HALF_POWER = math.sqrt(0.5)
NEAR = 0.3  # in the logarithm of the frequency: farther off a parabola departs from a response
MOST_MISSING, MOST_GAP = 0.25, 0.1  # of a period; no source
CREST_TRIES = 40  # sets of random phases drawn for one multisine; the one of lowest peak is used


@dataclass(frozen=True, eq=False)
class Spectra:
    """Fourier coefficients of input and output, one row a segment, at ``frequencies_Hz``."""

    frequencies_Hz: Floats
    given: Complex
    answer: Complex

    @property
    def response(self) -> Complex:
        """H1 = Sxy/Sxx: least squares with all noise on the output (Bendat and Piersol, 6.1)."""
        power = np.sum(np.abs(self.given) ** 2, axis=0)
        return np.asarray(np.sum(np.conj(self.given) * self.answer, axis=0) / power)

    @property
    def coherence(self) -> Floats:
        """γ² = |Sxy|²/(Sxx·Syy), 0 to 1."""
        cross = np.abs(np.sum(np.conj(self.given) * self.answer, axis=0)) ** 2
        powers = np.sum(np.abs(self.given) ** 2, axis=0) * np.sum(np.abs(self.answer) ** 2, axis=0)
        return np.asarray(np.minimum(1.0, cross / powers))

    @property
    def random_error(self) -> Floats:
        """Normalised standard deviation of |H1|: √(1 − γ²)/(|γ|·√(2·n)).

        Bendat and Piersol, Random Data, 4th ed., table 9.6 (from memory). Its arcsine is that of the
        phase in radians. Infinite for one segment, whose coherence is always 1.
        """
        count = len(self.given)
        if count < 2:
            return np.full(len(self.frequencies_Hz), math.inf)
        coherence = self.coherence
        # γ² of n segments is biased up by (1 − γ²)/n (ibid., 9.2.3).
        fair = np.clip((count * coherence - 1) / (count - 1), 1e-6, 1.0)
        return np.asarray(np.sqrt((1 - fair) / (2 * count * fair)))

    @property
    def error_shown(self) -> Floats:
        """``random_error`` of a plot, k = 2, %; NaN above 100 %, where nothing is known of |H1|."""
        error = 200 * self.random_error
        return np.where(error <= 100.0, error, math.nan)

    def without(self, segment: int) -> Spectra:
        """Return the spectra with one segment left out."""
        return Spectra(
            self.frequencies_Hz,
            np.delete(self.given, segment, axis=0),
            np.delete(self.answer, segment, axis=0),
        )


def coefficients(
    time_s: Floats, values: Floats, frequencies_Hz: Floats, period_s: float
) -> Complex:
    """Return the Fourier coefficients of the last whole period of ``values``.

    They are fitted by least squares with mean and trend, so that late and lost samples do no
    harm.

    Args:
        time_s, values: shape (n,), in order.
        frequencies_Hz: multiples of 1/``period_s``: all of the excitation.
        period_s: period of the excitation.

    Raises:
        ValueError: less than a period was recorded, or too much of it is missing.
    """
    step = float(np.median(np.diff(time_s))) if len(time_s) > 2 else math.inf
    if not time_s[-1] - time_s[0] >= period_s - 1.5 * step:
        raise ValueError(f"less than one period of {period_s:g} s was recorded")
    inside = time_s > time_s[-1] - period_s + 0.5 * step
    t, y = time_s[inside], values[inside]
    missing = 1 - len(t) * step / period_s
    longest = float(np.max(np.diff(t)))
    if missing > MOST_MISSING or longest > MOST_GAP * period_s:
        raise ValueError(
            f"{100 * missing:.0f} % of the period is missing, with a gap of {1e3 * longest:.0f} ms. "
            "Fix: measure again"
        )
    angles = 2 * math.pi * np.outer(t, frequencies_Hz)
    middle = (t - t.mean()) / period_s
    design = np.column_stack([np.cos(angles), np.sin(angles), np.ones_like(t), middle])
    # The columns are nearly orthogonal: normal equations lose nothing and take a tenth of the time.
    found = np.linalg.solve(design.T @ design, design.T @ y)
    count = len(frequencies_Hz)
    return np.asarray(found[:count] - 1j * found[count : 2 * count])


def fundamental(
    time_s: Floats, values: Floats, frequency_Hz: float, drifts: bool = False
) -> complex:
    """Return a − ib of the a·cos ωt + b·sin ωt that fits best together with a mean, times in s.

    Args:
        drifts: a trend is fitted as well: over one period it looks like a sine.
    """
    angles = 2 * math.pi * frequency_Hz * time_s
    columns = [np.cos(angles), np.sin(angles), np.ones_like(time_s)]
    if drifts:
        columns.append(frequency_Hz * (time_s - time_s.mean()))
    a, b, *_ = np.linalg.lstsq(np.column_stack(columns), values, rcond=None)[0]
    return complex(a, -b)


def crossing_Hz(frequencies_Hz: Floats, size: Floats, level: float) -> float:
    """Return the frequency where ``size`` first falls below ``level``, NaN if it does not.

    Between the points, the logarithms are interpolated linearly.
    """
    below = np.nonzero(size < level)[0]
    if not len(below) or below[0] == 0:
        return math.nan
    i = int(below[0])
    logs = np.log(size[i - 1 : i + 1] / level)
    share = logs[0] / (logs[0] - logs[1])
    low, high = np.log(frequencies_Hz[i - 1 : i + 1])
    return float(math.exp(low + share * (high - low)))


def half_power_Hz(frequencies_Hz: Floats, size: Floats, lines: int = 7) -> float:
    """Return the −3 dB frequency from a parabola through the logarithms near it, NaN if none.

    A single line of a response scatters; a fit to ``lines`` of them averages the error.
    """
    first = crossing_Hz(frequencies_Hz, size, HALF_POWER)
    if not math.isfinite(first):
        return math.nan
    away = np.abs(np.log(frequencies_Hz / first))
    near = np.sort(np.argsort(away)[:lines])
    near = near[away[near] < NEAR]
    if len(near) < 4:
        return first
    x = np.log(frequencies_Hz[near] / first)
    y = np.log(size[near] / HALF_POWER)
    a, b, c = np.polyfit(x, y, 2)
    roots = np.roots([a, b, c]) if a else np.array([-c / b])
    real = roots[np.abs(roots.imag) < 1e-9].real
    real = real[2 * a * real + b < 0]
    if not len(real):
        return first
    best = float(real[np.argmin(np.abs(real))])
    return first * math.exp(best) if x[0] <= best <= x[-1] else first


def delay_s(frequencies_Hz: Floats, response: Complex, up_to_Hz: float) -> float:
    """Return the group delay at low frequency: slope of the phase up to ``up_to_Hz``, through 0.

    The phase is modelled as −τ·ω + c·ω³, so that its curvature is not read as delay.
    """
    low = frequencies_Hz <= up_to_Hz
    w = 2 * math.pi * frequencies_Hz[low]
    phase = np.unwrap(np.angle(response[low]))
    fit, *_ = np.linalg.lstsq(np.column_stack([-w, w**3]), phase, rcond=None)
    return float(fit[0])


@dataclass(frozen=True, eq=False)
class Multisine:
    """A periodic sum of sines: whole multiples of 1/``period_s`` with random phases.

    ``sizes`` are amplitudes, ``phases`` radians, both of the same length as ``frequencies_Hz``.
    """

    frequencies_Hz: Floats
    sizes: Floats
    phases: Floats
    period_s: float

    def at(self, time_s: Floats) -> Floats:
        angles = 2 * math.pi * np.outer(time_s, self.frequencies_Hz) + self.phases
        return np.asarray(np.cos(angles) @ self.sizes)

    def slope(self, time_s: Floats) -> Floats:
        w = 2 * math.pi * self.frequencies_Hz
        angles = np.outer(time_s, w) + self.phases
        return np.asarray(-np.sin(angles) @ (self.sizes * w))

    def scaled(self, most: float, most_slope: float) -> Multisine:
        """Return it scaled as large as peak and steepest slope permit."""
        t = np.arange(0, self.period_s, 0.05 / float(np.max(self.frequencies_Hz)))
        factor = min(
            most / float(np.max(np.abs(self.at(t)))),
            most_slope / float(np.max(np.abs(self.slope(t)))),
        )
        return Multisine(self.frequencies_Hz, factor * self.sizes, self.phases, self.period_s)

    def points(
        self, per_s: int, duration_s: float, offset: float
    ) -> tuple[tuple[float, float], ...]:
        """Return its (time, value) points, ``per_s`` a second."""
        t = np.arange(round(per_s * duration_s) + 1) / per_s
        return tuple(zip(t.tolist(), (offset + self.at(t)).tolist(), strict=True))


def multisine(
    seed: int, lines_Hz: tuple[float, float], count: int, period_s: float, corner_Hz: float
) -> Multisine:
    """Return a multisine of ``count`` lines, log-spaced; amplitudes fall as 1/f above a corner.

    Of several draws the one with the lowest crest factor is used (random phases: Schroeder, IEEE Trans. Inf.
    Theory 16, 1970, for the peak of such sums; from memory).
    """
    lowest, highest = (round(f * period_s) for f in lines_Hz)
    bins = np.unique(np.round(np.geomspace(max(1, lowest), highest, count)).astype(int))
    frequencies = bins / period_s
    sizes = 1.0 / np.maximum(1.0, frequencies / corner_Hz)
    chance = np.random.default_rng(seed)
    t = np.arange(0, period_s, 0.1 / float(frequencies[-1]))
    best, least = None, math.inf
    for _ in range(CREST_TRIES):
        drawn = Multisine(frequencies, sizes, chance.uniform(0, 2 * math.pi, len(bins)), period_s)
        peak = float(np.max(np.abs(drawn.at(t))))
        if peak < least:
            best, least = drawn, peak
    assert best is not None
    return best
