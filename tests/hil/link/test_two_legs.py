"""A leg of two actuators under one program: in lockstep, and live with a busy process."""

from __future__ import annotations

import contextlib
import re
import subprocess
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from drivers.base import PowerStage
from drivers.simulated import Lateness
from hil.bench import LockstepBench
from hil.core import Cause, Stop
from hil.host.start import BenchOptions, start_bench
from hil.link import Block, Refused
from hil.profile import load_profile
from tests.hil.link import example_program

EXAMPLE = Path(example_program.__file__)
LATE = Lateness(share=0.05, up_to_s=0.004, stale_share=0.5)
SECONDS = 1.1  # past the first reversal of the swing, a quarter of its period


class LockstepLeg:
    """A lockstep bench behind the client's interface; blocks of 20 samples as on the link."""

    def __init__(self, seed: int, lateness: Lateness | None) -> None:
        self.bench = LockstepBench(load_profile("footplate_trainer"), seed, lateness)
        self._rows: list[tuple[float, ...]] = []
        self.refused: list[str] = []
        self.bench.run(0.3)

    def step(self) -> None:
        self._rows.append(self.bench.step())

    def request(self, message: Any) -> str:
        outcome = self.bench.request(message)
        if not outcome.accepted:
            raise Refused(outcome.text)
        return outcome.text

    def post(self, message: Any) -> int:
        outcome = self.bench.request(message)
        if not outcome.accepted:
            self.refused.append(outcome.text)
        return 0

    def answers(self) -> Sequence[Any]:
        return []

    def poll(self) -> Sequence[Any]:
        if len(self._rows) < 20:
            return []
        rows, self._rows = self._rows, []
        return [Block(np.array(rows))]

    def stop(self, text: str) -> object:
        return self.bench.request(Stop(cause=text))


class LockstepClock:
    """Time of the rigs, which step while the program sleeps."""

    def __init__(self, legs: Sequence[LockstepLeg], breaks_s: float = np.inf) -> None:
        self._legs, self._breaks_s = legs, breaks_s
        self._cycles = 0

    def now_s(self) -> float:
        return 1e-3 * self._cycles

    def sleep(self, seconds: float) -> None:
        for _ in range(max(1, round(1e3 * seconds))):
            self._cycles += 1
            if self.now_s() >= self._breaks_s:
                self._legs[1].bench.environment.disturb("drive_fault", 0x2310)
                self._breaks_s = np.inf
            for leg in self._legs:
                leg.step()


@pytest.mark.parametrize("lateness", [None, LATE], ids=["in time", "late"])
def test_two_actuators_move_together(lateness: Lateness | None, capsys: Any) -> None:
    legs = [LockstepLeg(seed, lateness) for seed in (1, 2)]
    assert example_program.move(legs, LockstepClock(legs), SECONDS) == 0
    moved = [float(mm) for mm in re.findall(r"moved ([\d.]+) mm", capsys.readouterr().out)]
    assert len(moved) == 2 and max(moved) - min(moved) < 0.5
    assert moved[0] == pytest.approx(5.0, abs=1.0)  # half a swing
    for leg in legs:
        leg.bench.run(0.1)
        assert leg.bench.drive.core.power is PowerStage.OFF


def test_setpoints_of_every_cycle_are_taken(monkeypatch: pytest.MonkeyPatch, capsys: Any) -> None:
    monkeypatch.setattr(example_program, "EVERY_S", 0.001)
    legs = [LockstepLeg(1, LATE)]
    assert example_program.move(legs, LockstepClock(legs), 0.3) == 0
    assert "300 setpoints" in capsys.readouterr().out
    assert legs[0].refused == []


@pytest.mark.parametrize("at_s", [0.3, 1.0, 2.3], ids=["powering", "lifting", "swinging"])
def test_one_that_stops_stops_the_other(at_s: float) -> None:
    legs = [LockstepLeg(seed, None) for seed in (1, 2)]
    assert example_program.move(legs, LockstepClock(legs, at_s), SECONDS) == 1
    for leg in legs:
        leg.bench.run(0.1)
    assert legs[0].bench.drive.core.power is PowerStage.OFF
    assert legs[1].bench.drive.core.power is PowerStage.FAULT
    assert legs[0].bench.bench.cause == Cause.OPERATOR
    assert "another actuator stopped" in legs[0].bench.bench.cause_text


@pytest.mark.real_time
def test_two_actuators_move_live_beside_a_busy_process(directory: Path) -> None:
    with contextlib.ExitStack() as stack:
        directories = []
        for name in ("one", "two"):
            options = BenchOptions(
                runs_directory=directory / name,
                link_directory=directory / f"{name}_link",
                recorder=False,
            )
            bench = stack.enter_context(start_bench("footplate_trainer", options))
            directories.append(str(bench.link_directory))
        busy = subprocess.Popen([sys.executable, "-c", "while True: pass"])
        try:
            done = subprocess.run(
                [sys.executable, str(EXAMPLE), *directories],
                capture_output=True,
                text=True,
                timeout=60,
            )
        finally:
            busy.kill()
            busy.wait()
    assert done.returncode == 0, done.stdout + done.stderr
    moved = [float(mm) for mm in re.findall(r"moved ([\d.]+) mm", done.stdout)]
    assert moved == pytest.approx([10.0, 10.0], abs=2.0)
