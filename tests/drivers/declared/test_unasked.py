"""Quantities that no poll requests have an age as well, in every member of a combined drive."""

from __future__ import annotations

import os
import threading
import tty
from collections.abc import Callable, Iterator
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from pydantic import ValidationError

from drivers.base import Command, PowerStage, Telemetry
from drivers.declared.combined.drive import CombinedDrive
from drivers.declared.combined.options import CombinedOptions
from drivers.declared.combined.simulated import SharedCore
from drivers.registry import find_protocol
from drivers.simulated.drive_core import SimulatedDriveCore
from drivers.simulated.parameters import RigParameters
from hil.profile import load_profile
from hil.supervision import telemetry_age
from tests.drivers.declared.declared_rig import ON, PERIOD_S, cycle, cycles, options_of


class Terminal:
    """A board on a terminal that sends ``lines`` unasked and replies with ``answers`` to requests."""

    def __init__(self, lines: dict[str, bytes], answers: dict[bytes, bytes]) -> None:
        self._near, self._end = os.openpty()
        tty.setraw(self._end)
        self.path = os.ttyname(self._end)
        self.silent: set[str] = set()
        self._ending = threading.Event()

        def answer() -> None:
            while not self._ending.is_set():
                for line in os.read(self._near, 1000).splitlines():
                    for asked, answered in answers.items():
                        if line.startswith(asked) and asked.decode() not in self.silent:
                            os.write(self._near, answered)

        def talk() -> None:
            while not self._ending.wait(0.002):
                for name, line in lines.items():
                    if name not in self.silent:
                        os.write(self._near, line)

        jobs = [talk, answer] if answers else [talk]
        self._threads = [threading.Thread(target=job, daemon=True) for job in jobs]
        for thread in self._threads:
            thread.start()

    def end(self) -> None:
        self._ending.set()
        with open(self.path, "wb", buffering=0) as end:
            end.write(b"end\n")
        for thread in self._threads:
            thread.join(5.0)
            assert not thread.is_alive()
        os.close(self._near)
        os.close(self._end)


@pytest.fixture
def terminal() -> Iterator[Callable[..., Terminal]]:
    started: list[Terminal] = []

    def start(lines: dict[str, bytes], answers: dict[bytes, bytes] | None = None) -> Terminal:
        started.append(Terminal(lines, answers or {}))
        return started[-1]

    yield start
    for one in started:
        one.end()


def lines_board(path: str, gives: dict[str, str], every: str | None = "5 ms") -> dict[str, Any]:
    """Return a description of lines ``name=number``."""
    line = {"fields": ["number"]} | ({"every": every} if every else {})
    return {
        "protocol": "declared_lines",
        "name": "talker",
        "port": {"path": path},
        "lines": {name: {"starts": f"{name}="} | line for name in gives},
        "gives": {quantity: {"from": f"{name}.number"} for name, quantity in gives.items()},
        "silence": "5 s",
    }


ANSWERING = {
    "commands": {"order": "T{demand:.3f}", "once": "W"},
    "takes": {"torque": {"to": "order.demand"}},
    "sequences": {
        "energise": [{"send": "once"}],
        "de_energise": [{"send": "order", "with": {"demand": 0}}],
    },
    "rated_torque": "1 N*m",
    "peak_torque": "2 N*m",
    "host_loss": "100 ms",
}


@pytest.mark.real_time
def test_what_answers_commands_is_as_old_as_its_last_answer_once_there_are_commands(
    terminal: Callable[..., Terminal],
) -> None:
    board = terminal({"bend": b"bend=7\n"}, {b"T": b"felt=0.5\n"})
    described = lines_board(board.path, {"bend": "deflection", "felt": "position"}) | ANSWERING
    described["lines"]["felt"] = {"starts": "felt=", "fields": ["number"], "answers": "order"}
    options = find_protocol("declared_lines").options.model_validate(described)
    drive = find_protocol("declared_lines").make(options, PERIOD_S)
    drive.open()
    telemetry = drive.telemetry
    cycles(drive, Command(), 0.1)
    assert telemetry.silent_name == ""  # no request is sent
    cycle(drive, ON, lambda: telemetry.power is PowerStage.ON)
    cycles(drive, ON, 0.2)
    assert telemetry.silent_name == ""
    board.silent.add("T")
    cycle(drive, ON, lambda: telemetry.silent_name != "")
    assert telemetry.silent_name == "position"
    assert telemetry_age.stale(telemetry, 1.0)
    assert telemetry.deflection_counts == 7.0 and not telemetry.lost
    drive.close()


def test_what_comes_in_answer_to_a_single_question_has_no_age_and_is_refused() -> None:
    described = lines_board("/dev/null", {"bend": "deflection", "warm": "supply"}) | ANSWERING
    described["lines"]["warm"] = {"starts": "warm=", "fields": ["number"], "answers": "once"}
    with pytest.raises(
        ValidationError, match=r"gives\.supply: 'warm' answers 'once', which is sent"
    ):
        find_protocol("declared_lines").options.model_validate(described)


@pytest.mark.real_time
def test_a_member_that_only_measures_is_reported_by_quantity_and_name(
    tmp_path: Path, far: Any, terminal: Callable[..., Terminal]
) -> None:
    whole = options_of("treadle_frames", tmp_path)
    shared = SharedCore(SimulatedDriveCore(RigParameters(), 1))
    for name in whole.members:
        far(whole.members[name], shared)
    meter = terminal({"warm": b"warm=31\n"})
    options = CombinedOptions.model_validate(
        {
            "members": {**whole.members, "meter": lines_board(meter.path, {"warm": "temperature"})},
            "quantities": {"temperature": "meter"},
        }
    )
    drive = find_protocol("combined").make(options, PERIOD_S)
    drive.open()
    cycles(drive, Command(), 0.1)
    assert drive.telemetry.temperature_degC == 31.0
    meter.silent.add("warm")
    cycle(drive, Command(), lambda: drive.telemetry.silent_name != "")
    assert drive.telemetry.silent_name == "temperature of meter"
    drive.close()


def test_a_drive_whose_motion_another_member_measures_has_an_age_of_its_own(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    members = {
        "motor": load_profile("footplate_trainer").drive,
        "shaft": lines_board("/dev/null", {"a": "position", "b": "velocity", "c": "torque"}),
        "bend": lines_board("/dev/null", {"d": "deflection"}),
    }
    sources = {"position": "shaft", "velocity": "shaft", "torque": "shaft", "deflection": "bend"}
    options = CombinedOptions.model_validate({"members": members, "quantities": sources})
    ends = {name: SimpleNamespace(telemetry=Telemetry()) for name in members}
    for end in ends.values():
        end.read = lambda _until, end=end: end.telemetry
    drive = CombinedDrive(ends, options, 0.001)
    now = [100.0]
    monkeypatch.setattr("drivers.capture.wires.now", lambda: now[0])

    def look(cycles: int, *quiet: str) -> Telemetry:
        for _ in range(cycles):
            now[0] += 0.001
            for name, end in ends.items():
                if name not in quiet:
                    end.telemetry.time_s = now[0]
                    end.telemetry.age_s = end.telemetry.deflection_age_s = 0.0
            drive.read(now[0])
        return drive.telemetry

    assert look(200).silent_name == ""
    assert look(100, "motor").silent_name == "status of motor"
    assert telemetry_age.stale(drive.telemetry, 1.0)
    assert look(5).silent_name == ""
