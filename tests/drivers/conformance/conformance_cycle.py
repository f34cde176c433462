"""Opening and closing a drive, the values of each cycle, and the delay of commands."""

from __future__ import annotations

import math
import time

import pytest
from conformance_bench import (
    LONG_ENOUGH,
    OFF,
    PATIENCE_S,
    TARGETS,
    Bench,
    all_told,
    cycle_until,
    cycles,
    energise,
    handles,
    moved,
    once,
    through_the_delay,
    wait_until,
)
from conformance_fixtures import Benched

from drivers.base import Command, DriverError, Mode, PowerRequest, PowerStage


class CycleConformance(Benched):
    """Tests of opening, closing and cycles; see ``conformance_suite``."""

    def test_open_tells_what_it_is_and_every_quantity_has_come(self, bench: Bench) -> None:
        drive = bench.opened()
        told = drive.capabilities
        assert told.identity.strip()
        assert Mode.TORQUE in told.modes <= frozenset(Mode)
        assert 0 < told.rated_torque_N_m <= told.peak_torque_N_m < math.inf
        assert 0 <= told.torque_resolution_N_m < told.rated_torque_N_m
        assert 0 < told.host_loss_s < math.inf
        assert 0 <= told.command_delay_cycles < math.inf
        telemetry = once(drive, OFF)
        assert telemetry.lost == "" and telemetry.fault_text == ""
        assert telemetry.power is PowerStage.OFF
        assert telemetry.supply_V == pytest.approx(bench.core.supply_V, abs=0.1)
        assert telemetry.age_s < PATIENCE_S and telemetry.deflection_age_s < PATIENCE_S
        assert bench.wires.names, "no wire was opened through drivers.capture.wires"

    def test_open_takes_power_away_and_never_brings_it(self, bench: Bench) -> None:
        core = bench.core
        core.power_by_itself(True)
        assert core.power is PowerStage.ON
        before = core.energisings
        drive = bench.opened()
        wait_until(lambda: core.off, "the end of power")
        cycles(drive, OFF, LONG_ENOUGH)
        drive.close()
        assert core.energisings == before
        assert PowerRequest.ON not in core.asked

    def test_nothing_there_is_one_clear_error(self, before_power_up: Bench) -> None:
        before = handles()
        drive = before_power_up.make()
        with pytest.raises(DriverError, match=r": .+: |[;,] "):
            drive.open()
        drive.close()
        wait_until(lambda: handles() == before, "the end of every file and thread")

    def test_open_twice_is_refused_and_does_no_harm(self, bench: Bench) -> None:
        drive = bench.opened()
        with pytest.raises(DriverError, match="open"):
            drive.open()
        energise(drive, bench.core)

    def test_opened_again_it_begins_anew(self, bench: Bench) -> None:
        drive = bench.opened()
        bench.end_board()
        cycle_until(drive, OFF, lambda t: t.lost != "", "the loss")
        drive.close()
        bench.start_board()
        bench.core.environment.disturb("supply_V", 30.0)
        wait_until(lambda: bench.core.supply_V < 31.0, "the lower supply")
        drive.open()
        telemetry = once(drive, OFF)
        assert telemetry.lost == "" and telemetry.power is PowerStage.OFF
        assert telemetry.supply_V < 31.5, "what the last connection told still stands"
        energise(drive, bench.core)

    def test_close_leaves_no_power_and_nothing_behind(self, bench: Bench) -> None:
        before = handles()
        for _ in range(2):
            drive = bench.opened()
            energise(drive, bench.core, torque_N_m=0.1)
            drive.close()
            wait_until(lambda: bench.core.off, "the end of power")
            drive.close()
        wait_until(lambda: handles() == before, "the end of every file and thread")
        # Calls on a drive that is not open have no effect and do not end the program.
        drive.de_energise()
        with pytest.raises(DriverError, match="not open"):
            drive.write(Command(power=PowerRequest.ON))
        try:
            assert drive.read(time.monotonic()).lost
        except DriverError as error:
            assert "not open" in str(error)
        assert bench.core.off

    def test_every_value_is_the_boards_own(self, bench: Bench) -> None:
        drive, core = bench.opened(), bench.core
        command = moved(drive, core)
        core.stand_still()
        all_told(drive, command)
        telemetry = drive.telemetry
        turn = 2 * math.pi / core.parameters.encoder_counts_per_revolution
        # Matching two clocks may shift the position by some milliseconds of motion.
        shift = 0.005 * abs(core.velocity_rad_s)
        position = core.position_counts * turn
        assert telemetry.position_rad == pytest.approx(position, abs=turn + shift)
        assert telemetry.velocity_rad_s == pytest.approx(core.velocity_rad_s, rel=0.01, abs=0.1)
        assert telemetry.torque_N_m == pytest.approx(core.torque_N_m, abs=0.005)
        assert telemetry.deflection_counts == pytest.approx(core.deflection_counts, abs=1)
        assert telemetry.supply_V == pytest.approx(core.supply_V, abs=0.1)
        assert telemetry.temperature_degC == pytest.approx(core.temperature_degC, abs=1)
        assert telemetry.power is core.power is PowerStage.ON

    def test_each_cycle_brings_one_sample_and_tells_its_age(self, bench: Bench) -> None:
        drive = bench.opened()
        last_s, frames = once(drive, OFF).time_s, drive.telemetry.frames
        for _ in range(LONG_ENOUGH):
            before = time.monotonic()
            telemetry = drive.read(before + PATIENCE_S)
            after = time.monotonic()
            drive.write(OFF)
            assert last_s < telemetry.time_s <= telemetry.received_s <= after
            assert last_s < telemetry.deflection_time_s <= after
            assert 0.0 <= telemetry.time_error_s < PATIENCE_S
            assert 0.0 <= telemetry.age_s <= after - telemetry.time_s
            assert 0.0 <= telemetry.deflection_age_s < PATIENCE_S
            assert telemetry.frames > frames
            last_s, frames = telemetry.time_s, telemetry.frames

    def test_read_waits_no_longer_than_told_and_write_not_at_all(self, bench: Bench) -> None:
        drive, waits = bench.opened(), bench.wires.waits
        command = energise(drive, bench.core)
        bench.core.environment.disturb("silent", True)
        for patience in (0.0, 0.003):
            for _ in range(5):
                waits.clear()
                before = time.monotonic()
                drive.read(before + patience)
                assert waits and max(waits) <= patience
        waits.clear()
        drive.write(command)
        drive.de_energise()
        assert not [wait for wait in waits if wait > 0.0]

    @pytest.mark.parametrize("mode", list(Mode))
    def test_a_command_acts_within_its_cycles(self, bench: Bench, mode: Mode) -> None:
        """A command acts in time; a command in a mode that the drive lacks brings no power."""
        drive, core = bench.opened(), bench.core
        if mode not in drive.capabilities.modes:
            command = Command(power=PowerRequest.ON, mode=mode)
            for _ in range(LONG_ENOUGH):
                drive.read(time.monotonic())
                with pytest.raises(DriverError, match=mode.name.lower()):
                    drive.write(command)
            assert core.off and core.energisings == 0
            return
        command = energise(drive, core, mode=mode, position_rad=drive.telemetry.position_rad)
        wanted = getattr(command, TARGETS[mode]) + 0.5
        setattr(command, TARGETS[mode], wanted)
        drive.write(command)
        through_the_delay(drive)

        def arrived() -> bool:
            kind, value = core.targets[-1] if core.targets else (None, 0.0)
            return kind is mode and abs(value - wanted) < 0.005

        wait_until(arrived, "the target")
        command.power = PowerRequest.OFF
        drive.write(command)
        through_the_delay(drive)
        wait_until(lambda: core.off, "the end of power")
