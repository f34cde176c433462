"""Loads against the simulated rig's own statics, figures against a table worked by hand."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest

from drivers.simulated.physics import RigPhysics
from hil.calibration.figures import merit
from hil.calibration.fit_models import fit_law
from hil.calibration.loads import Accuracy, rod_load
from hil.calibration.points import Points
from hil.profile.devices import rig_parameters
from hil.profile.loader import load_profile

TRAINER, SLIDE = load_profile("footplate_trainer"), load_profile("bench_slide")


@pytest.mark.parametrize("profile", [TRAINER, SLIDE], ids=["lever", "linear"])
@pytest.mark.parametrize("mass", [0.0, 2.5, 7.5])
def test_the_load_is_the_rigs_own_at_every_position(profile, mass):
    physics = RigPhysics(rig_parameters(profile))
    physics.hang(mass)
    for share in (0.0, 0.3, 0.5, 1.0):
        position = share * profile.actuator.stroke
        expected = physics.load_N(position)
        assert rod_load(profile, mass, position).force_N == pytest.approx(expected, rel=1e-9)


def test_a_pinned_rod_loses_arm_as_the_weight_does():
    pinned = TRAINER.model_copy(
        update={"rig": TRAINER.rig.model_copy(update={"attachment": "pin"})}
    )
    physics = RigPhysics(rig_parameters(pinned))
    physics.hang(5.0)
    for position in (0.005, 0.0275, 0.05):
        load = rod_load(pinned, 5.0, position).force_N
        assert load == pytest.approx(physics.load_N(position), rel=1e-9)


def test_the_load_of_the_textbook_lever():
    # Common practice, no source: 8 kg on a 1:10 lever puts about 0.8 kN on the actuator.
    rig = TRAINER.rig.model_copy(
        update={"rod_arm": 0.05, "load_arm": 0.5, "lever_mass": 0.0, "pan_mass": 0.0}
    )
    load = rod_load(TRAINER.model_copy(update={"rig": rig}), 8.0, rig.level_position)
    assert load.force_N == pytest.approx(800.0, rel=0.03)


@pytest.mark.parametrize("position", [0.005, 0.0275, 0.045])
def test_every_part_is_the_change_that_its_input_makes(position):
    """JCGM 100:2008, 5.1.4: c·u by finite differences of the load itself."""
    accuracy = Accuracy(0.002, 0.001, 0.0002, 0.05, 0.01, 0.001)
    rig = TRAINER.rig
    base = rod_load(TRAINER, 5.0, position, accuracy)

    def load(mass=5.0, gravity=rig.gravity, **changes):
        changed = TRAINER.model_copy(update={"rig": rig.model_copy(update=changes)})
        return rod_load(changed, mass, position, gravity_m_s2=gravity).force_N

    own = {"lever_mass": rig.lever_mass * 1.05, "pan_mass": rig.pan_mass * 1.05}
    tilted = rig.level_position - 0.01 * rig.rod_arm
    expected = {
        "weights": load(5.0 * 1.002),
        "rod_arm": load(rod_arm=rig.rod_arm + 0.0002),
        "own_moment": load(**own),
        "angle": load(level_position=tilted),
        "gravity": load(gravity=rig.gravity * 1.001),
    }
    for name, changed in expected.items():
        if name == "rod_arm":  # changing it would move the angle as well
            continue
        assert base.parts[name] == pytest.approx(changed - base.force_N, rel=0.02, abs=0.02), name
    weight_arm = 5.0 * rig.gravity * 0.001 / rig.rod_arm
    assert base.parts["load_arm"] <= weight_arm * 1.0001
    assert base.u_N == pytest.approx(math.hypot(*base.parts.values()))


def iso_table() -> Points:
    """Return three series up and two down, in counts, with errors set by hand (see the test)."""
    rows = []
    for series, extra in ((1, 0.0), (2, 4.0), (3, -4.0)):
        zero = 100.0 * series  # differs between series: subtracted
        rows += [(0.0, zero, series, 1)]
        rows += [(x, zero + 10.0 * x + extra * x / 100.0, series, 1) for x in (100.0, 200.0)]
        if series < 3:
            rows += [
                (x, zero + 10.0 * x + extra * x / 100.0 + 5.0, series, -1) for x in (200.0, 100.0)
            ]
            rows += [(0.0, zero + 2.0, series, -1)]
    load, reading, number, sense = (np.array(column) for column in zip(*rows, strict=True))
    return Points(load, reading, series=number.astype(int), direction=sense.astype(int))


def test_figures_of_merit_by_hand():
    """Figures by the definitions of ISO 376 (from memory), worked out on paper for this table."""
    points = iso_table()
    ideal = Points(np.array([0.0, 0.0, 100.0, 200.0]), np.array([0.0, 0.0, 1000.0, 2000.0]))
    found = merit(points, fit_law(ideal, "line"), mounting=np.where(points.series == 3, 2, 1))
    at_100, at_200 = found.at
    assert (at_100.load, at_200.load) == (100.0, 200.0)
    # Rising: 1000, 1004, 996: 4 counts between the first two, 8 over both mountings.
    assert at_100.repeatability == pytest.approx(100 * 4 / 1000)
    assert at_100.reproducibility == pytest.approx(100 * 8 / 1000)
    assert at_100.reversibility == pytest.approx(100 * 5 / 1000)
    assert at_100.interpolation == pytest.approx(0.0, abs=1e-9)
    assert at_200.reproducibility == pytest.approx(100 * 16 / 2000)
    assert found.zero == pytest.approx(100 * 2 / 2013)  # largest reading: 2000 + 8 + 5
    assert found.resolution == pytest.approx(0.1)
    assert found.notes == ()


def test_what_the_series_cannot_tell_is_said():
    points = dataclasses.replace(iso_table(), series=None, direction=None)
    found = merit(points, fit_law(points, "line"))
    assert len(found.notes) == 3
    assert math.isnan(found.worst("reversibility"))
