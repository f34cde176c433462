"""Selections of runs as files that other programs read: CSV, Parquet, NumPy, MAT."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Any, BinaryIO

import numpy as np
import pyarrow.csv
import pyarrow.parquet

from hil.recorder import RunError

DATA_ENDINGS = (".csv", ".parquet", ".npz", ".mat")
MAT_MOST_BYTES = 2**31 - 1  # of one variable in a MAT file of level 5


def export_table(table: Any, target: Path) -> None:
    """Write a table, as ``select`` gives it, in the format of the file's ending.

    ``.csv``: a line of names, which end in the unit. ``.parquet``: units are in the fields'
    metadata. ``.npz``: an array for each column, and ``_names``, ``_units``. ``.mat`` (level 5):
    column vectors, and a struct ``units``.

    Raises:
        RunError: the ending is unknown, the file already exists, or the disk refuses.
    """
    if target.suffix not in DATA_ENDINGS:
        raise RunError(f"'{target.name}' ends in none of {', '.join(DATA_ENDINGS)}")
    writers = {".csv": _csv, ".parquet": _parquet, ".npz": _npz, ".mat": _mat}
    write_new(target, lambda file: writers[target.suffix](table, file))


def write_new(target: Path, write: Any) -> None:
    """Write a file whole or not at all; ``write`` receives it open for bytes.

    Raises:
        RunError: the file already exists, or the disk refuses.
    """
    if target.exists():
        raise RunError(f"'{target}' already exists: choose another name")
    part = target.with_name(f".{target.name}.part")
    try:
        with part.open("wb") as file:
            write(file)
        os.replace(part, target)
    except OSError as error:
        raise RunError(
            f"'{target}' cannot be written: {error.strerror or error}; check path and space left"
        ) from None
    finally:
        part.unlink(missing_ok=True)


def _units(table: Any) -> list[str]:
    return [
        (field.metadata or {}).get(b"unit", b"1").decode(errors="replace") for field in table.schema
    ]


def _columns(table: Any) -> dict[str, Any]:
    """Return arrays by name; a missing whole number makes its column float with NaN."""
    found = {}
    for name in table.column_names:
        column = table.column(name)
        if column.null_count:
            column = column.cast("float64").fill_null(float("nan"))
        found[name] = column.to_numpy()
    return found


def _csv(table: Any, file: BinaryIO) -> None:
    pyarrow.csv.write_csv(table, file)


def _parquet(table: Any, file: BinaryIO) -> None:
    pyarrow.parquet.write_table(table, file, compression="zstd")


def _npz(table: Any, file: BinaryIO) -> None:
    described: dict[str, Any] = {
        "_names": np.array(table.column_names),
        "_units": np.array(_units(table)),
    }
    np.savez_compressed(file, **(_columns(table) | described))


def _mat(table: Any, file: BinaryIO) -> None:
    columns = _columns(table)
    largest = max(values.nbytes for values in columns.values())
    if largest > MAT_MOST_BYTES:
        raise RunError(
            f"a column of {largest // 2**20} MB is too large for a MAT file; export a part, a "
            "lower rate, or Parquet"
        )
    units = dict(zip(table.column_names, _units(table), strict=True))
    from scipy.io import savemat  # slow to load

    savemat(file, {**columns, "units": units}, oned_as="column", long_field_names=True)
