"""The guard of the acceptance tests: hold-to-run, envelope, late and missing samples."""

from __future__ import annotations

import contextlib
import importlib
import json
import math
import os
import pty
from pathlib import Path
from types import ModuleType

import pytest

from tests.hil.handover.disturbed_adapters import Frozen, Late, Watched
from tests.hil.handover.in_package import acts_of
from tests.hil.handover.simulated_adapter import open_rig


def test_nothing_moves_without_hands(package: Path, acceptance: ModuleType) -> None:
    data = json.loads((package / "law.json").read_text())
    adapter = Watched(open_rig())
    guarded = importlib.import_module("guarded").Guarded(adapter, data)
    with pytest.raises(AssertionError, match="no one holds the hold-to-run control"):
        guarded.press(50.0)
    with pytest.raises(AssertionError, match="power is off"):
        guarded.follow(20.0)
    guarded.close()
    assert not adapter.asked


def test_letting_go_ends_power_in_the_same_cycle(package: Path, acceptance: ModuleType) -> None:
    data = json.loads((package / "law.json").read_text())
    adapter = Watched(open_rig(), lets_go_s=0.6)
    hands = importlib.import_module("hands").Device(adapter)
    guarded = importlib.import_module("guarded").Guarded(adapter, data, hands)
    with pytest.raises(AssertionError, match="hold-to-run control is not held"):
        guarded.press(50.0)
    assert max(adapter.asked) == pytest.approx(0.599, abs=0.0011)
    assert not guarded.on
    guarded.close()


def test_a_key_is_held_when_it_repeats(acceptance: ModuleType) -> None:
    ours, its = pty.openpty()
    clock = [0.0]
    hands = importlib.import_module("hands").Terminal(its, lambda: clock[0])
    try:
        hands.arm("Hands away")
        os.write(ours, b" ")
        assert not hands.holding
        clock[0] = 1.0
        os.write(ours, b" ")
        assert not hands.holding  # two presses do not count as held
        for _ in range(3):
            clock[0] += 0.03
            os.write(ours, b" ")
            assert hands.holding
        clock[0] += 0.26
        assert not hands.holding and not hands.gave_up
        os.write(ours, b"q")
        assert hands.gave_up and not hands.holding
        hands.let_go()
        hands.ask("lift_output", "Lift the output")
        assert not hands.done
        os.write(ours, b"\r")
        assert hands.done and not hands.gave_up
        clock[0] += 1e3
        assert hands.gave_up
    finally:
        hands.close()
        os.close(ours)
        os.close(its)


def test_a_terminal_that_is_gone_holds_nothing(acceptance: ModuleType) -> None:
    ours, its = pty.openpty()
    hands = importlib.import_module("hands").Terminal(its)
    hands.arm("Hands away")
    os.write(ours, b"   ")
    assert hands.holding
    os.close(ours)
    assert not hands.holding and hands.gave_up
    with contextlib.suppress(OSError):
        hands.close()
    os.close(its)


def test_simulated_hands_are_for_a_simulated_rig_alone(acceptance: ModuleType) -> None:
    hands_of = importlib.import_module("hands").hands_of

    class Real:
        pass

    for arguments, words in (
        ((Real(), "terminal", True), "is for a simulated rig"),
        ((Real(), "adapter", False), r"needs an adapter with holding\(\)"),
        ((Real(), "foot", False), "'terminal' or 'adapter'"),
    ):
        with pytest.raises(ValueError, match=words):
            hands_of(*arguments)


def test_the_envelope_is_narrower_than_the_profile_and_only_narrows(
    package: Path, acceptance: ModuleType
) -> None:
    data = json.loads((package / "law.json").read_text())
    limits, envelope = data["limits"], data["envelope"]
    assert envelope["force_N"] < 0.5 * limits["force"]["limited"]
    assert envelope["speed_m_s"] < 0.5 * limits["speed"]["limited"]
    assert envelope["nut_m"] < 0.5 * data["actuator"]["stroke"]
    assert envelope["torque_N_m"] < 0.5 * data["peak_torque_N_m"]
    make = importlib.import_module("guarded").Guarded
    assert make(None, data, None, {"force_N": 50.0}).most_N == 50.0
    for wrong in ({"force_N": 1e3}, {"force_N": 0.0}, {"speed": 0.01}, {"nut_m": math.nan}):
        with pytest.raises(ValueError, match="narrow one of the envelope"):
            make(None, data, None, wrong)


def test_torque_and_force_beyond_the_envelope_end_power(
    package: Path, acceptance: ModuleType
) -> None:
    for limits, words in (({"torque_N_m": 0.05}, "torque"), ({"force_N": 20.0}, "spring force")):
        data = json.loads((package / "law.json").read_text())
        adapter = Watched(open_rig())
        hands = importlib.import_module("hands").Simulated(adapter)
        guarded = importlib.import_module("guarded").Guarded(adapter, data, hands, limits)
        with pytest.raises(AssertionError, match=f"{words} .* is beyond"):
            guarded.press(60.0)
        assert not guarded.on
        guarded.close()


@pytest.mark.parametrize("pause_s", [math.inf, 0.05], ids=["frozen", "paused"])
def test_samples_that_stay_out_end_power(
    pause_s: float, package: Path, acceptance: ModuleType
) -> None:
    data = json.loads((package / "law.json").read_text())
    adapter = Frozen(open_rig(), pause_s)
    hands = importlib.import_module("hands").Simulated(adapter)
    guarded = importlib.import_module("guarded").Guarded(adapter, data, hands)
    words = "no new sample for|POWER IS STILL ON" if pause_s > 1 else "no new sample for 51 ms"
    with pytest.raises(AssertionError, match=words):
        guarded.press(60.0)
    assert not guarded.on
    with contextlib.suppress(AssertionError):
        guarded.close()


def test_a_sound_rig_is_accepted_with_late_and_repeated_samples(
    package: Path, acceptance: ModuleType
) -> None:
    data = json.loads((package / "law.json").read_text())
    adapter = Late(open_rig())
    hands = importlib.import_module("hands").Simulated(adapter)
    guarded = importlib.import_module("guarded").Guarded(adapter, data, hands)
    for act in acts_of(acceptance):
        act(guarded)
    guarded.close()
