"""Figures from a recorded run: setpoint, reading and verdict, between the markers of a sequence.

A figure named N of kind K lies between the markers ``begin K: N`` and ``end K: N``; a
``steady K: N`` between them ends the settling. Markers carry setpoints as values, and a declared
tolerance as ``tolerance`` in the unit of the figure.
"""

from __future__ import annotations

import math
import re
from collections.abc import Sequence as Items
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from drivers.motion import LENGTH
from hil.analysis.verdicts import Verdict, judge
from hil.recorder import Recorded

Array = NDArray[np.float64]
_MARKER = re.compile(r"(begin|steady|end) (\w+): (.*)")
LEAST_MOVED_M = 5e-5  # less movement does not determine a stiffness


@dataclass(frozen=True)
class Section:
    """A marked part of a run; ``begin``, ``steady``, ``end`` are row numbers."""

    kind: str
    name: str
    begin: int
    steady: int
    end: int
    values: dict[str, float]


@dataclass(frozen=True)
class Figure:
    """One measured result. ``values`` is as printed; ``section`` is its source."""

    kind: str
    name: str
    values: dict[str, Any]
    section: Section
    verdict: Verdict


@dataclass(frozen=True)
class Measured:
    """Figures of a run, and those that are missing."""

    figures: list[Figure]
    missing: list[str]
    timing: dict[str, Any] = field(default_factory=dict)

    @property
    def not_good(self) -> list[Figure]:
        """Figures whose verdict is not good."""
        return [figure for figure in self.figures if not figure.verdict.good]

    @property
    def good(self) -> bool:
        """True if every figure is present and good."""
        return not self.missing and not self.not_good

    def as_data(self) -> dict[str, Any]:
        """Return data for JSON: ``virtual_spring`` is a list; of each other kind the last one counts."""
        data: dict[str, Any] = dict(self.timing)
        for figure in self.figures:
            values = {"name": figure.name, **figure.values, **figure.verdict.as_data()}
            # JSON knows no NaN.
            values = {k: None if v != v else v for k, v in values.items()}
            if figure.kind == "virtual_spring":
                data.setdefault("virtual_spring", []).append(values)
            else:
                data[figure.kind] = values
        if self.missing:
            data["missing"] = list(self.missing)
        data["figures_good"] = self.good
        return data


def measure(run: Recorded, expected: Items[tuple[str, str]] = ()) -> Measured:
    """Return all figures of a run.

    Args:
        run: recorded, or held in memory.
        expected: (kind, name) that must be present; others are named in ``missing``.
    """
    figures: list[Figure] = []
    missing: list[str] = []
    for section in sections(run):
        try:
            values, scatter = _MEASURES[section.kind](run, section)
        except ValueError as error:
            missing.append(f"{section.kind} '{section.name}': {error}")
            continue
        rows = (section.begin, section.steady, section.end)
        declared = section.values.get("tolerance")
        verdict = judge(run, section.kind, values, rows, declared, scatter)
        figures.append(Figure(section.kind, section.name, values, section, verdict))
    got = {(figure.kind, figure.name) for figure in figures}
    named = " ".join(missing)
    for kind, name in expected:
        if (kind, name) not in got and f"{kind} '{name}'" not in named:
            missing.append(f"{kind} '{name}': {_cut_off(run)}")
    return Measured(figures, missing, timing(run))


def _cut_off(run: Recorded) -> str:
    """Return why an expected figure is missing."""
    stops = [event for event in run.events if event["kind"] == "stop"]
    if stops and stops[-1].get("trip"):
        return f"a stop ended the run before it was measured ({stops[-1]['cause'].lower()})"
    return "the run ended before it was measured"


def sections(run: Recorded) -> list[Section]:
    """Return the complete marked parts of a run, in order of their ends."""
    cycles = np.asarray(run.column("cycle"))
    open_: dict[tuple[str, str], dict[str, int]] = {}
    found: list[Section] = []
    for event in run.events:
        match = _MARKER.fullmatch(str(event.get("text", ""))) if event["kind"] == "marker" else None
        if match is None or match[2] not in _MEASURES:
            continue
        moment, key = match[1], (match[2], match[3])
        # A marker of cycle n was taken after that cycle's row.
        row = int(np.searchsorted(cycles, event["cycle"], side="right"))
        if moment == "begin":
            open_[key] = {"begin": row, "steady": row}
        elif key in open_ and moment == "steady":
            open_[key]["steady"] = row
        elif key in open_:
            rows = open_.pop(key)
            found.append(
                Section(*key, rows["begin"], rows["steady"], row, dict(event.get("values", {})))
            )
    return found


def mark_label(text: str) -> str:
    """Label a marker for a chart: the figure's name where it begins, else its text.

    Where a figure becomes steady and where it ends, a line is enough: "".
    """
    match = _MARKER.fullmatch(text)
    if match is None:
        return text
    return match[3] if match[1] == "begin" else ""


def timing(run: Recorded) -> dict[str, Any]:
    """Return rate_hz, cycles, late_cycles and lost_samples of a run.

    A cycle is late if its work was done more than one period after it was due.
    """
    time_s, cycle = np.asarray(run.column("time_s")), np.asarray(run.column("cycle"))
    if len(time_s) < 2:
        return {"rate_hz": 0.0, "cycles": len(time_s), "late_cycles": 0, "lost_samples": 0}
    span = float(time_s[-1] - time_s[0])
    steps = float(cycle[-1] - cycle[0])
    period = float(np.median(np.diff(time_s)))
    # A row holds the work of the cycle before it.
    done = np.asarray(run.column("wake_latency_s"))[:-1] + np.asarray(run.column("work_s"))[1:]
    return {
        "rate_hz": round(steps / span, 3) if span > 0 else 0.0,
        "cycles": len(cycle),
        "late_cycles": int(np.count_nonzero(done > period)),
        "lost_samples": int(np.sum(np.diff(cycle) - 1)),
    }


def _steady(run: Recorded, section: Section, *names: str) -> list[Array]:
    arrays = [
        np.asarray(run.column(name), dtype=float)[section.steady : section.end] for name in names
    ]
    if len(arrays[0]) < 50:
        raise ValueError(f"only {len(arrays[0])} samples between its markers")
    return arrays


def _mean_u95(values: Array) -> float:
    """Return the expanded uncertainty (k = 2) of a mean by the scatter of its samples.

    Samples a millisecond apart are correlated: the number of sign changes about the mean is the
    number of independent ones.
    """
    crossings = int(np.count_nonzero(np.diff(np.signbit(values - np.mean(values)))))
    return float(2.0 * np.std(values) / math.sqrt(max(2, crossings)))


def constant_force(run: Recorded, section: Section) -> tuple[dict[str, Any], float]:
    """Return mean and rms error of the spring force against its setpoint, in N, and scatter.

    ``follow_rms_N`` is the rms error against the force that virtual damping made of the
    setpoint. ``u95_N`` (k = 2) joins the calibration's uncertainty and the scatter.
    """
    force, shaped, known = _steady(
        run, section, "spring_force_N", "setpoint_force_N", "force_u95_N"
    )
    setpoint = section.values["setpoint_N"]
    scatter = _mean_u95(force)
    calibrated = float(np.nanmean(known)) if np.isfinite(known).any() else math.nan
    followed = (force - shaped) ** 2
    follow = math.sqrt(np.nanmean(followed)) if np.isfinite(followed).any() else math.nan
    return {
        "setpoint_N": setpoint,
        "mean_N": round(float(np.mean(force)), 3),
        "u95_N": round(math.hypot(calibrated, scatter), 3),
        "rms_error_N": round(float(np.sqrt(np.mean((force - setpoint) ** 2))), 3),
        "follow_rms_N": round(follow, 3),
    }, scatter


def virtual_spring(run: Recorded, section: Section) -> tuple[dict[str, Any], float]:
    """Return the stiffness in N/mm by least squares of recorded force on output position and velocity.

    The spring pulls back: F = F0 − K·x − B·v, with x from the rest position where that moves.
    Velocity is in the fit so that damping, real or virtual, does not bias the stiffness.
    ``u95_N_per_mm`` is twice the standard uncertainty of K (JCGM 100:2008, H.3); residuals count
    as one for as long as they keep their sign, since samples a millisecond apart are correlated.
    """
    force, x, v, rest = _steady(
        run,
        section,
        "spring_force_N",
        "output_position_m",
        "output_velocity_m_s",
        "rest_position_m",
    )
    if np.ptp(rest) > 0.0:  # it follows another axis
        x = x - rest
    moved = float(np.ptp(x))
    if moved < LEAST_MOVED_M:
        raise ValueError(f"the output moved only {LENGTH(moved):.3f}{LENGTH}")
    design = np.column_stack([np.ones_like(x), x - x.mean(), v])
    scale = np.maximum(np.linalg.norm(design, axis=0), 1e-12)
    coefficients, _, rank, _ = np.linalg.lstsq(design / scale, force, rcond=None)
    if rank < 3:
        raise ValueError("position and velocity do not vary independently")
    coefficients = coefficients / scale
    residuals = force - design @ coefficients
    crossings = int(np.count_nonzero(np.diff(np.signbit(residuals))))
    independent = max(2.0, float(crossings))
    covariance = np.linalg.inv((design / scale).T @ (design / scale))
    variance = float(np.mean(residuals**2)) * len(x) / independent
    deviation = math.sqrt(covariance[1, 1] * variance) / float(scale[1])
    u95 = round(2.0 * deviation / 1e3, 3)
    return {
        "setpoint_N_per_mm": round(section.values["setpoint_N_per_mm"], 6),
        "measured_N_per_mm": round(-float(coefficients[1]) / 1e3, 3),
        "u95_N_per_mm": u95,
        "moved_mm": round(moved * 1e3, 3),
    }, u95


def hold(run: Recorded, section: Section) -> tuple[dict[str, Any], float]:
    """Return how far the output is below the position setpoint, in mm; weight in kg.

    ``dip_mm`` is the largest distance below it since the weight came on, ``swing_rms_mm`` the
    rms motion about the mean.
    """
    x, rest = _steady(run, section, "output_position_m", "rest_position_m")
    whole = np.asarray(run.column("output_position_m"), dtype=float)[section.begin : section.end]
    target = float(np.nanmean(rest)) if np.isfinite(rest).any() else math.nan
    if not math.isfinite(target):
        raise ValueError("no position was being held")
    scatter = _mean_u95(x) * 1e3
    return {
        "weight_kg": section.values["weight_kg"],
        "sag_mm": round((target - float(np.mean(x))) * 1e3, 3),
        "u95_mm": round(scatter, 3),
        "swing_rms_mm": round(float(np.std(x)) * 1e3, 3),
        "dip_mm": round((target - float(np.min(whole))) * 1e3, 3),
    }, scatter


def stop(run: Recorded, section: Section) -> tuple[dict[str, Any], float]:
    """Return the cause of the stop between the markers and ms from its request to the wire."""
    cycles = np.asarray(run.column("cycle"))
    first = cycles[min(section.begin, len(cycles) - 1)] - 1
    last = cycles[min(section.end, len(cycles) - 1)]
    for event in run.events:
        if event["kind"] == "stop" and first <= event["cycle"] <= last:
            cause = event["detail"] or event["cause"]
            return {"cause": cause, "to_wire_ms": event["to_wire_ms"]}, math.nan
    raise ValueError("no stop was recorded between its markers")


_MEASURES = {
    "constant_force": constant_force,
    "virtual_spring": virtual_spring,
    "hold": hold,
    "stop": stop,
}
