"""Torque feed-forward with velocity and position commands, in lockstep: when it acts and when not."""

from __future__ import annotations

import shutil

import numpy as np
import pytest

from drivers.base import Mode, PowerRequest
from drivers.simulated import Lateness
from hil.bench import LockstepBench
from hil.core import COLUMNS, State
from hil.core.requests import Apply, HoldPosition, PowerOn, Stop, Waveform
from hil.profile import SHIPPED, ProfileError, load_profile

COLUMN = {column.name: at for at, column in enumerate(COLUMNS)}
LATE = Lateness(share=0.05, up_to_s=0.003, stale_share=0.5)
NAMES = ("footplate_velocity", "footplate_position")


def fed(name, share=1.0, category=0):
    profile = load_profile(name)
    return profile.model_copy(
        update={
            "control": profile.control.model_copy(update={"torque_feedforward": share}),
            "stop": profile.stop.model_copy(update={"category": category}),
            "drive": {**profile.drive, "torque_offset": True},
        }
    )


def running(profile, lateness=None):
    bench = LockstepBench(profile, lateness=lateness)
    bench.environment.hang(2.5)
    bench.run(0.4)
    assert bench.request(PowerOn(load_supported=True)).accepted
    bench.run(0.3)
    assert bench.bench.command.torque_offset_N_m == 0.0
    hold = Apply(behaviour=HoldPosition(position_m=0.027, speed_m_s=0.1), load_may_move=True)
    assert bench.request(hold).accepted
    bench.run(1.2)
    bench.environment.hold_output(True)
    return bench


def swing(bench, seconds, frequency_Hz=20.0, amplitude=15.0):
    """Return rows and torque offsets during a swinging force."""
    wave = Waveform(
        shape="sine",
        offset=212.0,
        amplitude=amplitude,
        frequency_Hz=frequency_Hz,
        duration_s=seconds + 1.0,
    )
    assert bench.request(Apply(behaviour=wave, load_may_move=True)).accepted
    rows, offsets = [], []
    end = bench.time_s + seconds
    while bench.time_s < end:
        rows.append(bench.step())
        offsets.append(bench.bench.command.torque_offset_N_m)
    return rows, offsets


@pytest.mark.parametrize("name", NAMES)
def test_it_acts_in_a_behaviour_and_shows_among_the_samples(name):
    bench = running(fed(name))
    rows, offsets = swing(bench, 0.5)
    assert bench.bench.state is State.RUNNING, bench.bench.cause_text
    assert bench.bench.command.mode is (Mode.VELOCITY if "velocity" in name else Mode.POSITION)
    assert max(offsets) > 0.01
    shown = [row[COLUMN["commanded_torque_N_m"]] for row in rows]
    assert np.abs(shown) == pytest.approx(np.abs(offsets))


def test_without_a_share_nothing_is_fed():
    bench = running(load_profile("footplate_velocity"))
    _, offsets = swing(bench, 0.2)
    assert not any(offsets) and bench.bench.torque_feedforward is None


@pytest.mark.parametrize("name", NAMES)
def test_a_swinging_force_is_followed_as_predicted(name):
    """Friction is on: it reduces both swings alike."""
    sizes = []
    for share in (0.0, 1.0):
        bench = running(fed(name, share))
        rows, _ = swing(bench, 1.0)
        time_s = np.array([row[COLUMN["time_s"]] for row in rows[-500:]])
        force = np.array([row[COLUMN["spring_force_N"]] for row in rows[-500:]])
        turn = np.exp(-2j * np.pi * 20.0 * time_s)
        sizes.append(2 * abs(np.mean((force - force.mean()) * turn)) / 15.0)
    assert 1.01 < sizes[1] / sizes[0] < 1.08  # the model predicts 1.03


@pytest.mark.parametrize("name", NAMES)
@pytest.mark.parametrize("category", [0, 1])
def test_no_stop_feeds_anything_forward(name, category):
    bench = running(fed(name, category=category))
    swing(bench, 0.263)
    assert abs(bench.bench.command.torque_offset_N_m) > 1e-3
    bench.request(Stop())
    for _ in range(300):
        bench.step()
        assert bench.bench.command.torque_offset_N_m == 0.0
    assert bench.bench.command.power is PowerRequest.OFF
    assert bench.drive.core._targets.torque_N_m == 0.0


def test_an_old_sample_feeds_nothing_and_force_still_follows_with_late_cycles():
    profile = fed("footplate_velocity")
    lossy = {**profile.simulation.actual, "bus_loss": 0.02}
    simulation = profile.simulation.model_copy(update={"actual": lossy})
    bench = running(profile.model_copy(update={"simulation": simulation}), LATE)
    _, offsets = swing(bench, 0.3)
    assert any(offsets)
    wave = Waveform(shape="sine", offset=212.0, amplitude=15.0, frequency_Hz=3.0, duration_s=5.0)
    assert bench.request(Apply(behaviour=wave, load_may_move=True)).accepted
    stale = 0
    for _ in range(800):
        bench.step()
        if bench.bench.estimator.step_s == 0.0:
            stale += 1
            assert bench.bench.command.torque_offset_N_m == 0.0
    assert stale > 5
    assert bench.bench.state is State.RUNNING, bench.bench.cause_text


def test_a_changed_behaviour_begins_without_a_step_of_torque():
    bench = running(fed("footplate_velocity"))
    before = bench.bench.command.torque_offset_N_m
    assert bench.request(
        Apply(behaviour=HoldPosition(position_m=0.027), load_may_move=True)
    ).accepted
    bench.step()
    assert abs(bench.bench.command.torque_offset_N_m - before) < 0.01


def mine(tmp_path, name, **changes):
    folder = tmp_path / "mine"
    shutil.copytree(SHIPPED, folder)
    file = folder / f"{name}.yaml"
    text = file.read_text()
    for old, new in changes.values():
        assert old in text
        text = text.replace(old, new)
    file.write_text(text)
    return file


SHARE = ("control:\n", "control:\n  torque_feedforward: 0.8\n")


def test_it_is_refused_where_it_cannot_act(tmp_path):
    with pytest.raises(ProfileError, match=r"takes no torque beside velocity.*0x60B2"):
        load_profile(mine(tmp_path / "a", "footplate_velocity", share=SHARE))
    offset = ("modes: [velocity, torque]", "modes: [velocity, torque]\n  torque_offset: true")
    profile = load_profile(mine(tmp_path / "b", "footplate_velocity", share=SHARE, offset=offset))
    assert profile.control.torque_feedforward == 0.8
    with pytest.raises(ProfileError, match=r"control\.source is torque"):
        load_profile(mine(tmp_path / "c", "footplate_trainer", share=SHARE))
