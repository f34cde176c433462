"""Power comes on only when requested; contents of a command; faults."""

from __future__ import annotations

import math

import pytest
from conformance_bench import (
    LONG_ENOUGH,
    OFF,
    TARGETS,
    Bench,
    cycle_until,
    cycles,
    energise,
    through_the_delay,
    wait_until,
)
from conformance_fixtures import Benched

from drivers.base import Command, Drive, DriverError, PowerRequest, PowerStage, Telemetry
from drivers.simulated.drive_faults import HOST_LOST, OVERCURRENT

NO_SUCH_CODE = 0x7123  # in the manufacturer's range, and in no description


class PowerConformance(Benched):
    """Tests of power, commands and faults; see ``conformance_suite``."""

    def test_power_comes_only_when_asked_for(self, bench: Bench) -> None:
        drive, core = bench.opened(), bench.core
        for request in (PowerRequest.OFF, PowerRequest.QUICK_STOP, PowerRequest.CLEAR_FAULT):
            cycles(drive, Command(power=request, torque_N_m=0.1), LONG_ENOUGH // 2)
        assert core.energisings == 0
        energise(drive, core)
        assert core.energisings == 1

    def test_de_energise_needs_no_further_call(self, bench: Bench) -> None:
        drive, core = bench.opened(), bench.core
        energise(drive, core, torque_N_m=0.1)
        drive.de_energise()
        wait_until(lambda: core.off, "the end of power")
        cycles(drive, OFF, LONG_ENOUGH)
        assert core.energisings == 1
        assert drive.telemetry.power is PowerStage.OFF and not drive.telemetry.lost

    def test_off_while_power_comes_on_wins(self, bench: Bench) -> None:
        drive, core = bench.opened(), bench.core
        cycle_until(
            drive, Command(power=PowerRequest.ON), lambda _: core.energisings > 0, "the start"
        )
        cycle_until(drive, OFF, lambda _: core.off, "the end of power")
        cycles(drive, OFF, LONG_ENOUGH)
        assert core.off and core.energisings == 1
        cycle_until(drive, OFF, lambda t: t.power is PowerStage.OFF, "the end of power told")

    def test_quick_stop_ends_without_power(self, bench: Bench) -> None:
        drive, core = bench.opened(), bench.core
        command = energise(drive, core, torque_N_m=0.1)
        command.power = PowerRequest.QUICK_STOP
        cycle_until(drive, command, lambda t: t.power is PowerStage.OFF, "the end of power")
        cycles(drive, command, LONG_ENOUGH)
        assert core.off and core.energisings == 1

    def test_a_target_that_is_no_number_is_refused(self, bench: Bench) -> None:
        drive, core = bench.opened(), bench.core
        for mode in drive.capabilities.modes:
            bad = [Command(power=PowerRequest.ON, mode=mode) for _ in range(3)]
            for command, number in zip(bad, (math.nan, math.inf, -math.inf), strict=True):
                setattr(command, TARGETS[mode], number)
            self._refused(drive, bad)
            command = energise(drive, core, mode=mode, position_rad=drive.telemetry.position_rad)
            self._refused(drive, bad)
            cycles(drive, command, 5)
            cycle_until(drive, OFF, lambda t: t.power is PowerStage.OFF, "the end of power")
        assert all(math.isfinite(value) for _, value in core.targets)

    def _refused(self, drive: Drive, commands: list[Command]) -> None:
        for command in commands:
            with pytest.raises(DriverError, match="finite"):
                drive.write(command)

    def test_a_torque_beyond_the_peak_is_held_to_it(self, bench: Bench) -> None:
        drive, core = bench.opened(), bench.core
        command = energise(drive, core)
        for torque in (1e9, -1e300):
            command.torque_N_m = torque
            drive.write(command)
            through_the_delay(drive)
            wait_until(lambda t=torque: core.targets and core.targets[-1][1] * t > 0.0, "a target")
            peak = drive.capabilities.peak_torque_N_m
            assert core.targets[-1][1] == pytest.approx(math.copysign(peak, torque), rel=0.01)

    def test_a_fault_is_reported_and_clearing_it_starts_nothing(self, bench: Bench) -> None:
        drive, core = bench.opened(), bench.core
        for times, code in enumerate((OVERCURRENT, HOST_LOST, NO_SUCH_CODE), 1):
            command = energise(drive, core, torque_N_m=0.1)
            core.fault(code)

            def told(telemetry: Telemetry, code: int = code) -> bool:
                return telemetry.power is PowerStage.FAULT and telemetry.fault_code == code

            cycle_until(drive, OFF, told, "the fault")
            assert len(drive.telemetry.fault_text) > 3
            command.power = PowerRequest.CLEAR_FAULT
            cycle_until(drive, command, lambda t: t.power is PowerStage.OFF, "the fault's end")
            cycle_until(drive, command, lambda t: not t.fault_code and not t.fault_text, "no text")
            cycles(drive, command, LONG_ENOUGH)
            assert core.off and core.energisings == times
        energise(drive, core)

    def test_on_during_a_fault_brings_no_power(self, bench: Bench) -> None:
        """ON during a fault is ignored, also once the fault is gone."""
        drive, core = bench.opened(), bench.core
        core.fault(OVERCURRENT)
        cycle_until(drive, OFF, lambda t: t.power is PowerStage.FAULT, "the fault")
        command = Command(power=PowerRequest.ON)
        cycles(drive, command, LONG_ENOUGH)
        assert PowerRequest.ON not in core.asked
        core.clear()
        cycle_until(drive, command, lambda t: t.power is PowerStage.OFF, "the end of the fault")
        cycles(drive, command, LONG_ENOUGH)
        assert core.off and PowerRequest.ON not in core.asked

    def test_clearing_where_there_is_no_fault_ends_power(self, bench: Bench) -> None:
        drive, core = bench.opened(), bench.core
        command = energise(drive, core, torque_N_m=0.1)
        command.power = PowerRequest.CLEAR_FAULT
        cycle_until(drive, command, lambda _: core.off, "the end of power")
        cycles(drive, command, LONG_ENOUGH)
        assert core.off and core.energisings == 1

    @pytest.mark.parametrize("way", ["fault", "by itself", "restart"])
    def test_power_that_went_away_is_not_taken_up_again(self, bench: Bench, way: str) -> None:
        """An ON left from before is not a new request."""
        drive, core = bench.opened(), bench.core
        command = energise(drive, core)
        if way == "fault":
            core.fault(OVERCURRENT)
            cycle_until(drive, command, lambda t: t.power is PowerStage.FAULT, "the fault")
            core.clear()
        elif way == "restart":
            core.begin_anew()
        else:
            core.power_by_itself(False)
        cycle_until(drive, command, lambda t: t.power is PowerStage.OFF or t.lost != "", "the loss")
        cycles(drive, command, LONG_ENOUGH)
        assert core.off and core.energisings == 1
        if not drive.telemetry.lost:
            cycles(drive, OFF, 5)
            energise(drive, core)
