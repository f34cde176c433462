"""One page about one run: figures, course, limits, timing, calibration, cautions, versions."""

from __future__ import annotations

import base64
import datetime
import io
import platform
from dataclasses import dataclass
from importlib.metadata import version
from pathlib import Path
from typing import Any

import numpy as np
from jinja2 import Environment, FileSystemLoader, StrictUndefined
from markupsafe import Markup
from numpy.typing import NDArray

from drivers.motion import FORCE, LENGTH, PER_COUNT, SPEED, STIFFNESS, restated, unit_name, worded
from hil.analysis.figure_texts import figure_cells
from hil.analysis.measures import Measured
from hil.calibration import run_warnings
from hil.core import Limit, label
from hil.profile import Profile, TwoSlopes
from hil.recorder import Recorded, named_calibration

Array = NDArray[np.float64]
PLOT_COLUMNS = 1100  # pixel columns of a plot; more points than twice this show nothing more
# Okabe and Ito's palette, distinguishable with any colour vision.
BLUE, SKY, ORANGE, VERMILION, GREEN, INK = (
    "#0072B2",
    "#56B4E9",
    "#E69F00",
    "#D55E00",
    "#009E73",
    "#1b2230",
)


@dataclass(frozen=True, kw_only=True)
class ReportFrame:
    """Texts and picture around a report's figures.

    Attributes:
        title, lead, verdict: texts at the head; ``good`` False doubles the frame of the verdict.
        picture: PNG of the dashboard, embedded.
        about: drive and host, for the footer.
    """

    title: str
    lead: str = ""
    verdict: str = ""
    good: bool = True
    picture: Path | None = None
    about: str = ""


def write_report(
    path: Path, run: Recorded, profile: Profile, measured: Measured, frame: ReportFrame
) -> None:
    """Write a self-contained HTML page.

    Args:
        path: path of the page; written whole or not at all.
        run: the recorded run.
        profile: profile of the rig.
        measured: figures of the run.

    Raises:
        OSError: the page cannot be written.
    """
    environment = Environment(
        loader=FileSystemLoader(Path(__file__).parent), autoescape=True, undefined=StrictUndefined
    )
    html = environment.get_template("report.html").render(
        title=frame.title,
        lead=frame.lead,
        verdict=frame.verdict,
        good=frame.good,
        figures=[(figure_cells(figure), figure.verdict) for figure in measured.figures],
        missing=measured.missing,
        plot=Markup(_plot(run, measured)),
        limits=_limit_rows(run, profile),
        limited=_limited(run),
        timing=_timing_rows(run, measured),
        calibration=_calibration_rows(run, profile),
        drift=run_warnings(run, profile, _day(run)),
        caution=profile.stop.load,
        picture=base64.b64encode(frame.picture.read_bytes()).decode() if frame.picture else "",
        versions=_versions(frame.about),
    )
    part = path.with_suffix(".part")
    part.write_text(html, encoding="utf-8")
    part.replace(path)


def _column(run: Recorded, name: str) -> Array:
    return np.asarray(run.column(name), dtype=float)


def envelope(time_s: Array, values: Array, columns: int = PLOT_COLUMNS) -> tuple[Array, Array]:
    """Return lowest and highest value in each of ``columns`` parts, all that such a plot shows."""
    if len(values) <= 2 * columns:
        return time_s, values
    edges = np.linspace(0, len(values), columns + 1).astype(int)[:-1]
    filled = np.where(np.isfinite(values), values, np.nan)
    low = np.fmin.reduceat(filled, edges)
    high = np.fmax.reduceat(filled, edges)
    return np.repeat(time_s[edges], 2), np.column_stack([low, high]).ravel()


def _plot(run: Recorded, measured: Measured) -> str:
    time_s = _column(run, "time_s")
    if len(time_s):
        time_s = time_s - time_s[0]
    (force, per_N), (length, per_m) = FORCE.shown, LENGTH.shown
    panels: list[tuple[str, list[tuple[str, str, str, float]]]] = [
        (
            f"{worded('Force', 'Torque')} in {force}",
            [
                ("setpoint_force_N", "setpoint", ORANGE, per_N),
                ("motor_force_N", "from motor", SKY, per_N),
                ("spring_force_N", "spring", BLUE, per_N),
            ],
        ),
        (
            f"Deflection in {length}",
            [("deflection_m", worded("nut to output", "gear to output"), GREEN, per_m)],
        ),
        (
            f"{worded('Position', 'Angle')} in {length}",
            [
                ("output_position_m", "output", BLUE, per_m),
                ("nut_position_m", worded("nut", "gear"), VERMILION, per_m),
            ],
        ),
        ("Motor torque in N·m", [("measured_torque_N_m", "measured", INK, 1.0)]),
    ]
    import matplotlib  # slow to load
    from matplotlib.backends.backend_svg import FigureCanvasSVG
    from matplotlib.figure import Figure as Canvas

    with matplotlib.rc_context({"font.size": 8, "svg.fonttype": "path", "path.simplify": True}):
        canvas = Canvas(figsize=(10.2, 6.6), layout="constrained")
        FigureCanvasSVG(canvas)
        axes = canvas.subplots(4, 1, sharex=True, height_ratios=[1.7, 1, 1, 1])
        for axis, (title, traces) in zip(axes, panels, strict=True):
            for name, text, colour, scale in traces:
                x, y = envelope(time_s, _column(run, name) * scale)
                style = "--" if text == "setpoint" else "-"
                axis.plot(x, y, style, color=colour, lw=0.9, label=text)
            axis.set_ylabel(title)
            axis.grid(alpha=0.25)
            axis.legend(loc="upper left", ncols=3, frameon=False, fontsize=7)
            for spine in ("top", "right"):
                axis.spines[spine].set_visible(False)
            _shade(axis, run, measured, time_s)
        for figure in measured.figures:
            if figure.kind != "stop":
                section = figure.section
                middle = (time_s[section.steady] + time_s[section.end - 1]) / 2
                axes[0].annotate(
                    figure.name,
                    (middle, 1.01),
                    xycoords=("data", "axes fraction"),
                    ha="center",
                    va="bottom",
                    fontsize=7,
                )
        axes[-1].set_xlabel("Time in s")
        page = io.StringIO()
        canvas.savefig(page, format="svg", transparent=True, metadata={"Date": None})
    svg: str = page.getvalue()
    return svg[svg.index("<svg") :]


def _shade(axis: Any, run: Recorded, measured: Measured, time_s: Array) -> None:
    for figure in measured.figures:
        section = figure.section
        if figure.kind != "stop" and section.end > section.steady:
            axis.axvspan(
                time_s[section.steady], time_s[section.end - 1], color=BLUE, alpha=0.07, lw=0
            )
    cycles = np.asarray(run.column("cycle"))
    for event in run.events:
        if event["kind"] == "stop" and len(cycles):
            row = min(int(np.searchsorted(cycles, event["cycle"])), len(time_s) - 1)
            axis.axvline(time_s[row], color=VERMILION, ls="--", lw=1)


def _limit_rows(run: Recorded, profile: Profile) -> list[dict[str, str]]:
    limits = profile.limits

    def largest(name: str, scale: float, unit: str, places: int = 1) -> str:
        values = np.abs(_column(run, name))
        values = values[np.isfinite(values)]
        if not len(values):
            return "not reported"
        return f"{restated(values.max() * scale, unit):.{places}f} {unit_name(unit)}"

    travel, position = limits.travel, _column(run, "output_position_m") * LENGTH.factor
    supply = _column(run, "supply_V")
    constant = profile.actuator.motor.torque_constant
    rows = [
        (
            Limit.FORCE,
            largest("spring_force_N", 1, "N"),
            f"{FORCE(limits.force.limited):.0f}{FORCE}",
            f"{FORCE(limits.force.tripped):.0f}{FORCE}",
        ),
        (
            Limit.DEFLECTION,
            largest("deflection_m", 1e3, "mm", 2),
            f"{LENGTH(limits.deflection.limited):.2f}{LENGTH}",
            f"{LENGTH(limits.deflection.tripped):.2f}{LENGTH}",
        ),
        (
            Limit.TRAVEL,
            f"{position.min():.1f} to {position.max():.1f}{LENGTH}" if len(position) else "none",
            f"{LENGTH(travel.lower):.1f} to {LENGTH(travel.upper):.1f}{LENGTH}",
            f"{LENGTH(travel.tripped_beyond):.1f}{LENGTH} beyond",
        ),
        (
            Limit.SPEED,
            largest("nut_velocity_m_s", 1e3, "mm/s"),
            f"{SPEED(limits.speed.limited):.0f}{SPEED}",
            f"{SPEED(limits.speed.tripped):.0f}{SPEED}",
        ),
        (
            Limit.CURRENT,
            largest("measured_torque_N_m", 1 / constant, "A"),
            f"{limits.current.limited:.1f} A",
            "none" if limits.current.tripped is None else f"{limits.current.tripped:.1f} A",
        ),
        (
            Limit.MOTOR_HEAT,
            largest("motor_heat", 100, "%", 0),
            f"{limits.motor_heat.limited * 100:.0f} %",
            f"{limits.motor_heat.tripped * 100:.0f} %",
        ),
        (
            Limit.DRIVE_TEMPERATURE,
            largest("drive_temperature_degC", 1, "°C"),
            f"{limits.drive_temperature.limited:.0f} °C",
            f"{limits.drive_temperature.tripped:.0f} °C",
        ),
        (
            Limit.SUPPLY_LOW,
            f"{supply.min():.1f} to {supply.max():.1f} V" if len(supply) else "none",
            "",
            f"{limits.supply.low:.1f} to {limits.supply.high:.1f} V",
        ),
    ]
    return [
        {
            "label": "Supply" if limit is Limit.SUPPLY_LOW else label(limit),
            "largest": largest_,
            "limited": limited,
            "tripped": tripped,
        }
        for limit, largest_, limited, tripped in rows
    ]


def _limited(run: Recorded) -> str:
    masks = np.asarray(run.column("limited")).astype(np.int64)
    return ", ".join(
        f"{label(limit).lower()} ({int(np.count_nonzero(masks >> limit & 1))} cycles)"
        for limit in Limit
        if (masks >> limit & 1).any()
    )


def _timing_rows(run: Recorded, measured: Measured) -> list[tuple[str, str]]:
    rows = [
        ("Cycles", f"{measured.timing.get('cycles', 0)}"),
        ("Rate", f"{measured.timing.get('rate_hz', 0.0):.2f} Hz"),
        ("Late cycles", f"{measured.timing.get('late_cycles', 0)}"),
        ("Lost samples", f"{measured.timing.get('lost_samples', 0)}"),
    ]
    for name, text in (
        ("wake_latency_s", "Wake-up latency"),
        ("work_s", "Work"),
        ("telemetry_age_s", "Telemetry age"),
    ):
        values = _column(run, name)
        values = values[np.isfinite(values)] * 1e6
        if len(values):
            p50, p99 = np.percentile(values, [50, 99])
            rows.append((f"{text} p50, p99, max", f"{p50:.0f}, {p99:.0f}, {values.max():.0f} µs"))
    return rows


def _day(run: Recorded) -> datetime.date | None:
    """Return the day of recording, if it is stated."""
    started = str(getattr(run, "meta", {}).get("started"))
    try:
        return datetime.datetime.fromisoformat(started).date()
    except ValueError:
        return None


def _calibration_rows(run: Recorded, profile: Profile) -> list[tuple[str, str]]:
    calibration = profile.calibration
    law = calibration.spring_law
    named = named_calibration(calibration.model_dump(mode="json")) or {}
    rows = [
        ("Identity", calibration.identity or "written by hand"),
        ("SHA-256", f"{str(named.get('sha256'))[:16]}…"),
        ("Zero", f"{calibration.zero:g} counts"),
        ("Deflection", f"{PER_COUNT(calibration.deflection_per_count):.4f}{PER_COUNT}"),
    ]
    if isinstance(law, TwoSlopes):
        rows += [
            ("Spring rate, both sets", f"{STIFFNESS(law.inner_rate):g}{STIFFNESS}"),
            ("Spring rate, one set slack", f"{STIFFNESS(law.outer_rate):g}{STIFFNESS}"),
            ("Knee", f"{LENGTH(law.knee):g}{LENGTH}"),
        ]
    else:
        rows.append(("Spring law", "polynomial of degree " + str(len(law.coefficients) - 1)))
    table = calibration.uncertainty_table
    rows += [
        (
            "Uncertainty, k = 1",
            f"table, at most {FORCE(max(u for _force, u in table)):.3g}{FORCE}"
            if table
            else f"√({FORCE(calibration.absolute_uncertainty):g}² + "
            f"({calibration.relative_uncertainty:g}·{worded('F', 'T')})²){FORCE}",
        ),
        ("Dated", calibration.dated or "not stated"),
    ]
    for event in run.events:
        if event.get("kind") == "calibration":
            part = event.get("calibration") or {}
            rows.append(
                (
                    f"From {event.get('time_s', 0.0):.1f} s of bench time",
                    str(part.get("identity") or "one written by hand"),
                )
            )
    return rows


def _versions(about: str) -> str:
    parts = [f"hookeline {version('hookeline')}", f"Python {platform.python_version()}"]
    parts += [f"{name} {version(name)}" for name in ("numpy", "pyarrow", "matplotlib")]
    return " · ".join([*([about] if about else []), *parts])
