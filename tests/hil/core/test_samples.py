"""Sample rows: each value is in its own column."""

from __future__ import annotations

import inspect
import re
from pathlib import Path
from typing import get_type_hints

import pytest

from drivers.base import PowerStage, Telemetry
from hil.bench import Bench, CycleTiming
from hil.core import COLUMNS, INDEX, NO_SAMPLE, ROW, Sample, State
from hil.profile import load_profile, make_lockstep_drive

TAKEN_S = 1.25
TIMING = CycleTiming(time_s=1.5, wake_latency_s=1e-4, work_s=2e-4, answer_s=3e-4)


def test_a_column_of_whole_numbers_is_typed_so() -> None:
    kinds = {column.name: column.kind for column in COLUMNS}
    hints = get_type_hints(Sample)
    assert {name: hint is int for name, hint in hints.items()} == {
        name: kind.startswith("int") for name, kind in kinds.items()
    }


def test_a_sample_has_no_default_that_would_hide_a_missing_value() -> None:
    parameters = list(inspect.signature(Sample).parameters.values())
    assert [p.name for p in parameters] == [column.name for column in COLUMNS]
    assert all(p.default is inspect.Parameter.empty for p in parameters)


def test_the_cycle_writes_its_values_in_the_order_of_the_columns() -> None:
    source = Path(__file__).resolve().parents[3] / "hil" / "bench" / "cycle.py"
    values = source.read_text().partition("        values = (\n")[2].partition("        )\n")[0]
    assert re.findall(r",  # (\w+)$", values, re.MULTILINE) == [c.name for c in COLUMNS]


def test_on_the_link_each_value_keeps_its_name() -> None:
    sent = Sample._make(range(len(COLUMNS)))
    received = Sample._make(ROW.unpack(ROW.pack(*sent)))
    assert received._asdict() == {column.name: i for i, column in enumerate(COLUMNS)}
    assert received._asdict() == INDEX


def test_before_the_first_cycle_no_row_passes_for_power() -> None:
    assert NO_SAMPLE.state == State.DE_ENERGISED
    assert NO_SAMPLE.power_stage == PowerStage.UNKNOWN
    assert NO_SAMPLE.spring_force_N != NO_SAMPLE.spring_force_N


def test_a_cycle_writes_each_measured_value_under_its_name() -> None:
    profile = load_profile("footplate_trainer")
    drive = make_lockstep_drive(profile, 1)
    drive.open()
    bench = Bench(profile, drive.capabilities, 0.001)
    counts = drive.telemetry.deflection_counts
    telemetry = Telemetry(
        time_s=TAKEN_S,
        deflection_time_s=TAKEN_S,
        age_s=4e-4,
        deflection_age_s=4e-4,
        torque_N_m=0.03125,
        deflection_counts=counts,
        supply_V=47.5,
        temperature_degC=31.5,
        power=PowerStage.OFF,
        fault_code=7,
        status_word=0x250,
    )
    sample = bench.advance(telemetry, 0.001, TIMING)
    expected = {
        "time_s": 1.5,
        "cycle": 1,
        "state": State.DE_ENERGISED,
        "behaviour": 0,
        "deflection_counts": counts,
        "commanded_torque_N_m": 0.0,
        "measured_torque_N_m": bench.sign * 0.03125,
        "supply_V": 47.5,
        "drive_temperature_degC": 31.5,
        "limited": 0,
        "tripped": 0,
        "power_stage": PowerStage.OFF,
        "fault_code": 7,
        "status_word": 0x250,
        "telemetry_age_s": 4e-4,
        "wake_latency_s": 1e-4,
        "work_s": 2e-4,
        "answer_s": 3e-4,
    }
    assert {name: getattr(sample, name) for name in expected} == expected
    estimator = bench.estimator
    assert sample.output_position_m == estimator.output_position_m
    assert sample.nut_position_m - sample.deflection_m == pytest.approx(sample.output_position_m)
    assert sample.spring_force_N == bench.calibration.force(sample.deflection_m)
