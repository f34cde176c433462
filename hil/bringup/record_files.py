"""The files of a commissioning record: names, contents, and reading them back."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import yaml
from numpy.typing import NDArray

from drivers.motion import spoken
from hil.bringup.step import Plot, Trace, Verdict
from hil.core import COLUMNS, dated, free_path, one_word, read_plain_yaml
from hil.recorder import batch_of, schema_of, write_whole

SCHEMA_VERSION = 2
YAML, HTML, EVIDENCE = "bringup.yaml", "bringup.html", "evidence"
RECORDS = "bring-up"  # folder of the records of several rigs
DIGITS = 6  # of a plotted value
Rows = NDArray[np.float64]


class RecordError(Exception):
    """A record cannot be used; the text says why and what to do."""


def new_record_folder(records: Path, rig: str) -> Path:
    """Return a free folder in ``records`` for a record of this rig, named by date; not made."""
    return free_path(records / dated(one_word(rig).lower()))


def read_record(folder: Path | str) -> dict[str, Any]:
    """Return the contents of a folder's ``bringup.yaml``.

    Raises:
        RecordError: missing, damaged, or of another schema_version.
    """
    file = Path(folder) / YAML
    try:
        data = read_plain_yaml(file)
        if not isinstance(data, dict) or data.get("schema_version") != SCHEMA_VERSION:
            raise RecordError(
                f"'{file}' is not a bring-up record of schema_version {SCHEMA_VERSION}"
            )
        for entry in data["steps"]:
            Verdict(entry["verdict"])
            entry["step"], entry["changes"], entry["findings"], entry["plots"]
        data["profile"]["name"], data["profile"]["sha256"], data["applied_changes"]
        {str(k): float(v) for k, v in data["known"].items()}
    except FileNotFoundError:
        raise RecordError(f"'{folder}' holds no bring-up record ({YAML})") from None
    except OSError as error:
        raise RecordError(f"'{file}' cannot be read: {error.strerror}") from None
    except (KeyError, TypeError, ValueError, AttributeError):
        raise RecordError(f"'{file}' is damaged; begin a new bring-up") from None
    return data


def record_text(data: dict[str, Any]) -> str:
    """Return the text of ``bringup.yaml`` for these contents."""
    head = (
        "# Commissioning record. 'hookeline bringup --resume' continues from here; bringup.html is\n"
        "# the same to read, sign and keep. Values in 'known' are in SI units.\n"
    )
    dumper = getattr(yaml, "CSafeDumper", yaml.SafeDumper)
    return head + str(
        yaml.dump(data, Dumper=dumper, sort_keys=False, allow_unicode=True, width=100)
    )


def write_samples(path: Path, rows: Rows) -> None:
    """Write rows of shape (n, len(COLUMNS)) as Parquet; raise ``OSError`` on failure."""
    schema = schema_of(motion=spoken())
    sink = pa.BufferOutputStream()
    table = pa.Table.from_batches([batch_of(rows, COLUMNS, schema, spoken())], schema)
    pq.write_table(table, sink, compression="zstd", compression_level=1)
    write_whole(path, sink.getvalue().to_pybytes())


def plot_text(plot: Plot) -> str:
    """Return a plot as JSON, so that it can be drawn again; NaN becomes null."""
    return json.dumps(
        {
            "title": plot.title,
            "x_label": plot.x_label,
            "y_label": plot.y_label,
            "traces": [
                {"label": t.label, "x": _numbers(t.x), "y": _numbers(t.y)} for t in plot.traces
            ],
            "levels": [[label, *_numbers(np.array([height]))] for label, height in plot.levels],
        }
    )


def kept_plots(folder: Path, entry: dict[str, Any]) -> list[Plot]:
    """Return the plots of a step's entry in ``bringup.yaml``; unreadable ones are left out."""
    plots = []
    for kept in entry["plots"]:
        try:
            # Only files in the folder: a record may come from elsewhere.
            file = folder / EVIDENCE / Path(kept["data"]).name
            plots.append(_plot(json.loads(file.read_text("utf-8"))))
        except (OSError, KeyError, TypeError, ValueError):
            continue
    return plots


def _plot(data: dict[str, Any]) -> Plot:
    traces = tuple(
        Trace(str(t["label"]), np.array(t["x"], dtype=float), np.array(t["y"], dtype=float))
        for t in data["traces"]
    )
    if any(t.x.ndim != 1 or t.x.shape != t.y.shape for t in traces):
        raise ValueError("lines of unequal length")
    levels = tuple(
        (str(label), np.nan if height is None else float(height))
        for label, height in data["levels"]
    )
    return Plot(str(data["title"]), str(data["x_label"]), str(data["y_label"]), traces, levels)


def _numbers(values: Rows) -> list[float | None]:
    return [float(f"{v:.{DIGITS}g}") if np.isfinite(v) else None for v in values.tolist()]
