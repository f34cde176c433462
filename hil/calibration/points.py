"""A table of known loads and their readings, from a CSV file.

The header names the columns and may carry units: ``load (N), reading (counts), series,
direction``. Two columns without units are load, then reading, unless their names say
the opposite. Lines that begin with ``#`` are comments. Values stay in the units of the header.
"""

from __future__ import annotations

import csv
import math
import re
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

MOST_BYTES = 20_000_000
LOADS = frozenset(("load", "force", "weight", "mass", "applied load", "applied force"))
READINGS = frozenset(
    (
        "reading",
        "readings",
        "count",
        "counts",
        "deflection",
        "output",
        "signal",
        "indication",
        "response",
        "deflection reading",
        "deflection counts",
    )
)
SERIES = frozenset(("series", "run", "cycle", "repeat"))
DIRECTIONS = frozenset(("direction", "sense"))
LOAD_UNITS = frozenset(("N", "kN", "mN", "kg", "g", "lbf", "kgf"))
READING_UNITS = frozenset(("count", "counts", "V", "mV", "mV/V", "mm", "um", "µm", "m", "1"))
UP = frozenset(("up", "increasing", "loading", "+", "1", "+1"))
DOWN = frozenset(("down", "decreasing", "unloading", "-", "-1"))
TITLE = re.compile(r"^(?P<name>.*?)\s*(?:\((?P<a>[^()]*)\)|\[(?P<b>[^\[\]]*)\])\s*$")


class PointsError(Exception):
    """A table cannot be used; the text names file, line and fix."""


@dataclass(frozen=True)
class Points:
    """Known loads and their readings, in the order of the file.

    Attributes:
        load, reading: shape (n,), in ``load_unit`` and ``reading_unit`` ("" if not given).
        series: shape (n,), whole numbers from 1; all 1 if the table has none.
        direction: shape (n,), +1 loads rising, −1 falling, 0 not stated.
    """

    load: NDArray[np.float64]
    reading: NDArray[np.float64]
    load_name: str = "load"
    reading_name: str = "reading"
    load_unit: str = ""
    reading_unit: str = ""
    series: NDArray[np.int64] | None = None
    direction: NDArray[np.int64] | None = None

    def __len__(self) -> int:
        return int(self.load.size)


@dataclass(frozen=True)
class _Title:
    name: str
    unit: str


def read_points(path: Path | str) -> Points:
    """Return the table in a CSV file.

    Raises:
        PointsError: not readable, no such table, or a value that is not a finite number.
    """
    path = Path(path)
    try:
        if path.stat().st_size > MOST_BYTES:
            raise PointsError(f"{path}: larger than {MOST_BYTES // 10**6} MB; give fewer points")
        text = path.read_text(encoding="utf-8-sig")
    except (OSError, UnicodeDecodeError) as error:
        reason = getattr(error, "strerror", None) or "not UTF-8 text"
        raise PointsError(f"{path}: cannot be read ({reason})") from None
    return parse_points(text, str(path))


def parse_points(text: str, name: str = "table") -> Points:
    """Return the points in a text, as :func:`read_points`; ``name`` appears in the errors."""
    lines = [
        (number, line)
        for number, line in enumerate(text.splitlines(), 1)
        if line.strip() and not line.lstrip().startswith("#")
    ]
    if not lines:
        raise PointsError(f"{name}: no points; expected a header 'load, reading' and numbers")
    delimiter = _delimiter(lines[0][1])
    try:
        rows = [
            (number, [cell.strip() for cell in next(csv.reader([line], delimiter=delimiter))])
            for number, line in lines
        ]
    except csv.Error as error:
        raise PointsError(f"{name}: not a table of comma-separated values ({error})") from None
    first = rows[0][1]
    if all(_is_number(cell) for cell in first):
        titles = [_Title(word, "") for word in ("load", "reading", "series", "direction")]
        titles = titles[: len(first)]
        if len(first) != len(titles) or len(first) < 2:
            raise PointsError(
                f"{name}:{rows[0][0]}: {len(first)} columns without a header; "
                "name them: load, reading, series, direction"
            )
    else:
        titles = [_title(cell) for cell in first]
        rows = rows[1:]
    columns = _roles(titles, f"{name}:{lines[0][0]}")
    for number, cells in rows:
        if len(cells) != len(titles):
            raise PointsError(
                f"{name}:{number}: {len(cells)} values, the header has {len(titles)}; "
                "write one value per column, with a decimal point"
            )
    if not rows:
        raise PointsError(f"{name}: a header, but no points below it")

    def numbers(role: str) -> NDArray[np.float64]:
        column = columns[role]
        values = [
            _number(cells[column], f"{name}:{line}", titles[column].name) for line, cells in rows
        ]
        return np.array(values)

    series = direction = None
    if "series" in columns:
        series = _whole(numbers("series"), f"{name}: column '{titles[columns['series']].name}'")
    if "direction" in columns:
        column = columns["direction"]
        direction = np.array([_sense(cells[column], f"{name}:{line}") for line, cells in rows])
    load, reading = titles[columns["load"]], titles[columns["reading"]]
    return Points(
        numbers("load"),
        numbers("reading"),
        load.name,
        reading.name,
        load.unit,
        reading.unit,
        series,
        direction,
    )


def _delimiter(header: str) -> str:
    for delimiter in (",", ";", "\t"):
        if delimiter in header:
            return delimiter
    raise PointsError(
        f"'{header.strip()[:60]}': one column only; separate load and reading with a comma"
    )


def _title(cell: str) -> _Title:
    found = TITLE.match(cell)
    if found:
        return _Title(found["name"].strip(), (found["a"] or found["b"] or "").strip())
    head, _, tail = cell.rpartition("_")
    if head and tail in LOAD_UNITS | READING_UNITS:
        return _Title(head, tail)
    return _Title(cell, "")


def _roles(titles: list[_Title], place: str) -> dict[str, int]:
    """Assign the columns. The name decides, then the unit, then the order."""
    roles: dict[str, int] = {}
    left = []
    for index, title in enumerate(titles):
        word = title.name.lower().replace("_", " ")
        role = (
            "series"
            if word in SERIES
            else "direction"
            if word in DIRECTIONS
            else "load"
            if word in LOADS
            else "reading"
            if word in READINGS
            else "load"
            if title.unit in LOAD_UNITS
            else "reading"
            if title.unit in READING_UNITS
            else ""
        )
        if not role:
            left.append(index)
        elif role in roles:
            raise PointsError(
                f"{place}: columns '{titles[roles[role]].name}' and '{title.name}' both look like "
                f"the {role}; name one column load and one reading"
            )
        else:
            roles[role] = index
    for role in ("load", "reading"):
        if role not in roles and left:
            roles[role] = left.pop(0)
    missing = [role for role in ("load", "reading") if role not in roles]
    if missing:
        raise PointsError(
            f"{place}: no column for the {' and the '.join(missing)}; "
            "name one column load and one reading"
        )
    if left:
        raise PointsError(
            f"{place}: column '{titles[left[0]].name}' is not known; "
            "columns are load, reading, series, direction"
        )
    return roles


def _is_number(cell: str) -> bool:
    try:
        float(cell)
    except ValueError:
        return False
    return True


def _number(cell: str, place: str, name: str) -> float:
    try:
        value = float(cell)
    except ValueError:
        hint = "; use a decimal point" if "," in cell else ""
        raise PointsError(f"{place}: {name} '{cell}' is not a number{hint}") from None
    if not math.isfinite(value):
        raise PointsError(f"{place}: {name} '{cell}' is not finite; leave the point out")
    return value


def _whole(values: NDArray[np.float64], place: str) -> NDArray[np.int64]:
    whole = np.asarray(values, dtype=np.int64)
    if not np.array_equal(whole, values):
        raise PointsError(f"{place}: series are numbered 1, 2, 3")
    return whole


def _sense(cell: str, place: str) -> int:
    word = cell.lower()
    if word in UP:
        return 1
    if word in DOWN:
        return -1
    if not word:
        return 0
    raise PointsError(f"{place}: direction '{cell}' is neither up nor down")
