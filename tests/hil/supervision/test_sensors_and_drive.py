"""The tripped tier alone: wrong sensors, forces that disagree, a failing drive."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

import pytest

from drivers.base import PowerStage
from hil.core.limits import Cause, Limit
from tests.hil.supervision.watched import PERIOD, PROFILE, Watched


class TestDeflectionSensor:
    def test_rail_for_a_time(self, watched: Watched, change: Callable[..., Any]) -> None:
        watched = Watched(change(PROFILE, limits__sensor_jump__counts=1e4))
        watched.cycles(5)
        watched.telemetry.deflection_counts = 4090.0
        assert [watched.cycle(alive=False) for _ in range(3)] == [0, 0, Limit.SENSOR_RAIL]
        watched.telemetry.deflection_counts = 2048.0
        assert watched.cycle() == 0

    def test_short_rail_is_forgiven(self, change: Callable[..., Any]) -> None:
        watched = Watched(change(PROFILE, limits__sensor_jump__counts=1e4))
        watched.cycles(5)
        for _ in range(5):
            watched.telemetry.deflection_counts = 3.0
            assert watched.cycles(2, alive=False) == 0
            watched.telemetry.deflection_counts = 2048.0
            assert watched.cycle(alive=False) == 0

    @pytest.mark.parametrize("jump", [201.5, -201.5])
    def test_jump(self, watched: Watched, jump: float) -> None:
        watched.telemetry.deflection_counts += jump
        assert watched.cycle(alive=False) == Limit.SENSOR_JUMP
        assert f"{jump:+.0f} counts" in watched.supervisor.detail

    def test_a_missed_frame_allows_the_change_of_two_periods(self, watched: Watched) -> None:
        watched.estimator.nut_velocity_m_s = 1.0  # makes the change plausible as motion
        watched.cycle(energised=False)
        assert watched.cycle(energised=False, alive=False, taken=False) == 0
        watched.telemetry.deflection_counts += 350.0
        assert watched.cycle(energised=False, alive=False) == 0
        watched.telemetry.deflection_counts += 350.0
        assert watched.cycle(energised=False, alive=False) == Limit.SENSOR_JUMP

    def test_frozen_needs_time_and_travel(self, watched: Watched) -> None:
        watched.cycle()
        assert watched.cycles(400, alive=False) == 0  # no motion, so a freeze cannot be detected
        for _ in range(2):
            watched.estimator.nut_position_m += 0.0009
            assert watched.cycle(alive=False) == 0
        watched.estimator.nut_position_m += 0.0003
        assert watched.cycle(alive=False) == Limit.SENSOR_FROZEN
        assert watched.cycle() == 0  # a change by one count is enough

    def test_frozen_for_a_moment_while_moving_is_forgiven(self, watched: Watched) -> None:
        for _ in range(3):
            watched.cycle()
            for _ in range(150):
                watched.estimator.nut_position_m += 2e-5
                assert watched.cycle(alive=False) == 0


class TestReference:
    def test_counts_that_restart_are_seen_while_off_and_stay_refused(
        self, watched: Watched
    ) -> None:
        watched.cycles(3, energised=False)
        assert watched.refusal() is None
        watched.estimator.nut_position_m = 0.0
        assert watched.cycle(energised=False) == 0
        assert "confirm it" in (watched.refusal() or "")
        watched.supervisor.reset()
        watched.cycles(5, energised=False)
        assert "confirm it" in (watched.refusal() or "")

    def test_a_gap_in_the_telemetry_is_no_jump(self, watched: Watched) -> None:
        for _ in range(50):
            watched.telemetry.age_s += PERIOD
            watched.telemetry.deflection_age_s += PERIOD
            watched.cycle(energised=False, alive=False, taken=False)
        watched.telemetry.age_s = watched.telemetry.deflection_age_s = 0.0002
        watched.estimator.nut_position_m += 0.010  # 0.2 m/s over the gap
        watched.cycles(3, energised=False)
        assert watched.refusal() is None


class TestDisagreement:
    def part(self, watched: Watched, newton: float) -> None:
        watched.estimator.motor_force_N = watched.force + newton
        watched.estimator.motor_force_band_N = 50.0

    def test_friction_is_allowed_for(self, watched: Watched) -> None:
        self.part(watched, 229.0)  # trips at 180 N, with a band of 50 N
        assert watched.cycles(1000) == 0

    @pytest.mark.parametrize("newton", [232.0, -232.0])
    def test_lasting_trips(self, watched: Watched, newton: float) -> None:
        self.part(watched, newton)
        assert watched.cycles(295) == 0
        assert watched.cycles(10) == Limit.DISAGREEMENT

    def test_gross_trips_sooner(self, watched: Watched) -> None:
        self.part(watched, 590.0)  # three times the trip value: nine times as soon
        assert watched.cycles(30) == 0
        assert watched.cycles(5) == Limit.DISAGREEMENT

    def test_now_and_then_is_forgiven(self, watched: Watched) -> None:
        for _ in range(20):
            self.part(watched, 300.0)
            assert watched.cycles(40) == 0
            self.part(watched, 0.0)
            assert watched.cycles(60) == 0

    def test_mostly_is_not(self, watched: Watched) -> None:
        for _ in range(20):
            self.part(watched, 300.0)
            if watched.cycles(60) == Limit.DISAGREEMENT:
                return
            self.part(watched, 0.0)
            watched.cycles(20)
        raise AssertionError("an oscillation hid in the timer")


class TestDrive:
    def test_fault_with_its_text(self, watched: Watched) -> None:
        watched.telemetry.power = PowerStage.FAULT
        watched.telemetry.fault_code = 0x2310
        watched.telemetry.fault_text = "motor current too high"
        assert watched.cycle() == Limit.DRIVE_FAULT
        assert watched.supervisor.detail == (
            "the drive reports fault 0x2310: motor current too high"
        )

    def test_emergency_message_before_the_status_follows(self, watched: Watched) -> None:
        watched.telemetry.fault_code = 0x4310
        assert watched.cycle() == Limit.DRIVE_FAULT

    def test_code_that_a_drive_keeps_after_clearing_is_no_fault(self, watched: Watched) -> None:
        watched.telemetry.fault_code = 0x4310
        assert watched.cycles(3, energised=False) == 0
        assert watched.refusal() is None
        assert watched.cycles(3) == 0
        watched.telemetry.fault_code = 0x2310
        assert watched.cycle() == Limit.DRIVE_FAULT

    @pytest.mark.parametrize(
        "stage", [PowerStage.OFF, PowerStage.CHANGING, PowerStage.QUICK_STOP, PowerStage.UNKNOWN]
    )
    def test_dropped_out(self, watched: Watched, stage: PowerStage) -> None:
        watched.telemetry.power = stage
        assert watched.cycles(2, energised=False) == 0
        assert watched.cycle() == Cause.DRIVE_DISABLED
        assert stage.name.lower().replace("_", " ") in watched.supervisor.detail

    @pytest.mark.parametrize("energised", [True, False])
    def test_lost_outranks_everything(self, watched: Watched, energised: bool) -> None:
        watched.telemetry.lost = "no heartbeat"
        watched.telemetry.age_s = 9.0
        watched.force = math.nan
        assert watched.cycle(energised=energised) == Cause.DRIVE_LOST
        assert "no heartbeat" in watched.supervisor.detail
