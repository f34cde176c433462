"""Points of a waveform from a CSV file."""

from __future__ import annotations

import csv
import math
from pathlib import Path

from hil.core import MOST_POINTS


def read_points(path: Path) -> tuple[tuple[float, float], ...]:
    """Return time in s and value from a CSV file with the header ``time_s,value``.

    Raises:
        ValueError: "what; fix", naming the file and line.
    """
    if not path.is_file():
        raise ValueError(f"no file '{path.name}'; its path is relative to this file's directory")
    points: list[tuple[float, float]] = []
    try:
        with path.open(newline="", encoding="utf-8-sig") as stream:
            reader = csv.reader(stream)
            header = [cell.strip() for cell in next(reader, [])]
            if header != ["time_s", "value"]:
                raise ValueError(
                    f"{path.name}:1: the header is not 'time_s,value'; write it as the first line"
                )
            for cells in reader:
                if not cells:
                    continue
                where = f"{path.name}:{reader.line_num}"
                try:
                    moment, value = (float(cell) for cell in cells)
                except ValueError:
                    raise ValueError(
                        f"{where}: not two numbers; write 'time,value' in SI units"
                    ) from None
                if not (math.isfinite(moment) and math.isfinite(value)):
                    raise ValueError(f"{where}: not finite; write plain numbers")
                if moment < 0 or (points and moment <= points[-1][0]):
                    raise ValueError(f"{where}: time does not increase; sort the rows by time_s")
                points.append((moment, value))
                if len(points) > MOST_POINTS:
                    raise ValueError(
                        f"{path.name}: more than {MOST_POINTS} points; keep every second row or "
                        "fewer: straight lines join the points"
                    )
    except (UnicodeDecodeError, csv.Error):
        raise ValueError(f"{path.name}: not CSV text; save it as UTF-8") from None
    except OSError as error:
        raise ValueError(f"{path.name}: {error.strerror}; check its permissions") from None
    if len(points) < 2:
        raise ValueError(f"{path.name}: fewer than two points; a waveform needs two")
    return tuple(points)
