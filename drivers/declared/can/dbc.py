"""Messages from a database file for CAN, of any format that cantools loads."""

from __future__ import annotations

from functools import cache
from pathlib import Path
from typing import Any

import cantools
from cantools.database.can import Database, Message

REFUSED = "refused"  # reason why a message cannot be described


class DbcError(Exception):
    """Error of a database that cannot be used; the text names the file and the fix."""


def dbc_messages(path: Path) -> dict[str, dict[str, Any]]:
    """Return every message of the file by name, as a profile would describe it.

    Raises:
        DbcError: no such file, or none that cantools reads as a CAN database.
    """
    try:
        stamp = path.stat().st_mtime_ns
    except OSError:
        raise DbcError(
            f"dbc: no file '{path.name}'; give its path from the folder of the file that names it"
        ) from None
    return _read(path, stamp)


@cache
def _read(path: Path, _stamp: int) -> dict[str, dict[str, Any]]:
    try:
        database = cantools.database.load_file(path, strict=False)
    except Exception as error:
        # Each format's reader raises its own exceptions; all mean that the file cannot be read.
        first = str(error).strip().splitlines()[0] if str(error).strip() else type(error).__name__
        raise DbcError(
            f"dbc: '{path.name}' is not a database file for CAN: {first}; give one in a format that "
            "cantools loads (DBC, KCD, SYM, ARXML), or write out 'messages' instead"
        ) from None
    if not isinstance(database, Database):
        raise DbcError(f"dbc: '{path.name}' describes diagnostics, not messages; name another")
    return {message.name: _message(message) for message in database.messages}


def _message(message: Message) -> dict[str, Any]:
    described: dict[str, Any] = {
        "id": message.frame_id,
        "extended": message.is_extended_frame,
        "length": message.length,
        "fd": message.is_fd,
        "signals": {},
    }
    if message.cycle_time:
        described["every"] = f"{message.cycle_time} ms"
    for signal in message.signals:
        entry: dict[str, Any] = {
            "start": signal.start,
            "bits": signal.length,
            "order": signal.byte_order,
            "signed": signal.is_signed and not signal.is_float,
            "floating": signal.is_float,
            "scale": float(signal.scale),
            "offset": float(signal.offset),
            "unit": signal.unit or "",
        }
        if signal.is_multiplexer and not signal.multiplexer_ids:
            described["multiplexer"] = signal.name
        if signal.multiplexer_ids:
            entry["when"] = signal.multiplexer_ids
        described["signals"][signal.name] = entry
    switching = [signal.name for signal in message.signals if signal.is_multiplexer]
    if len(switching) > 1:
        described[REFUSED] = (
            f"its signals depend on more than one multiplexer ({', '.join(switching)}); only one "
            "can be described: use signals of another message"
        )
    return described
