"""Figures in words, the same in terminal, report and on the screen."""

from __future__ import annotations

import math
from typing import NamedTuple

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
    """Return a figure as the cells of a table row; a disturbed reading stands in brackets."""
    values, verdict = figure.values, figure.verdict
    if figure.kind == "constant_force":
        what, setpoint = "Constant force", f"{values['setpoint_N']:.1f} N"
        reading = f"{values['mean_N']:.1f}{_plus_minus(values['u95_N'], 1)} N"
        beside = f"rms error {values['rms_error_N']:.1f} N"
    elif figure.kind == "virtual_spring":
        what, setpoint = "Virtual spring", f"{values['setpoint_N_per_mm']:.1f} N/mm"
        reading = f"{values['measured_N_per_mm']:.1f}{_plus_minus(values['u95_N_per_mm'], 1)} N/mm"
        beside = f"output moved {values['moved_mm']:.2f} mm"
    elif figure.kind == "hold":
        what, setpoint = "Hold position", "0 mm sag"
        reading = f"{values['sag_mm']:.2f}{_plus_minus(values['u95_mm'], 2)} mm sag"
        beside = f"with {values['weight_kg']:g} kg; dip {values['dip_mm']:.2f} mm"
    else:
        lag = values["to_wire_ms"]
        what, setpoint = "Stop", "at once"
        reading = "not timed" if lag is None else f"{lag:.2f} ms to the wire"
        beside = str(values["cause"])
    if verdict.disturbed:
        reading = f"({reading})"
    tolerance = (
        f"≤ {verdict.tolerance:.3g} {verdict.unit}"
        if figure.kind == "stop"
        else f"± {verdict.tolerance:.3g} {verdict.unit}"
    )
    return Cells(
        what, figure.name, setpoint, reading, tolerance, verdict.text or verdict.code.value, beside
    )


def figure_line(figure: Figure) -> str:
    """Return a figure with its verdict in one line; what is not good begins with that."""
    cells = figure_cells(figure)
    what = f"{cells.what.lower()} '{cells.name}'"
    said = f"{cells.reading}, setpoint {cells.setpoint}, tolerance {cells.tolerance}"
    if figure.verdict.good:
        return f"{what}: {said}; good; {cells.beside}"
    if figure.verdict.disturbed:
        return f"{what}: NO FIGURE, {cells.verdict}; read {said}"
    return f"{what}: NOT GOOD, {cells.verdict}; {said}"


def _plus_minus(u95: float, places: int) -> str:
    return f" ± {max(u95, 10.0**-places):.{places}f}" if math.isfinite(u95) else ""
