"""Figures from recorded rows, against closed forms and scipy."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from hil.analysis.measures import mark_label, measure, sections
from hil.core.samples import COLUMNS

N = 6000
TIME = np.arange(N) / 1000.0


class MadeRun:
    """A run in memory with the given columns; all others are zero."""

    def __init__(self, **columns: Any) -> None:
        self.columns = {column.name: np.zeros(N) for column in COLUMNS}
        self.columns["time_s"] = TIME
        self.columns["cycle"] = np.arange(1.0, N + 1)
        self.columns |= columns
        self.events: list[dict[str, Any]] = []

    def column(self, name: str) -> Any:
        return self.columns[name]

    def marker(self, text: str, cycle: int, **values: float) -> None:
        self.events.append(
            {
                "kind": "marker",
                "text": text,
                "values": values,
                "cycle": cycle,
                "time_s": cycle / 1e3,
            }
        )

    def section(
        self, kind: str, name: str, begin: int, steady: int, end: int, **values: float
    ) -> None:
        self.marker(f"begin {kind}: {name}", begin, **values)
        self.marker(f"steady {kind}: {name}", steady, **values)
        self.marker(f"end {kind}: {name}", end, **values)


def swing(stiffness: float, damping: float, noise: float, seed: int = 3) -> MadeRun:
    """Return a run whose output swings on a damped spring about 27.5 mm, with noise on the force."""
    omega = 2 * np.pi * 0.9
    x = 0.0275 + 0.004 * np.sin(omega * TIME)
    v = 0.004 * omega * np.cos(omega * TIME)
    random = np.random.default_rng(seed)
    force = 210.0 - stiffness * (x - 0.0275) - damping * v + random.normal(0, noise, N)
    return MadeRun(spring_force_N=force, output_position_m=x, output_velocity_m_s=v)


def regression(x: Any, y: Any) -> Any:
    from scipy.stats import linregress  # slow to load

    return linregress(x, y)


def test_stiffness_is_that_of_the_law_whatever_the_damping_and_the_window() -> None:
    run = swing(40e3, 900.0, 0.0)
    # Part of a period: a fit without the velocity term would be biased.
    run.section("virtual_spring", "k", 100, 500, 1300, setpoint_N_per_mm=40.0)
    [figure] = measure(run).figures
    assert figure.values["measured_N_per_mm"] == pytest.approx(40.0, abs=1e-3)
    assert figure.values["setpoint_N_per_mm"] == 40.0
    leaning = regression(
        run.column("output_position_m")[500:1300], run.column("spring_force_N")[500:1300]
    )
    assert abs(-leaning.slope / 1e3 - 40.0) > 0.3


def test_without_damping_it_is_scipys_regression() -> None:
    run = swing(40e3, 0.0, 2.0)
    run.section("virtual_spring", "k", 0, 1000, 6000, setpoint_N_per_mm=40.0)
    # scipy.stats.linregress over whole periods, in which velocity is orthogonal to position.
    ours = measure(run).figures[0].values
    theirs = regression(
        run.column("output_position_m")[1000:6000], run.column("spring_force_N")[1000:6000]
    )
    assert ours["measured_N_per_mm"] == pytest.approx(-theirs.slope / 1e3, abs=0.01)
    # White noise changes sign every other sample: half of the samples count as independent.
    assert ours["u95_N_per_mm"] == pytest.approx(2 * theirs.stderr * np.sqrt(2) / 1e3, abs=2e-3)


def test_the_uncertainty_covers_the_truth_about_as_often_as_it_says() -> None:
    inside = 0
    for seed in range(60):
        run = swing(100e3, 500.0, 3.0, seed)
        run.section("virtual_spring", "k", 0, 0, 1500, setpoint_N_per_mm=100.0)
        values = measure(run).figures[0].values
        inside += abs(values["measured_N_per_mm"] - 100.0) <= values["u95_N_per_mm"]
    assert inside >= 54


def test_a_stiffness_without_movement_is_missing_and_not_invented() -> None:
    run = swing(40e3, 0.0, 0.1)
    run.columns["output_position_m"] = np.full(N, 0.0275)
    run.section("virtual_spring", "k", 0, 0, 6000, setpoint_N_per_mm=40.0)
    measured = measure(run, [("virtual_spring", "k")])
    assert measured.figures == []
    assert measured.missing == ["virtual_spring 'k': the output moved only 0.000 mm"]


def test_constant_force_means_and_rms_are_those_of_the_steady_part() -> None:
    force = np.where(TIME < 1.0, 0.0, 212.0 + 3.0 * np.sign(np.sin(2 * np.pi * 5 * TIME + 1e-9)))
    run = MadeRun(spring_force_N=force, setpoint_force_N=np.full(N, 211.0))
    run.section("constant_force", "f", 500, 1000, 5000, setpoint_N=210.0)
    values = measure(run).figures[0].values
    assert values["mean_N"] == pytest.approx(212.0, abs=0.01)
    assert values["rms_error_N"] == pytest.approx(np.sqrt(9 + 4), abs=0.01)
    assert values["follow_rms_N"] == pytest.approx(np.sqrt(9 + 1), abs=0.01)


def test_sag_is_from_the_position_asked_for_and_dip_since_the_weight_came_on() -> None:
    x = np.where(TIME < 1.2, 0.0275, np.where(TIME < 1.4, 0.0240, 0.0271))
    run = MadeRun(output_position_m=x, rest_position_m=np.full(N, 0.0275))
    run.section("hold", "h", 1000, 2000, 5000, weight_kg=5.0)
    values = measure(run).figures[0].values
    assert values == {
        "weight_kg": 5.0,
        "sag_mm": 0.4,
        "u95_mm": 0.0,
        "swing_rms_mm": 0.0,
        "dip_mm": 3.5,
    }


def test_a_stop_is_found_between_its_markers_only() -> None:
    run = MadeRun()
    stop = {"kind": "stop", "cause": "Operator", "detail": "exercise", "to_wire_ms": 0.8}
    run.events.append({**stop, "cycle": 100, "to_wire_ms": 99.0})
    run.marker("begin stop: s", 3000)
    run.events.append({**stop, "cycle": 3000})
    run.marker("end stop: s", 3500)
    assert measure(run).figures[0].values == {"cause": "exercise", "to_wire_ms": 0.8}


def test_what_was_expected_and_never_ended_is_missing() -> None:
    run = MadeRun()
    run.marker("begin hold: h", 10)
    run.marker("operator wrote begin hold: h", 11)
    assert sections(run) == []
    measured = measure(run, [("hold", "h")])
    assert measured.missing == ["hold 'h': the run ended before it was measured"]
    assert measured.as_data()["missing"] == measured.missing


def test_timing_counts_late_cycles_and_lost_samples() -> None:
    run = MadeRun()
    run.columns["wake_latency_s"] = np.full(N, 1e-4)
    run.columns["work_s"] = np.full(N, 3e-4)
    run.columns["work_s"][101] = 9.5e-4  # belongs to the cycle in row 100
    run.columns["wake_latency_s"][500] = 8e-4
    run.columns["cycle"] = np.arange(1, N + 1) + 2 * (np.arange(N) > 3000)
    run.columns["time_s"] = run.columns["cycle"] / 1000.0
    timing = measure(run).timing
    assert timing == {"rate_hz": 1000.0, "cycles": N, "late_cycles": 2, "lost_samples": 2}


def test_a_run_without_samples_gives_nothing_and_does_not_fail() -> None:
    run = MadeRun(**{column.name: np.zeros(0) for column in COLUMNS})
    run.marker("begin hold: h", 10)
    run.marker("end hold: h", 12)
    assert measure(run).as_data()["cycles"] == 0


def test_a_chart_names_a_figure_once_where_it_begins() -> None:
    labels = [mark_label(f"{moment} virtual_spring: soft") for moment in ("begin", "steady", "end")]
    assert labels == ["soft", "", ""]
    assert mark_label("weight touched: left") == "weight touched: left"
