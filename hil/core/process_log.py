"""Log of each process of a bench: written in the link directory, kept with the run.

The log is for troubleshooting afterwards. Information for the operator is an event.
"""

from __future__ import annotations

import atexit
import logging
import logging.handlers
import os
import queue
import re
import sys
from datetime import UTC, datetime
from pathlib import Path
from types import TracebackType

LOG_SUFFIX = ".log"
MOST_BYTES = 1_000_000  # of one process in one run; the newest are kept
_RECORD = re.compile(r"^(?=\d{4}-\d\d-\d\dT)", re.MULTILINE)


class LogFormatter(logging.Formatter):
    """``2026-03-01T08:00:00.000+00:00 host INFO text``; further lines are indented."""

    def format(self, record: logging.LogRecord) -> str:
        stamp = datetime.fromtimestamp(record.created, UTC).isoformat(timespec="milliseconds")
        text = super().format(record).replace("\n", "\n    ")
        return f"{stamp} {record.name} {record.levelname} {text}"


def begin_log(directory: Path, process: str) -> logging.Logger:
    """Log to ``directory/process.log`` from a separate thread, uncaught exceptions included.

    Logging never waits for the disk. Without a writable directory there is no log, but no error.
    """
    logger = logging.getLogger(process)
    logger.setLevel(logging.INFO)
    logger.propagate = False
    path = directory / f"{process}{LOG_SUFFIX}"
    flags = os.O_WRONLY | os.O_CREAT | os.O_APPEND | os.O_NOFOLLOW | os.O_CLOEXEC
    try:
        stream = os.fdopen(os.open(path, flags, 0o600), "a", encoding="utf-8")
    except OSError as error:
        print(f"no log of {process}: {error}", file=sys.stderr, flush=True)
        logger.addHandler(logging.NullHandler())
        return logger
    handler = logging.StreamHandler(stream)
    handler.setFormatter(LogFormatter())
    waiting: queue.SimpleQueue[logging.LogRecord] = queue.SimpleQueue()
    logger.addHandler(_Queued(waiting))
    listener = logging.handlers.QueueListener(waiting, handler)
    listener.start()
    atexit.register(listener.stop)
    _log_uncaught(logger)
    return logger


class _Queued(logging.handlers.QueueHandler):
    """Handler that queues records unchanged: the formatter needs the exception itself."""

    def prepare(self, record: logging.LogRecord) -> logging.LogRecord:
        return record


def _log_uncaught(logger: logging.Logger) -> None:
    before = sys.excepthook

    def hook(kind: type[BaseException], error: BaseException, trace: TracebackType | None) -> None:
        logger.critical("ended by an exception", exc_info=(kind, error, trace))
        before(kind, error, trace)

    sys.excepthook = hook


def merged_logs(directory: Path) -> str:
    """Return the logs of all processes in ``directory`` as one text, in order of time.

    Takes the newest million bytes of each; other files are left out.
    """
    records: list[str] = []
    for path in sorted(directory.glob(f"*{LOG_SUFFIX}")):
        try:
            with open(os.open(path, os.O_RDONLY | os.O_NOFOLLOW), "rb") as file:
                file.seek(max(0, os.fstat(file.fileno()).st_size - MOST_BYTES))
                text = file.read(MOST_BYTES).decode("utf-8", "replace")
        except OSError:
            continue
        records += [part for part in _RECORD.split(text) if _RECORD.match(part)]
    return "".join(sorted(records, key=lambda record: record.split(" ", 1)[0]))
