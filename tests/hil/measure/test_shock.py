"""Shock: predicted response to a weight laid on or dropped, and the permitted drop height."""

import math
import re

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drivers.motion import speaking
from hil.control import moved_mass
from hil.measure import shock
from hil.measure.characteristic import windows
from hil.measure.guarded import mark
from hil.procedures import Confirm, Drop, Hand, Hang, RequireHoldToRun, Seen
from hil.profile import load_profile
from tests.hil.measure.synthetic import SyntheticRun

PROFILE = load_profile("footplate_trainer")


def linear(profile):
    """Return the profile with the same springs and a knee out of reach."""
    law = profile.calibration.spring_law.model_copy(update={"knee": 1.0})
    calibration = profile.calibration.model_copy(update={"spring_law": law})
    return profile.model_copy(update={"calibration": calibration})


@given(mass=st.floats(0.5, 10.0), height_m=st.floats(0.0, 0.05))
@settings(max_examples=40, deadline=None)
def test_on_linear_springs_it_is_the_textbook_force(mass, height_m):
    profile = linear(PROFILE)
    own_kg, own_N, _ = moved_mass(profile)
    stiffness = profile.calibration.spring_law.inner_rate
    arms = profile.rig.load_arm / profile.rig.rod_arm
    both_kg, weight_N = own_kg + mass * arms**2, mass * 9.80665 * arms
    # The weight's momentum at the rod, m·arms·v, is shared by both masses.
    speed = mass * arms * math.sqrt(2 * 9.80665 * height_m) / both_kg
    blow = shock.predicted_blow(profile, mass, height_m)
    assert blow.speed_m_s == pytest.approx(speed)
    assert blow.blow_N == pytest.approx(speed * math.sqrt(stiffness * both_kg))
    expected = own_N + weight_N + math.hypot(weight_N, blow.blow_N)
    assert blow.peak_N == pytest.approx(expected, rel=2e-3)
    # It swings up as far as down.
    assert blow.rebound == pytest.approx(1.0, abs=0.01)


def test_a_weight_falls_no_further_than_force_and_springs_permit():
    mass, height = shock.weight_dropped(PROFILE)
    assert mass == min(PROFILE.rig.weights) and height >= 0.005
    limits = PROFILE.limits
    assert shock.predicted_blow(PROFILE, mass, height).peak_N <= 0.9 * limits.force.limited
    narrow = limits.model_copy(
        update={"deflection": limits.deflection.model_copy(update={"limited": 0.004})}
    )
    less = shock.weight_dropped(PROFILE.model_copy(update={"limits": narrow}))
    assert less[1] < height
    weak = limits.model_copy(update={"force": limits.force.model_copy(update={"limited": 250.0})})
    assert shock.weight_dropped(PROFILE.model_copy(update={"limits": weak})) == (0.0, 0.0)


def asked(ready, profile=PROFILE):
    """Return the test's actions after its motion; ``ready`` is the person's answer to the drop."""
    found = []
    procedure = shock._run(profile)
    action = next(procedure)
    try:
        while True:
            found.append(action)
            refuse = isinstance(action, Confirm) and not ready
            action = procedure.send(Seen(accepted=not refuse))
    except StopIteration:
        return found


def test_a_person_is_told_to_stand_clear_and_may_leave_the_drop_out(monkeypatch):
    monkeypatch.setattr(shock, "balanced_in_the_middle", lambda _profile: mark("middle", {}))
    ready = asked(True)
    (drop,) = (a for a in ready if isinstance(a, Drop))
    (question,) = (a.question for a in ready if isinstance(a, Confirm))
    assert "Never put a hand or foot below" in question and "from the side" in question
    assert "nobody and no hand or foot below" in drop.words and "2.5 kg" in drop.words
    left_out = asked(False)
    assert not any(isinstance(a, Drop) for a in left_out)
    # In both cases the lever is made safe again.
    for actions in (ready, left_out):
        assert actions[-3:] == [
            Hand("support_load", shock.SUPPORT),
            Hang(0.0),
            Hand("let_screw_go", "Release the screw."),
        ]


def test_a_drop_that_was_left_out_is_reported():
    run = SyntheticRun({"time_s": [0.0], "spring_force_N": [0.0]}, [])
    assert not windows(run, "drop")
    notes = shock._evaluate(run, PROFILE).notes
    assert "Shock, weight dropped: left out." in notes


def test_a_rotary_rig_is_spoken_of_in_its_own_words(monkeypatch):
    monkeypatch.setattr(shock, "balanced_in_the_middle", lambda _profile: iter(()))
    profile = load_profile("rotary_joint")
    with speaking("rotary"):
        actions = asked(True, profile)
        held = RequireHoldToRun(True, "The balanced lever is shaken")
    names = ("text", "instruction", "question")
    said = [getattr(action, name) for action in actions for name in names if hasattr(action, name)]
    assert any("A weight is dropped" in text and "the arm" in text for text in said)
    wrong = [text for text in said if re.search(r"\b(lever|screw|nut|rod)\b", text)]
    assert wrong == [] and held.text == "The balanced arm is shaken"
