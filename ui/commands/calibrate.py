"""``hookeline calibrate``: from known loads to a force law, with its uncertainty."""

from __future__ import annotations

import argparse
import math
from pathlib import Path
from typing import Any

from hil.calibrating.laws import LAWS, Fit, FitError, choose_law, fit_law
from hil.calibrating.points import Points, PointsError, read_points
from ui.commands.answers import BAD_INPUT, OK, CommandError, add_command, answer, say


def add(commands: Any) -> None:
    parser = add_command(
        commands, "calibrate", "fit a force law to known loads, with its uncertainty",
        "With --points, fit a table of known loads and readings: the law is fitted as reading\n"
        "on load, since the loads are what is known, and inverted for use. Standard errors and\n"
        "correlation follow from the scatter about the law (JCGM 100:2008).\n\n"
        "The header names the columns and may carry units: load (N), reading (counts), series,\n"
        "direction. Two columns without units are load, then reading. Lines that begin with #\n"
        "are comments.",
        "  hookeline calibrate --points loads.csv --law auto\n"
        "  hookeline calibrate --points loads.csv --law quadratic --at 250 --reading 1830 --json\n",
    )  # fmt: skip
    parser.add_argument("--points", type=Path, required=True, metavar="FILE.csv",
                        help="table of load and reading")  # fmt: skip
    parser.add_argument(
        "--law", default="auto", choices=("auto", *LAWS),
        help="shape of the law; auto takes the one with the least corrected AIC",
    )  # fmt: skip
    parser.add_argument("--at", type=float, metavar="LOAD", help="also the law at this load")
    parser.add_argument("--reading", type=float, metavar="R", help="also the load of a reading")
    parser.set_defaults(run=run)


def run(options: argparse.Namespace) -> int:
    try:
        return _offline(options)
    except (PointsError, FitError) as error:
        raise CommandError(str(error), BAD_INPUT) from None


def _offline(options: argparse.Namespace) -> int:
    points = read_points(options.points)
    for name in ("at", "reading"):
        given = getattr(options, name)
        if given is not None and not math.isfinite(given):
            raise CommandError(f"--{name} {given}: give a finite number", BAD_INPUT)
    compared: dict[str, Fit] = {}
    if options.law == "auto":
        fit, compared = choose_law(points)
    else:
        fit = fit_law(points, options.law)
    data: dict[str, Any] = {
        "points_file": options.points.name,
        "load": {"name": points.load_name, "unit": points.load_unit},
        "reading": {"name": points.reading_name, "unit": points.reading_unit},
        **fit.as_data(),
        "compared": {name: _finite(other.aicc) for name, other in compared.items()},
    }
    _tell(options, points, fit, compared)
    load_unit, reading_unit = _unit(points.load_unit), _unit(points.reading_unit)
    if options.at is not None:
        there = fit.at(options.at)
        data["at"] = {"load": options.at, "value": there.value, "u": there.u}
        say(options, f"  at {options.at:g}{load_unit}: {there.value:.9g}{reading_unit}, "
                     f"standard uncertainty {there.u:.3g}{_beyond(fit, options.at)}")  # fmt: skip
    if options.reading is not None:
        load = fit.load_for(options.reading)
        of_law = fit.load_for(options.reading, 0.0)
        data["inverse"] = {
            "reading": options.reading, "value": load.value, "u": load.u, "u_law": of_law.u,
        }  # fmt: skip
        say(options, f"  reading {options.reading:g}{reading_unit}: {load.value:.9g}{load_unit}, "
                     f"standard uncertainty {load.u:.3g} (of the law alone {of_law.u:.3g})"
                     f"{_beyond(fit, load.value)}")  # fmt: skip
    answer(options, data)
    return OK


def _tell(
    options: argparse.Namespace, points: Points, fit: Fit, compared: dict[str, Fit]
) -> None:
    say(options, f"{points.reading_name} = {fit.law.replace('_', ' ')} of {points.load_name}, "
                 f"{len(points)} points, {fit.degrees_of_freedom} degrees of freedom")  # fmt: skip
    for name, value, error in zip(
        fit.names, fit.coefficients, fit.standard_errors, strict=True
    ):
        say(options, f"  {name:12} {value:+.9e}   standard error {error:.3e}")
    say(options, f"  residual standard deviation {fit.residual_sd:.6g}"
                 f"{_unit(points.reading_unit)}, R² {fit.r_squared:.12g}")  # fmt: skip
    for name, other in compared.items():
        mark = "  <- chosen" if other is fit else ""
        say(options, f"  corrected AIC of {name:12} {other.aicc:10.2f}{mark}")


def _unit(unit: str) -> str:
    return f" {unit}" if unit else ""


def _beyond(fit: Fit, load: float) -> str:
    low, high = fit.load_range
    return "" if low <= load <= high else "; outside the loads of the table"


def _finite(value: float) -> float | None:
    return value if math.isfinite(value) else None
