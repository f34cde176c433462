from __future__ import annotations

import dataclasses
import json

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.simulated.parameters import RigParameters

FLOATS = [f.name for f in dataclasses.fields(RigParameters) if f.type == "float"]


@given(
    lead=st.floats(1e-3, 0.1),
    counts=st.integers(4, 10**6),
    rig=st.sampled_from(["lever_sector", "linear"]),
    regenerates=st.booleans(),
)
def test_json_round_trip_is_exact(lead, counts, rig, regenerates):
    parameters = RigParameters(
        screw_lead_m=lead,
        encoder_counts_per_revolution=counts,
        rig=rig,
        supply_takes_regeneration=regenerates,
    )
    assert RigParameters.from_json(parameters.to_json()) == parameters


def test_unknown_name_is_refused_with_the_nearest():
    with pytest.raises(ValueError, match="'screw_laed_m'; did you mean 'screw_lead_m'"):
        RigParameters.from_json('{"screw_laed_m": 0.01}')


@pytest.mark.parametrize("name", FLOATS)
@pytest.mark.parametrize("value", [float("nan"), float("inf"), "1", None, True])
def test_every_number_must_be_a_finite_number(name, value):
    with pytest.raises(ValueError, match=name):
        RigParameters.from_mapping({name: value})


@pytest.mark.parametrize(
    "values, named",
    [
        ({"screw_lead_m": 0.0}, "screw_lead_m"),
        ({"sensor_bits": 12.5}, "sensor_bits"),
        ({"rig": "lever"}, "lever_sector or lever_pin or linear"),
        ({"off_state": "braked"}, "open or shorted"),
        ({"screw_efficiency_backward": 1.1}, "screw_efficiency_backward"),
        ({"drive_polarity": 0.5}, "drive_polarity"),
        ({"rig": "lever_pin", "stroke_m": 0.2}, "dead centre"),
        ({"lever_mass_kg": 0, "pan_mass_kg": 0}, "inertia"),
        ({"linear_vertical": 1}, "linear_vertical"),
    ],
)
def test_impossible_values_are_named(values, named):
    with pytest.raises(ValueError, match=named):
        RigParameters.from_mapping(values)


@pytest.mark.parametrize("text", ["", "[1]", "{", json.dumps("x")])
def test_what_is_no_object_is_refused(text):
    with pytest.raises(ValueError, match="rig parameters"):
        RigParameters.from_json(text)
