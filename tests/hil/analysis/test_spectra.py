"""Spectra, alignment and differences of figures, against signals with a known answer."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from hil.analysis import (
    align_by_correlation,
    common_events,
    compare_figures,
    event_times,
    frequency_spectrum,
    order_spectrum,
)
from hil.analysis.measures import Figure, Measured
from hil.recorder import RunError

RATE_HZ = 1000.0


def late_times(count: int, seed: int = 1) -> np.ndarray:
    """Return times at 1 kHz, each up to 0.2 ms late."""
    return np.arange(count) / RATE_HZ + np.random.default_rng(seed).uniform(0, 2e-4, count)


def test_a_sine_and_noise_have_their_density() -> None:
    times = np.arange(60_000) / RATE_HZ
    rng = np.random.default_rng(2)
    values = 3.0 * np.sin(2 * np.pi * 50.0 * times) + rng.normal(0.0, 0.5, len(times))
    found = frequency_spectrum(times, values)
    assert found.places[np.argmax(found.amplitudes)] == pytest.approx(50.0, abs=found.step)
    power = np.sum(found.amplitudes**2) * found.step
    assert power == pytest.approx(3.0**2 / 2 + 0.25, rel=0.02)
    quiet = found.amplitudes[(found.places > 100) & (found.places < 450)]
    assert np.sqrt(np.mean(quiet**2)) == pytest.approx(0.5 / np.sqrt(RATE_HZ / 2), rel=0.05)
    assert found.segments >= 7


def test_late_cycles_and_missing_values_leave_the_peak_where_it_is() -> None:
    times = late_times(20_000)
    values = np.sin(2 * np.pi * 20.0 * times)
    values[100:140] = np.nan
    found = frequency_spectrum(times, values)
    assert found.places[np.argmax(found.amplitudes)] == pytest.approx(20.0, abs=found.step)


@given(st.floats(2.0, 12.0), st.floats(0.2, 2.0))
@settings(max_examples=10)
def test_an_order_is_found_whatever_the_speed(order: float, speed: float) -> None:
    # Back and forth at changing speed: in frequency the ripple is smeared. The motor turns at up to
    # 12 · speed revolutions per second; a ripple with fewer than 6 samples per period reads low.
    assume(12.0 * order * speed < 1000.0 / 6.0)
    times = late_times(30_000)
    turns = 10.0 * np.sin(speed * times) ** 2 * (1.0 + 0.2 * np.sin(0.1 * times))
    values = 2.0 * np.cos(2 * np.pi * order * turns) + 5.0
    found = order_spectrum(turns, values)
    peak = int(np.argmax(found.amplitudes))
    assert found.places[peak] == pytest.approx(order, abs=found.step)
    assert found.amplitudes[peak] == pytest.approx(2.0, rel=0.25)


@pytest.mark.parametrize(
    ("turns", "said"),
    [
        (np.sin(np.arange(5000) / 100.0), "less than 2 turns in one direction"),
        (np.arange(5000) * 0.5, "samples a turn"),
        (np.arange(20) * 0.01, "20 samples are too few"),
    ],
)
def test_what_has_no_order_spectrum_is_said(turns: np.ndarray, said: str) -> None:
    with pytest.raises(RunError, match=said):
        order_spectrum(turns, np.ones(len(turns)))


# ------------------------------------------------------------------ alignment


def course(times: np.ndarray) -> np.ndarray:
    """Return a signal without any resemblance to itself at another time."""
    return (
        40.0 * np.tanh(3.0 * (times - 4.0))
        + 15.0 * np.exp(-(((times - 9.0) / 0.4) ** 2))
        + 4.0 * np.sin(7.0 * times + 0.3 * times**2)
    )


@given(st.floats(-5.0, 5.0), st.integers(0, 50))
@settings(max_examples=10)
def test_the_same_course_is_laid_over_itself(delay_s: float, seed: int) -> None:
    times, other_times = late_times(14_000, seed), 100.0 + late_times(16_000, seed + 1)
    noise = np.random.default_rng(seed).normal(0.0, 1.0, 16_000)
    other = 0.9 * course(other_times - 100.0 - delay_s) + 3.0 + noise
    found = align_by_correlation(times, course(times), other_times, other)
    assert found.shift_s == pytest.approx(-100.0 - delay_s, abs=0.004)
    assert found.correlation > 0.9


def test_a_long_run_is_aligned_to_a_part_of_its_coarse_step() -> None:
    count = 700_000
    times, other_times = late_times(count), late_times(count, 2)
    both = [course((t + 30.0 * np.sin(t / 50.0)) % 61.0) for t in (times, other_times - 2.345)]
    found = align_by_correlation(times, both[0], other_times, both[1])
    assert found.shift_s == pytest.approx(-2.345, abs=0.002)


def test_what_cannot_be_aligned_is_said() -> None:
    times = np.arange(1000) / RATE_HZ
    with pytest.raises(RunError, match="does not vary"):
        align_by_correlation(times, np.ones(1000), times, np.sin(times))
    with pytest.raises(RunError, match="without values"):
        align_by_correlation(times, np.full(1000, np.nan), times, np.sin(times))
    with pytest.raises(RunError, match="too few"):
        align_by_correlation(times[:9], times[:9], times, np.sin(times))


def test_events_that_all_runs_have_are_found_in_order() -> None:
    def run(*events: tuple[str, float]) -> Any:
        told = [{"kind": "marker", "text": text, "time_s": at} for text, at in events]
        return SimpleNamespace(
            events=[*told, {"kind": "stop", "cause": "Operator", "time_s": 50.0}]
        )

    one = run(("push", 3.0), ("begin hold: weight", 5.0), ("push", 8.0))
    two = run(("begin hold: weight", 1.0), ("push", 2.0))
    three = run(("push", 9.0))
    assert common_events([one, two]) == ["push", "weight", "stop: Operator"]
    assert common_events([one, two, three]) == ["push", "stop: Operator"]
    assert event_times(one)["push"] == 3.0


# ------------------------------------------------------------------ figures


def figure(name: str, mean_N: float, u95_N: float, disturbed: bool = False) -> Figure:
    verdict: Any = SimpleNamespace(disturbed=disturbed)
    section: Any = None
    return Figure("constant_force", name, {"mean_N": mean_N, "u95_N": u95_N}, section, verdict)


def test_differences_carry_both_uncertainties() -> None:
    first = Measured([figure("low", 100.0, 0.3), figure("high", 200.0, 1.0)], [])
    second = Measured([figure("low", 101.0, 0.4), figure("other", 1.0, 1.0)], [])
    third = Measured([figure("high", 200.5, np.nan), figure("low", 100.1, 0.4, True)], [])
    low, low_again, high = compare_figures([first, second, third])
    assert (low.run, low.difference, low.u95, low.score) == pytest.approx((1, 1.0, 0.5, 2.0))
    assert low.differs and "difference +1 ± 0.5 N (k = 2), E_n +2.00: differs" in low.line
    assert not low_again.differs and low_again.line.endswith("a reading is disturbed")
    assert not high.differs and "uncertainty not known" in high.line
