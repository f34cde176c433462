"""Logs of processes: written by their own thread, in order, exceptions included."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

from hil.core import merged_logs

PROGRAM = """
import sys
from pathlib import Path
from hil.core import begin_log
log = begin_log(Path(sys.argv[1]), sys.argv[2])
log.info("begins\\nwith two lines")
{rest}
"""


def run(directory: Path, name: str, rest: str = "") -> subprocess.CompletedProcess[str]:
    program = PROGRAM.format(rest=rest)
    return subprocess.run(
        [sys.executable, "-c", program, str(directory), name], capture_output=True, text=True
    )


def test_logs_are_merged_in_order_of_time(tmp_path: Path) -> None:
    for name in ("second", "first"):  # the order is not that of the names
        run(tmp_path, name)
    (tmp_path / "other.log").write_text("no stamp: no record of ours\n")
    lines = merged_logs(tmp_path).splitlines()
    assert [line.split()[1:3] for line in lines if not line.startswith(" ")] == [
        ["second", "INFO"],
        ["first", "INFO"],
    ]
    assert lines[1] == "    with two lines"


def test_an_uncaught_exception_is_in_the_log_and_still_reported(tmp_path: Path) -> None:
    ended = run(tmp_path, "host", "raise ValueError('gave way')")
    assert ended.returncode == 1
    assert "gave way" in ended.stderr
    text = merged_logs(tmp_path)
    assert "CRITICAL" in text and "ValueError: gave way" in text


def test_a_log_is_never_written_through_a_link(tmp_path: Path) -> None:
    victim = tmp_path / "victim"
    victim.write_text("untouched")
    (tmp_path / "host.log").symlink_to(victim)
    ended = run(tmp_path, "host")
    assert ended.returncode == 0
    assert "no log of host" in ended.stderr
    assert victim.read_text() == "untouched"
    assert merged_logs(tmp_path) == ""
