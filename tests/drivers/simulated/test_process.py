"""The simulated rig in its own process, behind the real wire protocol."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from drivers.base import DriverError
from drivers.registry import find_protocol
from drivers.simulated.parameters import RigParameters
from drivers.simulated.process import ConfigurationError, read_configuration
from drivers.simulated.simulation_control import EnvironmentClient


def options_for(directory: Path) -> dict[str, object]:
    return {
        "protocol": "cia402",
        "node": 5,
        "bus": {"interface": "local_socket", "channel": str(directory / "can.sock")},
    }


def write(directory: Path, **changes: object) -> Path:
    values: dict[str, object] = {
        "protocol": "cia402",
        "options": options_for(directory),
        "parameters": json.loads(RigParameters().to_json()),
        "environment": f"ipc://{directory}/s.ipc",
        "seed": 1,
    }
    values |= changes
    path = directory / "rig.json"
    path.write_text(json.dumps({k: v for k, v in values.items() if v is not None}))
    return path


def start(path: Path) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [sys.executable, "-m", "drivers.simulated.process", "--config", str(path)],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )


@pytest.mark.real_time
@pytest.mark.parametrize("end", [signal.SIGTERM, signal.SIGINT])
def test_comes_up_paces_itself_by_the_clock_and_ends_cleanly(tmp_path, end):
    process = start(write(tmp_path))
    try:
        assert process.stdout.readline() == "ready\n", process.stderr.read()
        client = EnvironmentClient(f"ipc://{tmp_path}/s.ipc", timeout_s=10)
        client.hang(2.5)
        first = client.state()
        assert first["mass_kg"] == 2.5
        while client.state()["time_s"] < first["time_s"] + 0.1:
            assert process.poll() is None
        client.close()
        process.send_signal(end)
        assert process.wait(10) == 0
        assert process.stderr.read() == ""
    finally:
        process.kill()
        process.wait()
        process.stdout.close()
        process.stderr.close()


def test_ends_when_the_one_who_started_it_is_gone(tmp_path):
    path = write(tmp_path)
    starter = subprocess.run(
        [
            sys.executable,
            "-c",
            "import subprocess, sys\n"
            "p = subprocess.Popen([sys.executable, '-m', 'drivers.simulated.process',"
            f" '--config', {str(path)!r}], stdout=subprocess.PIPE, text=True)\n"
            "print(p.pid, p.stdout.readline())",
        ],
        capture_output=True,
        text=True,
        timeout=30,
    )
    pid, said = starter.stdout.split()
    assert said == "ready"
    client = EnvironmentClient(f"ipc://{tmp_path}/s.ipc", timeout_s=0.2)
    for _ in range(50):
        try:
            client.state()
        except DriverError:
            break
    else:
        os.kill(int(pid), signal.SIGKILL)
        pytest.fail("the simulated rig outlived its starter")
    client.close()


@pytest.mark.parametrize(
    "changes, named",
    [
        ({"protocol": None}, "key 'protocol' is missing"),
        ({"protocol": "cia420"}, "cia402"),
        ({"sed": 2}, "unknown key 'sed'"),
        ({"seed": 1.5}, "seed = 1.5"),
        ({"processor": "last"}, "processor = 'last'"),
        ({"parameters": {"screw_laed_m": 1}}, "screw_lead_m"),
        ({"parameters": {"supply_V": -1}}, "supply_V"),
        ({"options": {"protocol": "cia402", "nodes": 5}}, "options"),
    ],
)
def test_a_bad_configuration_is_one_clear_error(tmp_path, changes, named):
    path = write(tmp_path, **changes)
    with pytest.raises(ConfigurationError) as caught:
        read_configuration(path)
    assert named in str(caught.value)
    assert str(path) in str(caught.value)


@pytest.mark.parametrize("text", ["", "{", "[]", "3"])
def test_what_is_no_json_object_exits_with_2_and_one_line(tmp_path, text):
    path = tmp_path / "rig.json"
    path.write_text(text)
    process = start(path)
    out, said = process.communicate(timeout=30)
    assert process.returncode == 2
    assert out == ""
    assert said.count("\n") == 1
    assert str(path) in said


def test_a_missing_file_says_so(tmp_path):
    with pytest.raises(ConfigurationError, match="No such file"):
        read_configuration(tmp_path / "none.json")


def test_options_are_those_of_the_protocol(tmp_path):
    configuration = read_configuration(write(tmp_path))
    assert isinstance(configuration.options, find_protocol("cia402").options)
    assert configuration.parameters == RigParameters()
