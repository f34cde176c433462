"""Figures as text, the same in terminal, report and on the screen."""

from __future__ import annotations

import math
from typing import NamedTuple

from drivers.motion import FORCE, LENGTH, STIFFNESS, restated, unit_text, worded
from hil.analysis.measures import Figure


class Cells(NamedTuple):
    """One figure as a row of a table."""

    what: str
    name: str
    setpoint: str
    reading: str
    tolerance: str
    verdict: str
    beside: str


def figure_cells(figure: Figure) -> Cells:
    """Return a figure as the cells of a table row; a disturbed reading is in brackets."""
    values, verdict = figure.values, figure.verdict
    if figure.kind == "constant_force":
        what, setpoint = (
            worded("Constant force", "Constant torque"),
            f"{FORCE(values['setpoint_N']):.1f}{FORCE}",
        )
        reading = f"{FORCE(values['mean_N']):.1f}{_plus_minus(values['u95_N'], 1, 'N')}{FORCE}"
        beside = f"rms error {FORCE(values['rms_error_N']):.1f}{FORCE}"
    elif figure.kind == "virtual_spring":
        what, setpoint = (
            "Virtual spring",
            f"{restated(values['setpoint_N_per_mm'], 'N/mm'):.1f}{STIFFNESS}",
        )
        band = _plus_minus(values["u95_N_per_mm"], 1, "N/mm")
        reading = f"{restated(values['measured_N_per_mm'], 'N/mm'):.1f}{band}{STIFFNESS}"
        beside = f"output moved {restated(values['moved_mm'], 'mm'):.2f}{LENGTH}"
    elif figure.kind == "hold":
        what, setpoint = worded("Hold position", "Hold angle"), f"0{LENGTH} sag"
        band = _plus_minus(values["u95_mm"], 2, "mm")
        reading = f"{restated(values['sag_mm'], 'mm'):.2f}{band}{LENGTH} sag"
        beside = (
            f"with {values['weight_kg']:g} kg; dip {restated(values['dip_mm'], 'mm'):.2f}{LENGTH}"
        )
    else:
        lag = values["to_wire_ms"]
        what, setpoint = "Stop", "at once"
        reading = "not timed" if lag is None else f"{lag:.2f} ms to the wire"
        beside = str(values["cause"])
    if verdict.disturbed:
        reading = f"({reading})"
    allowed = f"{restated(verdict.tolerance, verdict.unit):.3g}{unit_text(verdict.unit)}"
    tolerance = f"≤ {allowed}" if figure.kind == "stop" else f"± {allowed}"
    return Cells(
        what, figure.name, setpoint, reading, tolerance, verdict.text or verdict.code.value, beside
    )


def figure_line(figure: Figure) -> str:
    """Return a figure with its verdict in one line; a bad verdict comes first."""
    cells = figure_cells(figure)
    what = f"{cells.what.lower()} '{cells.name}'"
    said = f"{cells.reading}, setpoint {cells.setpoint}, tolerance {cells.tolerance}"
    if figure.verdict.good:
        return f"{what}: {said}; good; {cells.beside}"
    if figure.verdict.disturbed:
        return f"{what}: NO FIGURE, {cells.verdict}; read {said}"
    return f"{what}: NOT GOOD, {cells.verdict}; {said}"


def _plus_minus(u95: float, places: int, unit: str) -> str:
    if not math.isfinite(u95):
        return ""
    return f" ± {restated(max(u95, 10.0**-places), unit):.{places}f}"
