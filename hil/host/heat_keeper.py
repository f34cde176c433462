"""``python -m hil.host.heat_keeper --link DIR``: keep the motor's heat while a rig host runs.

A client of the link that writes the heat that the rig host publishes, every two seconds and once
more when the rig host falls silent. Without it, a killed rig host would leave only the in-use mark.
It ends with the rig host or with the process that started it.
"""

from __future__ import annotations

import argparse
import os
import signal
import sys
import time
from collections.abc import Iterable
from pathlib import Path
from types import FrameType
from typing import Any

from hil.host.kept_heat import SEEN_EVERY_S, HeatFiles, moment_now
from hil.link import Block, Client, LinkError
from hil.profile import profile_from_dict
from hil.supervision import Moment

LOOK_S = 0.1
SILENT_S = 2.0  # as in the recorder: after it the rig host is treated as gone


class HeatKeeper:
    """The heat published last, and the time at which it was written.

    Attributes:
        ended: the rig host ended in order, and has written its own file.
    """

    def __init__(self, files: HeatFiles) -> None:
        self._files = files
        self._latest: tuple[float, float, Moment] | None = None
        self._written: Moment | None = None
        self.ended = False

    def take(self, events: Iterable[Any], now: Moment) -> None:
        """Take the published events; write if the last write is ``SEEN_EVERY_S`` ago.

        Raises:
            OSError: it cannot be written.
        """
        for event in events:
            if isinstance(event, Block):
                continue
            heat = event.get("motor_heat")
            if event.get("kind") == "heartbeat" and isinstance(heat, dict):
                self._latest = (float(heat["winding"]), float(heat["housing"]), now)
            self.ended = self.ended or event.get("kind") == "host_ending"
        passed = None if self._written is None else now.since(self._written)
        if passed is None or passed >= SEEN_EVERY_S:
            self.write()

    def write(self) -> None:
        """Write the heat received last, with the moment of its reception.

        Raises:
            OSError: it cannot be written.
        """
        if self._latest is not None and not self.ended:
            winding, housing, at = self._latest
            if at != self._written:
                self._files.see(winding, housing, at)
                self._written = at


def keep(link: Path) -> int:
    """Keep heat until the rig host or the parent has exited; return 0 in every case."""
    parent = os.getppid()
    ending = False

    def end(_signal: int, _frame: FrameType | None) -> None:
        nonlocal ending
        ending = True

    signal.signal(signal.SIGTERM, end)
    signal.signal(signal.SIGINT, end)
    with Client.connect(link, name="heat keeper") as client:
        heat = client.description.get("heat") or {}
        profile = profile_from_dict(client.description["profile"])
        keeper = HeatKeeper(HeatFiles.of(profile, str(heat["session"])))
        received_s = time.monotonic()
        print("ready", flush=True)
        while not (ending or keeper.ended):
            time.sleep(LOOK_S)
            items = client.poll()
            try:
                keeper.take(items, moment_now())
            except OSError as error:
                print(f"the motor's heat cannot be kept: {error}", file=sys.stderr, flush=True)
            if items:
                received_s = time.monotonic()
            elif time.monotonic() - received_s > SILENT_S or os.getppid() != parent:
                break
        keeper.write()
    return 0


def main(arguments: list[str] | None = None) -> int:
    """Process entry. Exit codes: 0 ended with the rig host, 2 no rig host."""
    parser = argparse.ArgumentParser(prog="hookeline heat keeper", description=__doc__)
    parser.add_argument("--link", required=True, type=Path, help="link directory of the rig host")
    options = parser.parse_args(arguments)
    try:
        return keep(options.link)
    except LinkError as error:
        print(error, file=sys.stderr)
        return 2


if __name__ == "__main__":
    sys.exit(main())
