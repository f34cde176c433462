from __future__ import annotations

import json
import tempfile
import threading
import time

import pytest
import zmq
from hypothesis import given, settings
from hypothesis import strategies as st

from drivers.base import DriverError
from drivers.simulated.drive_core import SimulatedDriveCore
from drivers.simulated.parameters import RigParameters
from drivers.simulated.simulation_control import EnvironmentClient, SimulationControl

pytestmark = pytest.mark.real_time


@pytest.fixture
def served(tmp_path):
    """Serve a core and its control in a thread, as a node's loop would."""
    endpoint = f"ipc://{tmp_path}/s.ipc"
    core = SimulatedDriveCore(RigParameters())
    control = SimulationControl(endpoint, core.environment)

    def loop():
        while not control.ending:
            core.advance(1e-3)
            control.poll()
            time.sleep(1e-3)

    thread = threading.Thread(target=loop)
    thread.start()
    client = EnvironmentClient(endpoint)
    yield core, client, endpoint
    client.close()
    control.ending = True
    thread.join()
    control.close()
    control.close()


def test_weights_hand_and_disturbances_over_a_real_socket(served):
    core, client, _ = served
    client.hang(5.0)
    client.push(12.0)
    client.disturb("deflection_rail", 1)
    state = client.state()
    assert state["mass_kg"] == 5.0
    assert state["hand_force_N"] == 12.0
    deadline = time.monotonic() + 5
    while core.deflection_counts != 4095 and time.monotonic() < deadline:
        time.sleep(0.01)
    assert core.deflection_counts == 4095
    client.disturb("deflection_rail", None)
    assert client.state()["time_s"] >= state["time_s"]
    client.drop(2.5, 0.01)
    assert client.state()["mass_kg"] == 2.5
    for mass_kg, height_m, said in ((2.5, -0.01, "height_m"), (-1.0, 0.01, "mass_kg")):
        with pytest.raises(ValueError, match=said):
            client.drop(mass_kg, height_m)


def test_hands_and_the_hard_wired_stop_over_a_real_socket(served):
    core, client, _ = served
    client.support_load(True)
    client.turn_screw(0.2, 1.0)
    deadline = time.monotonic() + 10
    while client.state()["turning"] and time.monotonic() < deadline:
        time.sleep(0.02)
    assert client.state()["nut_position_m"] == pytest.approx(0.002, abs=3e-4)
    client.hold_screw(True)
    client.hold_output(True)
    client.wiggle_cable(60.0)
    assert core.environment.wiggled
    client.emergency_stop(True)
    state = client.state()
    assert (state["held"], state["supported"], state["stop_pressed"]) == (1.0, 1.0, 1.0)
    client.emergency_stop(False)
    client.hold_screw(False)
    client.hold_output(False)
    client.move_nut(0.01, 0.0)
    client.support_load(False)
    client.reset_peaks()
    state = client.state()
    assert (state["held"], state["supported"], state["stop_pressed"]) == (0.0, 0.0, 0.0)
    with pytest.raises(ValueError, match="speed_m_s"):
        client.move_nut(-0.01, 0.01)


def test_refusals_come_back_as_the_rig_words_them(served):
    _, client, _ = served
    with pytest.raises(ValueError, match="mass_kg = -1"):
        client.hang(-1.0)
    with pytest.raises(ValueError, match="did you mean 'jam'"):
        client.disturb("jamm", 1)
    with pytest.raises(ValueError, match="force_N"):
        client.push("hard")
    assert client.state()["mass_kg"] == 0.0


@settings(max_examples=40, deadline=None)
@given(
    st.binary(max_size=40)
    | st.recursive(
        st.none()
        | st.booleans()
        | st.floats()
        | st.text(max_size=5)
        | st.sampled_from(["hang", "push", "disturb", "close"]),
        lambda inner: (
            st.lists(inner, max_size=3)
            | st.dictionaries(
                st.sampled_from(["do", "mass_kg", "force_N", "name", "value"]), inner, max_size=3
            )
        ),
        max_leaves=5,
    ).map(lambda value: json.dumps(value).encode())
)
def test_garbage_is_answered_and_the_door_stays_open(message):
    with tempfile.TemporaryDirectory() as directory, zmq.Context() as context:
        endpoint = f"ipc://{directory}/s.ipc"
        control = SimulationControl(endpoint, SimulatedDriveCore(RigParameters()).environment)
        with context.socket(zmq.REQ) as socket:
            socket.linger = 0
            socket.connect(endpoint)
            for parts in ([message], [message, message], [b'{"do": "state"}']):
                socket.send_multipart(parts)
                deadline = time.monotonic() + 5
                while not control.poll():
                    assert time.monotonic() < deadline
                reply = json.loads(socket.recv())
                assert reply["ok"] or reply["error"]
            assert reply["ok"]
        control.close()


def test_nobody_at_the_other_end_is_an_error_not_a_wait(tmp_path):
    client = EnvironmentClient(f"ipc://{tmp_path}/nobody.ipc", timeout_s=0.1)
    for _ in range(2):
        with pytest.raises(DriverError, match="does not answer"):
            client.state()
    client.close()


def test_a_door_that_cannot_open_says_where(tmp_path):
    core = SimulatedDriveCore(RigParameters())
    with pytest.raises(DriverError, match=r"missing/s\.ipc.*directory must"):
        SimulationControl(f"ipc://{tmp_path}/missing/s.ipc", core.environment)
    with pytest.raises(DriverError, match="108"):
        SimulationControl(f"ipc://{tmp_path}/{'x' * 120}", core.environment)
