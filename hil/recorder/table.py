"""Samples as Arrow: the stream that grows while recording, and the Parquet file it becomes."""

from __future__ import annotations

import json
import os
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
from numpy.typing import NDArray

from drivers.motion import Motion
from hil.core import COLUMNS, Column
from hil.recorder.folders import sync_folder
from hil.recorder.rotary_columns import FACTORS, stored_column

ROW_GROUP = 1 << 17  # rows; about 19 MB before compression
_TYPES = {
    "float64": pa.float64(),
    "float32": pa.float32(),
    "int64": pa.int64(),
    "int32": pa.int32(),
}
_MOST = {"int32": 2.0**31, "int64": 2.0**63}


def schema_of(columns: Sequence[Column] = COLUMNS, motion: Motion = "linear") -> Any:
    """Return the Arrow schema; each field carries ``unit`` and ``description``.

    Columns of a rotary actuator are named and counted in rad and N·m.

    The same as one JSON text under ``columns``, for programs that show no field metadata.
    """
    columns = [stored_column(column, motion) for column in columns]
    fields = [
        pa.field(
            column.name,
            _TYPES[column.kind],
            metadata={"unit": column.unit, "description": column.description},
        )
        for column in columns
    ]
    described = [{"name": c.name, "unit": c.unit, "description": c.description} for c in columns]
    return pa.schema(fields, metadata={"columns": json.dumps(described)})


class _Sink:
    """Sink for the bytes that Arrow writes, collected batch by batch."""

    def __init__(self) -> None:
        self._parts: list[bytes] = []
        self.closed = False

    def write(self, data: Any) -> int:
        self._parts.append(bytes(data))
        return len(data)

    def flush(self) -> None:
        pass

    def close(self) -> None:
        self.closed = True

    def readable(self) -> bool:
        return False

    def writable(self) -> bool:
        return True

    def seekable(self) -> bool:
        return False

    def collect(self) -> bytes:
        parts, self._parts = self._parts, []
        return b"".join(parts)


class StreamEncoder:
    """Encoder of rows as an Arrow IPC stream (zstd buffers)."""

    def __init__(self, motion: Motion = "linear") -> None:
        self._motion: Motion = motion
        self._schema = schema_of(motion=motion)
        self._sink = _Sink()
        options = pa.ipc.IpcWriteOptions(compression=pa.Codec("zstd", compression_level=1))
        self._stream = pa.ipc.new_stream(self._sink, self._schema, options=options)

    def head(self) -> bytes:
        """Return the first bytes of a stream: its schema."""
        return self._sink.collect()

    def encode(self, rows: NDArray[np.float64]) -> bytes:
        """Return the bytes to append for ``rows``, shape (n, number of columns)."""
        self._stream.write_batch(batch_of(rows, COLUMNS, self._schema, self._motion))
        return self._sink.collect()

    def end(self) -> bytes:
        """Return the end mark of a complete stream."""
        self._stream.close()
        return self._sink.collect()


def batch_of(
    rows: NDArray[np.float64], columns: Sequence[Column], schema: Any, motion: Motion = "linear"
) -> Any:
    """Return a record batch; values that do not fit an integer column, such as NaN, become null."""
    arrays = []
    by_column = np.ascontiguousarray(rows.T)
    for values, column in zip(by_column, columns, strict=True):
        if motion == "rotary" and column.name in FACTORS:
            values = values * FACTORS[column.name]  # a power of two: no bit is lost
        if column.kind == "float64":
            arrays.append(_array(values))
        elif column.kind == "float32":
            with np.errstate(over="ignore"):  # beyond float32: stored as inf
                arrays.append(_array(values.astype(np.float32)))
        else:
            fits = np.abs(values) < _MOST[column.kind]
            if fits.all():
                arrays.append(_array(values.astype(column.kind)))
            else:
                whole = np.where(fits, values, 0.0).astype(column.kind)
                arrays.append(_array(whole, fits))
    return pa.record_batch(arrays, schema=schema)


def _array(values: NDArray[Any], valid: NDArray[np.bool_] | None = None) -> Any:
    """Return values (n,) as an Arrow array without a copy, those not ``valid`` as null.

    Arrow's own conversion imports pandas, if that is installed: 0.3 s in the first write of a run.
    """
    bits = None if valid is None else pa.py_buffer(np.packbits(valid, bitorder="little"))
    kind = _TYPES[values.dtype.name]
    return pa.Array.from_buffers(kind, len(values), [bits, pa.py_buffer(values)])


def stream_batches(path: Path) -> Iterator[Any]:
    """Yield the record batches of a stream, up to its end or to where it was cut off.

    Raises:
        OSError: the file cannot be opened.
    """
    with pa.OSFile(str(path), "rb") as file:
        try:
            with pa.ipc.open_stream(file) as stream:
                while True:
                    yield stream.read_next_batch()
        except (StopIteration, pa.ArrowException, OSError, EOFError):
            return


def stream_schema(path: Path) -> Any:
    """Return the schema of a stream, or that of this version if its beginning was never written."""
    with pa.OSFile(str(path), "rb") as file:
        try:
            with pa.ipc.open_stream(file) as stream:
                return stream.schema
        except (pa.ArrowException, OSError, EOFError):
            return schema_of()


def write_parquet(source: Path, target: Path) -> int:
    """Write the readable part of a stream as Parquet (zstd), atomically.

    Row groups do not depend on how the stream was cut into batches, so that equal samples
    give equal files.

    Returns:
        Number of samples.

    Raises:
        OSError: the disk refused.
    """
    part = target.with_name(f".{target.name}.part")
    schema = stream_schema(source)
    floats = [field.name for field in schema if pa.types.is_floating(field.type)]
    others = [field.name for field in schema if not pa.types.is_floating(field.type)]
    count = 0
    try:
        with (
            part.open("wb") as out,
            pq.ParquetWriter(
                out,
                schema,
                compression="zstd",
                compression_level=3,
                use_dictionary=others,
                use_byte_stream_split=floats,
                write_page_checksum=True,
            ) as writer,
        ):
            waiting: list[Any] = []
            rows = 0
            for batch in stream_batches(source):
                count += batch.num_rows
                waiting.append(batch)
                rows += batch.num_rows
                while rows >= ROW_GROUP:
                    table = pa.Table.from_batches(waiting, schema)
                    writer.write_table(table.slice(0, ROW_GROUP), row_group_size=ROW_GROUP)
                    waiting = table.slice(ROW_GROUP).to_batches()
                    rows -= ROW_GROUP
            if rows:
                writer.write_table(pa.Table.from_batches(waiting, schema), ROW_GROUP)
        file = os.open(part, os.O_RDONLY)
        try:
            os.fsync(file)
        finally:
            os.close(file)
        part.replace(target)
        sync_folder(target.parent)
    except BaseException:
        part.unlink(missing_ok=True)
        raise
    return count
