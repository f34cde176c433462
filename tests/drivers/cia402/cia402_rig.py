"""The simulated node in its own process, for the tests beside."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

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
