"""Write the data sheet: HTML, print-ready PDF, JSON and Parquet."""

from __future__ import annotations

import json
import math
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import pyarrow as pa
import pyarrow.parquet as pq
from jinja2 import Environment, FileSystemLoader, StrictUndefined
from markupsafe import Markup

from drivers.motion import in_words, speaking
from hil.bench import EPOCH
from hil.control import safety_fingerprint
from hil.measure.characteristic import Characteristic, Diagram
from hil.measure.rig_words import rig_words
from hil.measure.sheet import EvaluatedRun, Sheet, SheetError, shown
from hil.measure.sheet_plots import PrintedSheet, pdf_bytes, plots_svg, png_pages
from hil.recorder import described_motion

NAME = "data_sheet"
NUMBERS = ("value", "u95", "predicted", "predicted_u95", "limit", "truth")


def write_sheet(sheet: Sheet, folder: Path) -> list[Path]:
    """Write all four files whole; equal runs give equal bytes on one installation.

    Returns:
        The files, HTML first.

    Raises:
        OSError: one cannot be written.
    """
    data = sheet.as_data()
    files = {
        "html": _html(sheet).encode(),
        "pdf": pdf_bytes(_printed(sheet)),
        "json": (json.dumps(data, ensure_ascii=False, indent=1) + "\n").encode(),
        "parquet": _parquet(data["figures"]),
    }
    written = []
    for suffix, content in files.items():
        path = folder / f"{NAME}.{suffix}"
        part = path.with_suffix(path.suffix + ".part")
        part.write_bytes(content)
        part.replace(path)
        written.append(path)
    return written


def read_sheet(path: Path) -> dict[str, Any]:
    """Return the data of a data sheet: its JSON file, or the folder that holds it.

    Raises:
        SheetError: the file does not exist or is not a data sheet.
    """
    file = path / f"{NAME}.json" if path.is_dir() else path
    try:
        data = json.loads(file.read_text(encoding="utf-8"))
    except OSError as error:
        raise SheetError(
            f"'{file}': {error.strerror}. Fix: name a folder of 'hookeline measure'"
        ) from None
    except ValueError as error:
        where = f", line {error.lineno}" if isinstance(error, json.JSONDecodeError) else ""
        raise SheetError(
            f"'{file}' is not JSON{where}. Fix: name a folder of 'hookeline measure', or write "
            "the sheet again with --again"
        ) from None
    if not isinstance(data, dict) or data.get("data_sheet") != 1:
        raise SheetError(f"'{file}' is not a data sheet. Fix: write it again with --again")
    for figure in data.get("figures", []):
        for name in ("name", "title", "unit", *NUMBERS):
            if not isinstance(figure, dict) or name not in figure:
                raise SheetError(
                    f"'{file}': a figure lacks '{name}'. Fix: write it again with --again"
                )
    return data


def _head(sheet: Sheet) -> str:
    profile = sheet.profile
    days = sorted({t.day for t in sheet.tested})
    simulated = any(t.run.meta.get("simulated") for t in sheet.tested)
    when = " to ".join(dict.fromkeys((days[0], days[-1])))
    if days == [f"{EPOCH:%Y-%m-%d}"]:
        when = "in lockstep, which has no date,"  # every such run has the same one
    return (
        f"Measured {when}{' on a simulated rig' if simulated else ''}. "
        f"Profile fingerprint {safety_fingerprint(profile)[:16]}…, calibration "
        f"{profile.calibration.identity or 'written by hand'}, dated "
        f"{profile.calibration.dated or 'not stated'}. Uncertainties are expanded, k = 2."
    )


def _title(sheet: Sheet, tested: EvaluatedRun) -> str:
    with speaking(described_motion(tested.run.meta)):
        return in_words(rig_words(tested.test.title, sheet.profile))


def _row(c: Characteristic) -> dict[str, Any]:
    return {
        "title": c.title,
        "value": shown(c.value, c.u95),
        "predicted": shown(c.predicted, c.predicted_u95) if math.isfinite(c.predicted) else "",
        "limit": f"{c.limit:.4g}" if math.isfinite(c.limit) else "",
        "truth": f"{c.truth:.4g}" if math.isfinite(c.truth) else "",
        "unit": "" if c.unit == "1" else c.unit,
        "conditions": c.conditions,
        "differs": c.differs,
    }


def _sentences(sheet: Sheet) -> list[str]:
    return [*sheet.differences, *_other_sentences(sheet)]


def _other_sentences(sheet: Sheet) -> list[str]:
    notes = [*sheet.notes]
    notes += [f"{_title(sheet, t)}: no figures, {t.problem}" for t in sheet.tested if t.problem]
    if sheet.missing:
        notes.append(f"not measured: {', '.join(sheet.missing)}")
    return notes


def _html(sheet: Sheet) -> str:
    environment = Environment(
        loader=FileSystemLoader(Path(__file__).parent), autoescape=True, undefined=StrictUndefined
    )
    return environment.get_template("data_sheet.html").render(
        title=f"Data sheet: {sheet.profile.name}",
        description=sheet.profile.description,
        about=_head(sheet),
        truth=any(math.isfinite(c.truth) for c in sheet.characteristics),
        groups=[
            {
                "title": _title(sheet, tested),
                "rows": [_row(c) for c in tested.shown],
                "foot": f"Run {tested.run.path.name}, {tested.day}",
            }
            for tested in sheet.tested
        ],
        columns=8 if any(math.isfinite(c.truth) for c in sheet.characteristics) else 7,
        sentences=_sentences(sheet),
        plots=Markup(plots_svg(_diagrams(sheet))),
        foot="Made from the recorded runs by 'hookeline measure --again'.",
    )


def _diagrams(sheet: Sheet) -> list[Diagram]:
    return [diagram for tested in sheet.tested for diagram in tested.diagrams]


def page_pictures(sheet: Sheet, dots_per_inch: float = 90.0) -> list[bytes]:
    """Return the printed pages as PNG files, figures first."""
    return png_pages(_printed(sheet), dots_per_inch)


def _printed(sheet: Sheet) -> PrintedSheet:
    likely: dict[str, list[str]] = {}
    for c in sheet.shown:
        if c.differs:
            likely.setdefault(c.causes or "not known", []).append(c.title)
    groups: list[tuple[str, Sequence[Sequence[str]], str]] = []
    for tested in sheet.tested:
        rows = []
        for c in tested.shown:
            row = _row(c)
            mark = " ≠" if c.differs else ""
            rows.append(
                (row["title"], row["value"], row["predicted"] + mark, row["limit"], row["unit"])
            )
        said = _once([c.conditions for c in tested.shown])
        groups.append(
            (_title(sheet, tested), rows, f"{'; '.join(said)}. Run {tested.run.path.name}")
        )
    return PrintedSheet(
        f"Data sheet: {sheet.profile.name}",
        [sheet.profile.description, _head(sheet)],
        groups,
        [
            *(f"≠ {'; '.join(titles)}. Likely: {causes}." for causes, titles in likely.items()),
            *_other_sentences(sheet),
        ],
        _diagrams(sheet),
    )


def _once(conditions: Sequence[str]) -> list[str]:
    """Return each once, without those that are the beginning of another."""
    unique = list(dict.fromkeys(c for c in conditions if c))
    return [c for c in unique if not any(o != c and o.startswith(c) for o in unique)]


def _parquet(figures: list[dict[str, Any]]) -> bytes:
    columns: dict[str, pa.Array] = {}
    for name in figures[0] if figures else ():
        values = [figure[name] for figure in figures]
        kind = pa.float64() if name in NUMBERS else pa.bool_() if name == "differs" else pa.string()
        columns[name] = pa.array(values, kind)
    sink = pa.BufferOutputStream()
    pq.write_table(pa.table(columns), sink)
    content: bytes = sink.getvalue().to_pybytes()
    return content
