"""Answers of every command: exit codes, lines for people, one object for machines."""

from __future__ import annotations

import argparse
import datetime
import errno
import io
import json
import math
import os
import re
import shutil
import sys
import tempfile
import textwrap
import traceback
from functools import partial
from pathlib import Path
from typing import Any

from drivers.base import DriverError
from hil.host import BenchError
from hil.link import CurveKeyError, HostGone, KeysNeeded, LinkError, NoRigHost
from hil.profile import ProfileError
from hil.recorder import RunError

OK, FAILED, BAD_INPUT, NOT_REACHED, INTERRUPTED = 0, 1, 2, 3, 130
DISK_ERRORS = (errno.ENOSPC, errno.EDQUOT, errno.EROFS, errno.EFBIG, errno.EIO)

EXIT_CODES = """\
exit codes:
  0    done
  1    failed: a limit tripped, a request was refused, or a figure is missing or not good
  2    usage, or bad input (profile, sequence, keys); the message names file, line and key
  3    the hardware, the bus or the rig host could not be reached
  130  interrupted; the rig was stopped first
"""
CAUTION = """\
caution:
  This command can move a machine. A ball screw back-drives: without power the load may sink.
  Support the load, keep hands off the lever, and keep a hard-wired emergency stop
  (ISO 13850) within reach. Esc and Ctrl-C stop the rig, but a software stop is not a safety
  function.
"""


class CommandError(Exception):
    """Failure of a command; the text gives the reason and the fix."""

    def __init__(self, text: str, exit_code: int = FAILED) -> None:
        super().__init__(text)
        self.exit_code = exit_code


WIDEST, NARROWEST = 96, 40  # columns of help: read at sight, and still readable
LEAST_BESIDE = 24  # columns of a table's text beside its cells; with fewer it goes below them
BELOW = 6  # its indentation there


class Help(argparse.RawDescriptionHelpFormatter):
    """Help formatter that keeps the line breaks of descriptions and examples."""

    def __init__(self, prog: str) -> None:
        terminal = shutil.get_terminal_size((WIDEST, 24)).columns
        super().__init__(prog, max_help_position=28, width=max(NARROWEST, min(WIDEST, terminal)))

    def _fill_text(self, text: str, width: int, indent: str) -> str:
        """Wrap lines that are too long under their last column."""
        wrapped = []
        for line in text.splitlines():
            column = re.match(r" *(?:\S.*? {2,})?", line)
            hanging = " " * (column.end() if column else 0)
            wrapped += textwrap.wrap(line, width, subsequent_indent=hanging) or [""]
        return "\n".join(indent + line for line in wrapped)


def add_command(
    commands: Any, name: str, summary: str, description: str, example: str, motion: bool = False
) -> argparse.ArgumentParser:
    """Add a subcommand with its help, and ``--json``, which every one takes."""
    parser: argparse.ArgumentParser = commands.add_parser(
        name,
        help=summary,
        description=description,
        epilog=f"example:\n{example}\n{CAUTION + chr(10) if motion else ''}{EXIT_CODES}",
        formatter_class=Help,
        allow_abbrev=False,
    )
    parser.add_argument(
        "--json", action="store_true", help="print one JSON object as the last line"
    )
    return parser


def number(text: str) -> float:
    """Return the number of an option; argparse reports the ValueError of nan and infinity."""
    value = float(text)
    if not math.isfinite(value):
        raise ValueError
    return value


def say(options: argparse.Namespace, text: str) -> None:
    """Print a line for people, on standard error if ``--json`` uses standard output."""
    print(text, file=sys.stderr if options.json else sys.stdout, flush=True)


def say_row(options: argparse.Namespace, cells: str, text: str) -> None:
    """Print a row of a table for people, whose last column, ``text``, the terminal wraps.

    Output that goes to no terminal is not wrapped. ``cells`` end with the gap before that column.
    """
    width = max(NARROWEST, shutil.get_terminal_size((sys.maxsize, 24)).columns)
    for line in _row_lines(cells, text, width):
        say(options, line)


def _row_lines(cells: str, text: str, width: int) -> list[str]:
    """Return the lines of a row; the text goes below the cells if they leave too little beside them."""
    whole = (cells + text).rstrip()
    if len(whole) <= width:
        return [whole]
    wrap = partial(textwrap.wrap, break_long_words=False, break_on_hyphens=False)
    if width - len(cells) >= LEAST_BESIDE:
        return wrap(whole, width, subsequent_indent=" " * len(cells))
    below = " " * BELOW
    above = wrap(cells.rstrip(), width, subsequent_indent=below)
    return above + wrap(text, width, initial_indent=below, subsequent_indent=below)


def answer(options: argparse.Namespace, data: dict[str, Any]) -> None:
    """Print the JSON object for programs, if ``--json`` requests it."""
    if options.json:
        print(_as_json(_plain(data)), flush=True)


def _as_json(data: Any) -> str:
    """Return JSON; where the terminal has no UTF-8, of escaped characters."""
    encoding = (getattr(sys.stdout, "encoding", None) or "utf-8").lower()
    return json.dumps(data, ensure_ascii=not encoding.startswith("utf"))


def accept_any_encoding() -> None:
    """Replace characters that the terminal's encoding lacks, which would end the command."""
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper) and not stream.encoding.lower().startswith("utf"):
            stream.reconfigure(errors="replace")


def _plain(value: Any) -> Any:
    """Return a value for JSON, which has no NaN and no paths."""
    if isinstance(value, dict):
        return {str(key): _plain(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(item) for item in value]
    if isinstance(value, float) and (value != value or value in (float("inf"), float("-inf"))):
        return None
    return str(value) if isinstance(value, Path) else value


def explain_error(error: BaseException) -> tuple[list[str], int]:
    """Return lines and exit code for an error that ended a command."""
    if isinstance(error, CommandError | BenchError):
        return _lines(error), error.exit_code
    if isinstance(error, ProfileError | CurveKeyError | KeysNeeded):
        return _lines(error), BAD_INPUT
    if isinstance(error, HostGone | NoRigHost | DriverError):
        return _lines(error), NOT_REACHED
    if isinstance(error, LinkError | RunError):
        return _lines(error), FAILED
    if isinstance(error, KeyboardInterrupt):
        return ["interrupted"], INTERRUPTED
    if isinstance(error, OSError) and error.filename:
        return [
            f"{error.filename}: {error.strerror}; check the path, its permissions and the "
            "space left"
        ], FAILED
    if isinstance(error, OSError) and error.errno in DISK_ERRORS:  # in a write: names no file
        return [f"{error.strerror}; check the disk, its permissions and the space left"], FAILED
    kept = _keep_details(error)
    text = " ".join(str(error).split()) or "no details"
    return [f"an error of the program itself: {type(error).__name__}: {text[:200]}{kept}"], FAILED


def _lines(error: BaseException) -> list[str]:
    return [line for line in str(error).splitlines() if line.strip()] or [type(error).__name__]


def _keep_details(error: BaseException) -> str:
    stamp = datetime.datetime.now().strftime("%Y%m%d-%H%M%S")
    try:
        number, name = tempfile.mkstemp(prefix=f"hookeline-{stamp}-", suffix=".txt")
        with os.fdopen(number, "w", encoding="utf-8") as file:
            file.write("".join(traceback.format_exception(error)))
    except OSError:
        return ""
    return f"; details are in {name}"


def fail(error: BaseException, as_json: bool) -> int:
    """Report an error, one line for each problem; return the exit code."""
    lines, code = explain_error(error)
    for line in lines:
        print(f"hookeline: {line}", file=sys.stderr, flush=True)
    if as_json:
        data: dict[str, Any] = {"error": "\n".join(lines), "exit_code": code}
        if isinstance(error, ProfileError):
            data["problems"] = error.as_data()
        print(_as_json(data), flush=True)
    return code
