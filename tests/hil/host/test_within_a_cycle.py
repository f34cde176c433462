"""The rig host's loop over a drive in lockstep: stops and pauses within one cycle."""

from __future__ import annotations

import json
import time
from pathlib import Path
from typing import Any

import pytest

from drivers.base import Command, DriverError, Telemetry
from hil.core import State
from hil.core.samples import INDEX, ROW
from hil.host.host import Host
from hil.link import LinkServer
from hil.link.directory import REQUESTS
from hil.link.messages import EVENT, HEAD, ROWS
from hil.link.stop_socket import StopSocket
from hil.profile import load_profile, make_lockstep_drive

SENT_IN = 30  # cycle; by then the server has accepted the connection
STOP = b'{"type":"request","id":1,"request":{"kind":"stop","cause":"by hand"}}'


class SendsWhileRead:
    """A drive in lockstep during whose read a stop is sent, in one cycle."""

    def __init__(self, inner: Any, requests: Path) -> None:
        self.inner = inner
        self.requests = requests
        self.host: Any = None
        self.cycle = 0
        self.states: list[State] = []  # at the command of each cycle
        self.stops: StopSocket | None = None
        self.sent_in = 0  # cycles before the one in which it was sent

    def __getattr__(self, name: str) -> Any:
        return getattr(self.inner, name)

    def read(self, deadline_s: float) -> Telemetry:
        self.cycle += 1
        telemetry: Telemetry = self.inner.read(deadline_s)
        if self.cycle == 1:
            self.stops = StopSocket(self.requests)
        elif self.cycle == SENT_IN:
            assert self.stops is not None and self.stops.send(STOP)
            self.sent_in = len(self.states)  # fewer than reads: a late cycle reads twice
        return telemetry

    def write(self, command: Command) -> None:
        self.states.append(self.host.bench.state)
        self.inner.write(command)
        self.host.ending = self.cycle > SENT_IN + 2


def test_the_command_of_the_same_cycle_obeys_a_stop(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    profile = load_profile("footplate_trainer")
    link = LinkServer(tmp_path / "link", {"rate_hz": profile.control.rate}, 0.15)
    drive = SendsWhileRead(make_lockstep_drive(profile, 1), link.directory / REQUESTS)
    sent: list[bytes] = []
    try:
        drive.open()
        drive.host = host = Host(profile, drive, link)
        monkeypatch.setattr(link._sockets, "publish", sent.append)
        host.run()
    finally:
        link.close()
    blocks = [message[HEAD:] for message in sent if message.startswith(ROWS)]
    rows = [row for block in blocks for row in ROW.iter_unpack(block)]
    assert drive.states[drive.sent_in - 1] is State.DE_ENERGISED
    assert drive.states[drive.sent_in] is State.STOPPED
    assert rows[drive.sent_in][INDEX["state"]] == State.STOPPED


class HeldUp(SendsWhileRead):
    """A drive that is lost through a pause within its ``read``."""

    PAUSE_S = 0.03

    def read(self, deadline_s: float) -> Telemetry:
        self.cycle += 1
        self.host.ending = self.cycle > SENT_IN + 2
        if self.cycle == SENT_IN:
            time.sleep(self.PAUSE_S)
        if self.cycle >= SENT_IN:
            raise DriverError("lost")
        telemetry: Telemetry = self.inner.read(deadline_s)
        return telemetry


def test_a_pause_anywhere_in_the_cycle_is_reported_with_the_drive_lost_as_well(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    profile = load_profile("footplate_trainer")
    link = LinkServer(tmp_path / "link", {"rate_hz": profile.control.rate}, 0.15)
    drive = HeldUp(make_lockstep_drive(profile, 1), link.directory / REQUESTS)
    sent: list[bytes] = []
    try:
        drive.open()
        drive.host = host = Host(profile, drive, link)
        monkeypatch.setattr(link._sockets, "publish", sent.append)
        host.run()
    finally:
        link.close()
    events = [json.loads(message[HEAD:]) for message in sent if message.startswith(EVENT)]
    pauses = [event for event in events if event["kind"] == "pause"]
    longest = max(pauses, key=lambda event: float(event["late_ms"]))
    assert longest["late_ms"] >= 0.9e3 * HeldUp.PAUSE_S and longest["cause"]
