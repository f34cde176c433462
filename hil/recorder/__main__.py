"""``python -m hil.recorder --link DIRECTORY --runs DIRECTORY``: record until SIGTERM.

Exit codes: 0 every run is complete, 1 a run could not be finished (repair it), 2 no rig host.
"""

from __future__ import annotations

import argparse
import os
import sys
from pathlib import Path

from hil.link import LinkError
from hil.recorder.process import record


def main(arguments: list[str] | None = None) -> int:
    parser = argparse.ArgumentParser(prog="hookeline recorder", description=__doc__)
    parser.add_argument("--link", required=True, type=Path, help="link directory of the rig host")
    parser.add_argument("--runs", required=True, type=Path, help="where run folders are made")
    parser.add_argument("--wait", type=float, default=5.0, help="seconds to wait for the rig host")
    parser.add_argument("--hold", action="store_true", help="start at a line on standard input")
    parser.add_argument(
        "--take-over", action="store_true", help="continue for a recorder that died"
    )
    options = parser.parse_args(arguments)
    parent = os.getppid() if options.hold else None
    if options.hold and not sys.stdin.readline():
        return 0  # the starting process has exited
    try:
        code = record(
            options.link,
            options.runs,
            wait_s=options.wait,
            parent=parent,
            take_over=options.take_over,
        )
    except LinkError as error:
        print(error, file=sys.stderr)
        return 2
    if code:
        print(
            f"a run in '{options.runs}' could not be finished; its samples are readable, and "
            "'hookeline runs repair' finishes it once there is space",
            file=sys.stderr,
        )
    return code


if __name__ == "__main__":
    sys.exit(main())
