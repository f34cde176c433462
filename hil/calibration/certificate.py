"""The certificate of a calibration: one page to read, sign and keep, made from its file alone."""

from __future__ import annotations

import io
import math
from pathlib import Path
from typing import Any

import matplotlib
import numpy as np
from jinja2 import Environment, FileSystemLoader, StrictUndefined
from markupsafe import Markup
from matplotlib.backends.backend_svg import FigureCanvasSVG
from matplotlib.figure import Figure as Canvas
from numpy.typing import NDArray

from drivers.motion import FORCE, LENGTH, PER_COUNT, STIFFNESS, is_rotary, worded
from hil.calibration.calibration_file import CalibrationFile, calibration_hash
from hil.calibration.comparison import counts_for
from hil.control import ForceCalibration
from hil.profile import TwoSlopes, arc_tables

Array = NDArray[np.float64]
# Okabe and Ito's palette, told apart with any colour vision; marks and dashes differ in grey.
BLUE, VERMILION, GREEN, ORANGE, SKY, INK = (
    "#0072B2",
    "#D55E00",
    "#009E73",
    "#E69F00",
    "#56B4E9",
    "#1b2230",
)
COLOURS = (BLUE, VERMILION, GREEN, ORANGE, SKY, "#CC79A7")
DASHES = ("-", "--", "-.", ":")
LOOKS = 201
MOST_ROWS = 24  # of the uncertainty table
SAME_LOAD = 0.01  # of the largest: one step of the calibration


def certificate(file: CalibrationFile) -> str:
    """Return the whole page; self-contained."""
    environment = Environment(
        loader=FileSystemLoader(Path(__file__).parent), autoescape=True, undefined=StrictUndefined
    )
    environment.filters["sig"] = shown
    content = file.content
    law = file.law
    return environment.get_template("certificate.html").render(
        c=content,
        sha256=file.sha256,
        identity=file.identity,
        part_sha256=calibration_hash(file.part),
        verdict="; ".join(f.sentence for f in file.errors),
        plots=[Markup(plot) for plot in _plots(file, law)],
        spring_law=_law_rows(file, law),
        points=[dict(zip(content.points.columns, row, strict=True)) for row in content.points.rows],
        coefficients=list(
            zip(
                content.law.names,
                content.law.coefficients,
                content.law.standard_errors,
                strict=True,
            )
        ),
        correlation=content.law.correlation,
        budget=_budget_rows(file),
        components=[_word(name) for name in content.budget.columns[2:]],
        figures=content.figures,
        range_N=file.range_N,
        largest_u95=file.largest_u95_N,
    )


def shown(value: object, digits: int = 4) -> str:
    """Return a number for display; a dash for an unknown value."""
    if value is None or (isinstance(value, float) and not math.isfinite(value)):
        return "–"
    if isinstance(value, int | float):
        return f"{value:.{digits}g}"
    return str(value)


def _law_rows(file: CalibrationFile, law: ForceCalibration) -> list[tuple[str, str]]:
    calibration = file.calibration
    spring = calibration.spring_law
    rows = [("Zero", f"{calibration.zero:.2f} counts")]
    if calibration.sensor_table:
        rows.append(("Sensor", f"table of {len(calibration.sensor_table)} rows"))
    else:
        rows.append(
            ("Deflection", f"{PER_COUNT(calibration.deflection_per_count):+.5f}{PER_COUNT}")
        )
    if isinstance(spring, TwoSlopes):
        rows += [
            ("Rate below the knee", f"{STIFFNESS(spring.inner_rate):.4g}{STIFFNESS}"),
            ("Rate beyond the knee", f"{STIFFNESS(spring.outer_rate):.4g}{STIFFNESS}"),
            (
                "Knee",
                f"{LENGTH(spring.knee):.3f}{LENGTH}, {FORCE(spring.knee * spring.inner_rate):.1f}{FORCE}",
            ),
        ]
    else:
        written = arc_tables(calibration, inside=False) if is_rotary() else calibration
        shown = written.spring_law
        assert not isinstance(shown, TwoSlopes)
        terms = " ".join(f"{c:+.6g}·δ^{i}" for i, c in enumerate(shown.coefficients))
        rows.append((f"{worded('Force', 'Torque')} in {FORCE.unit}, δ in {LENGTH.unit}", terms))
    rows.append(
        ("Force per count at zero", f"{FORCE(abs(law.stiffness(0) * law.per_count)):.3g}{FORCE}")
    )
    return rows


def _budget_rows(file: CalibrationFile) -> list[list[str]]:
    rows = list(file.content.budget.rows)
    step = max(1, math.ceil(len(rows) / MOST_ROWS))
    kept = rows[::step] + ([rows[-1]] if rows and (len(rows) - 1) % step else [])
    return [[shown(value, 3) for value in row] for row in kept]


def _word(column: str) -> str:
    return column.removesuffix("_N").replace("_", " ")


# -- plots -------------------------------------------------------------------------------------


def _plots(file: CalibrationFile, law: ForceCalibration) -> list[str]:
    table = file.content.points
    per_N = FORCE.factor
    load = per_N * np.array(table.column("load_N"), dtype=float)
    reading = np.array(table.column("reading_counts"), dtype=float)
    sense = np.array(table.column("direction"), dtype=int)
    series = np.array(table.column("series"), dtype=int)
    out = np.array(table.column("outlier"), dtype=bool)
    force = per_N * np.array([law.force(law.deflection(r)) for r in reading])
    low, high = file.range_N
    beyond = 0.02 * (high - low)
    grid = np.linspace(low - beyond, high + beyond, LOOKS)
    band = per_N * np.array([law.u95(f) for f in grid])
    at = per_N * grid
    marks = [(sense >= 0, "^", BLUE, "rising"), (sense < 0, "v", VERMILION, "falling")]

    def scattered(axis: Any, x: Array, y: Array) -> None:
        for which, mark, colour, label in marks:
            which = which & ~out
            axis.plot(x[which], y[which], mark, color=colour, ms=4, mfc="none", label=label)
        if out.any():
            axis.plot(x[out], y[out], "x", color=INK, ms=5, label="set aside")

    def drawn_law(axis: Any) -> None:
        axis.plot(at, [counts_for(law, f) for f in grid], color=INK, lw=1, label="law")
        scattered(axis, load, reading)

    def drawn_residuals(axis: Any) -> None:
        axis.fill_between(at, -band, band, color=SKY, alpha=0.25, lw=0, label="±U, k = 2")
        axis.axhline(0, color=INK, lw=0.8)
        scattered(axis, load, force - load)

    def drawn_hysteresis(axis: Any) -> None:
        axis.axhline(0, color=INK, lw=0.8)
        for i, number in enumerate(np.unique(series).tolist()):
            x, y = hysteresis(load, force, sense, (series == number) & ~out)
            axis.plot(
                x,
                y,
                "o" + DASHES[i % len(DASHES)],
                color=COLOURS[i % len(COLOURS)],
                ms=3,
                lw=0.9,
                label=f"series {number}",
            )

    def drawn_uncertainty(axis: Any) -> None:
        budget = file.content.budget
        x = np.array(budget.column("force_N"), dtype=float)
        inside = (x >= low - beyond) & (x <= high + beyond)
        for i, name in enumerate(budget.columns[2:]):
            axis.plot(
                per_N * x[inside],
                per_N * np.array(budget.column(name), dtype=float)[inside],
                DASHES[i // len(COLOURS) % len(DASHES)],
                color=COLOURS[i % len(COLOURS)],
                lw=0.9,
                label=_word(name),
            )
        axis.plot(
            per_N * x[inside],
            per_N * np.array(budget.column("u_N"), dtype=float)[inside],
            color=INK,
            lw=1.6,
            label="u(F)",
        )
        axis.set_ylim(bottom=0)

    word, loads = worded("Force", "Torque"), f"Load in {FORCE.unit}"
    off = f"Difference in {FORCE.unit}"
    plots = [
        _drawn("Reading against load, and the law", loads, "Reading in counts", drawn_law),
        _drawn(f"{word} by the law minus load", loads, off, drawn_residuals),
        _drawn("Hysteresis: falling minus rising", loads, off, drawn_hysteresis),
        _drawn(
            "Standard uncertainty and its parts",
            f"{word} in {FORCE.unit}",
            f"u in {FORCE.unit}",
            drawn_uncertainty,
        ),
    ]
    sensor = file.content.sensor
    if sensor.get("counts"):

        def drawn_sensor(axis: Any) -> None:
            axis.axhline(0, color=INK, lw=0.8)
            x = LENGTH.factor * np.array(sensor["deflection_m"], dtype=float)
            y = np.array(sensor["residual_counts"], dtype=float)
            axis.plot(x, y, "o", color=GREEN, ms=3)

        plots.append(
            _drawn(
                "Sensor against nut travel, output held",
                f"Deflection in {LENGTH.unit}",
                "Residual in counts",
                drawn_sensor,
            )
        )
    return plots


def hysteresis(
    load: Array, force: Array, sense: NDArray[np.int64], which: NDArray[np.bool_]
) -> tuple[Array, Array]:
    """Return (load, falling minus rising) of the points ``which``, one pair per load step.

    Small differences of load within a step are corrected for.
    """
    span = float(np.abs(load).max(initial=0.0)) or 1.0
    chosen = np.flatnonzero(which)
    order = chosen[np.argsort(load[chosen], kind="stable")]
    steps = np.split(order, np.flatnonzero(np.diff(load[order]) > SAME_LOAD * span) + 1)
    off = force - load
    at, gap = [], []
    for step in steps:
        up, down = step[sense[step] >= 0], step[sense[step] < 0]
        if up.size and down.size:
            at.append(float(load[step].mean()))
            gap.append(float(off[down].mean() - off[up].mean()))
    return np.array(at), np.array(gap)


def _drawn(title: str, x_label: str, y_label: str, draw: Any) -> str:
    with matplotlib.rc_context({"font.size": 8, "svg.fonttype": "path"}):
        canvas = Canvas(figsize=(5.2, 3.1), layout="constrained")
        FigureCanvasSVG(canvas)
        axis = canvas.subplots()
        draw(axis)
        axis.set_title(title, fontsize=9)
        axis.set_xlabel(x_label)
        axis.set_ylabel(y_label)
        axis.grid(alpha=0.25)
        for spine in ("top", "right"):
            axis.spines[spine].set_visible(False)
        if axis.get_legend_handles_labels()[0]:
            axis.legend(frameon=False, fontsize=6.5, loc="best")
        text = io.StringIO()
        canvas.savefig(text, format="svg", transparent=True, metadata={"Date": None})
    svg = text.getvalue()
    return svg[svg.index("<svg") :]
