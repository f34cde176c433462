"""Margins to limits, as on the screens."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from hil.core.limits import Limit
from hil.core.samples import COLUMNS, INDEX
from hil.profile.loader import load_profile
from hil.supervision.limit_margins import LimitMargin, limit_margins

PROFILE = load_profile("footplate_trainer")


def row(**values: float) -> list[float]:
    filled = [math.nan] * len(COLUMNS)
    for name, value in values.items():
        filled[INDEX[name]] = value
    return filled


def by_label(**values: float) -> dict[str, LimitMargin]:
    return {entry.label: entry for entry in limit_margins(PROFILE, row(**values))}


@pytest.mark.parametrize(
    ("label", "values", "used", "text"),
    [
        ("Force", {"deflection_m": 0.002}, 240 / 580, "240 of 580 N"),
        ("Force", {"deflection_m": -0.002}, 240 / 580, "240 of 580 N"),
        # The limit applies to the true force, without the tare.
        ("Force", {"deflection_m": 0.002, "spring_force_N": 0.0}, 240 / 580, "240 of 580 N"),
        ("Deflection", {"deflection_m": 0.0035}, 0.5, "3.5 of 7 mm"),
        ("Travel", {"output_position_m": 0.0275}, 0.0, "25.5 mm to lower end"),
        ("Travel", {"output_position_m": 0.050}, 22.5 / 25.5, "3.0 mm to upper end"),
        ("Travel", {"output_position_m": 0.0}, 27.5 / 25.5, "2.0 mm past lower end"),
        ("Speed", {"nut_velocity_m_s": -0.125}, 0.5, "125 of 250 mm/s"),
        ("Motor current", {"measured_torque_N_m": 0.99}, 0.5, "11.0 of 22 A"),
        ("Motor heat", {"motor_heat": 0.45}, 0.5, "45 of 90 %"),
        ("Supply", {"supply_V": 36.5}, 0.0, "36.5 in 31 to 42 V"),
        ("Supply", {"supply_V": 31.0}, 1.0, "31.0 in 31 to 42 V"),
        ("Virtual stiffness", {"virtual_stiffness_N_m": 58.8e3}, 0.5, "59 of 118 N/mm"),
        ("Virtual stiffness", {}, 0.0, "none of 118 N/mm"),
        ("Position following", {"position_following_m": -0.0001}, 10 / 27.5, "0.10 of 0.275 mm"),
        ("Drive temperature", {"drive_temperature_degC": 35.0}, 0.5, "35 of 70 degC"),
    ],
)
def test_share_and_text(label: str, values: dict[str, float], used: float, text: str) -> None:
    entry = by_label(**values)[label]
    assert entry.used == pytest.approx(used, abs=1e-9)
    assert entry.text == text


def test_unknown_values_say_so() -> None:
    entries = by_label()
    assert math.isnan(entries["Force"].used) and entries["Force"].text == "no value"
    assert "Drive temperature" not in entries
    assert "Position following" not in entries


def test_acting_follows_the_mask() -> None:
    entries = by_label(limited=(1 << Limit.TRAVEL) | (1 << Limit.SPEED), output_position_m=0.01)
    assert [label for label, entry in entries.items() if entry.acting] == ["Travel", "Speed"]
    averaged = by_label(limited=8.5)
    assert not any(entry.acting for entry in averaged.values())


def test_supply_names_the_nearer_limit() -> None:
    assert by_label(supply_V=32.0)["Supply"].limit == Limit.SUPPLY_LOW
    assert by_label(supply_V=41.0)["Supply"].limit == Limit.SUPPLY_HIGH


@given(st.lists(st.floats(), min_size=len(COLUMNS), max_size=len(COLUMNS)))
def test_any_row_gives_the_same_bars(values: list[float]) -> None:
    entries = limit_margins(PROFILE, values)
    whole = row(drive_temperature_degC=20.0, position_following_m=0.0)
    known = [entry.label for entry in limit_margins(PROFILE, whole)]
    reported = {"Drive temperature": INDEX["drive_temperature_degC"]}
    reported["Position following"] = INDEX["position_following_m"]
    silent = {label for label, at in reported.items() if not math.isfinite(values[at])}
    assert [entry.label for entry in entries] == [label for label in known if label not in silent]
    for entry in entries:
        assert math.isnan(entry.used) or entry.used >= 0
        assert entry.text and "nan" not in entry.text


def test_current_headroom_knows_what_the_supply_can_drive() -> None:
    """A sagging supply at speed permits less than the limit; against the motion all of it."""
    profile = load_profile("footplate_trainer")
    motor = profile.actuator.motor
    row = [math.nan] * len(INDEX)
    row[INDEX["supply_V"]] = 15.0
    row[INDEX["measured_torque_N_m"]] = 2.0 * motor.torque_constant
    for velocity, most in (
        (
            0.24,
            (0.95 * 15.0 - motor.torque_constant * 2 * math.pi * 0.24 / 0.01)
            / motor.winding_resistance,
        ),
        (-0.24, profile.limits.current.limited),
    ):
        row[INDEX["nut_velocity_m_s"]] = velocity
        entry = next(e for e in limit_margins(profile, row) if e.limit is Limit.CURRENT)
        assert entry.used == pytest.approx(2.0 / most)
