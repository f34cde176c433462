"""Simulated node in its own process, for the tests in this folder."""

from __future__ import annotations

import json
import subprocess
import sys
import time
from pathlib import Path

from drivers.base import Command, PowerRequest, PowerStage
from drivers.cia402 import protocol

PERIOD = 0.002


class Rig:
    def __init__(self, directory: Path, parameters: str = "{}", **options) -> None:
        self.channel = str(directory / "can.sock")
        self.control = f"ipc://{directory / 'control.ipc'}"
        self.data = {
            "protocol": "cia402",
            "node": 5,
            "bus": {"interface": "local_socket", "channel": self.channel},
            **options,
        }
        configuration = directory / "rig.json"
        configuration.write_text(
            json.dumps(
                {
                    "protocol": "cia402",
                    "options": self.data,
                    "environment": self.control,
                    "parameters": json.loads(parameters),
                }
            )
        )
        self.process = subprocess.Popen(
            [sys.executable, "-m", "drivers.simulated.process", "--config", str(configuration)],
            stdout=subprocess.PIPE,
            text=True,
        )
        assert self.process.stdout is not None
        assert self.process.stdout.readline().strip() == "ready"

    def drive(self, **changes):
        return protocol.make(protocol.options.model_validate({**self.data, **changes}), PERIOD)

    def end(self) -> None:
        self.process.terminate()
        self.process.wait(5)
        self.process.stdout.close()


def cycle(drive, command, seconds, until=None):
    """Cycle in real time; returns the telemetry object."""
    due = time.monotonic()
    for _ in range(round(seconds / PERIOD)):
        due += PERIOD
        time.sleep(max(0.0, due - time.monotonic()))
        telemetry = drive.read(due + 0.6 * PERIOD)
        drive.write(command)
        if until is not None and until(telemetry):
            break
    return drive.telemetry


def energise(drive, **targets):
    command = Command(power=PowerRequest.ON, **targets)
    telemetry = cycle(drive, command, 2.0, lambda t: t.power == PowerStage.ON)
    assert telemetry.power == PowerStage.ON
    return command
