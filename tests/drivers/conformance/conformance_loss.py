"""Host or board falls silent or goes away, or nothing but garbage arrives."""

from __future__ import annotations

import time

import pytest
from conformance_bench import (
    LONG_ENOUGH,
    OFF,
    SOON_MISSED_S,
    Bench,
    all_told,
    cycle_until,
    cycles,
    energise,
    keep_company,
    moved,
    once,
    wait_until,
)
from conformance_fixtures import Benched

from drivers.base import Command, PowerRequest, PowerStage, ResumesCyclic, Telemetry


def readings(telemetry: Telemetry) -> tuple[float, ...]:
    t = telemetry
    return (
        t.position_rad,
        t.velocity_rad_s,
        t.torque_N_m,
        t.deflection_counts,
        t.supply_V,
        t.power,
        t.fault_code,
    )


class LossConformance(Benched):
    """Tests of lost peers and garbage; see ``conformance_suite``."""

    def test_the_board_stops_when_its_host_falls_silent(self, watching: Bench) -> None:
        drive, core = watching.opened(), watching.core
        assert drive.capabilities.host_loss_s == pytest.approx(SOON_MISSED_S)
        command = energise(drive, core)
        alone_s = keep_company(drive, command, 1.5 * SOON_MISSED_S)
        # This process may be held up, and the board is then right to stop: judge only if the
        # longest gap between two signs of the host was below a third of the limit.
        if alone_s < SOON_MISSED_S / 3:
            assert core.power is PowerStage.ON, "the board missed a host that was there"
        command.heartbeat = False
        cycle_until(drive, command, lambda _: core.off, "the board's own stop")
        command.heartbeat = True
        cycle_until(
            drive, command, lambda t: t.power is not PowerStage.ON or t.lost != "", "the stop told"
        )
        cycles(drive, command, LONG_ENOUGH)
        assert core.off and core.energisings == 1
        if isinstance(drive, ResumesCyclic):
            drive.resume_cyclic()
        if drive.telemetry.lost:  # lost for good: only opening it again leads back
            drive.close()
            drive = watching.opened()
        clear = Command(power=PowerRequest.CLEAR_FAULT)
        cycle_until(drive, clear, lambda t: t.power is PowerStage.OFF, "the way back")
        energise(drive, core)

    def test_the_board_stops_when_its_host_is_dead(self, watching: Bench) -> None:
        drive, core = watching.opened(), watching.core
        command = energise(drive, core)
        wait_until(lambda: core.off, "the board's own stop")
        cycles(drive, command, LONG_ENOUGH)
        assert core.off and core.energisings == 1
        assert drive.telemetry.power is not PowerStage.ON or drive.telemetry.lost

    def test_a_silent_board_is_lost_and_stays_so(self, bench: Bench) -> None:
        drive, core = bench.opened(), bench.core
        command = energise(drive, core)
        core.environment.disturb("silent", True)
        telemetry = once(drive, command)
        age_s, deflection_age_s = telemetry.age_s, telemetry.deflection_age_s
        cycle_until(drive, command, lambda t: t.lost != "", "the loss")
        assert telemetry.age_s > age_s and telemetry.deflection_age_s > deflection_age_s
        cycle_until(drive, command, lambda _: core.off, "the end of power")
        core.environment.disturb("silent", None)
        cycles(drive, command, LONG_ENOUGH)
        assert drive.telemetry.lost and core.off and core.energisings == 1
        drive.close()
        energise(bench.opened(), core)

    def test_a_quantity_that_falls_silent_while_others_come_is_reported(self, bench: Bench) -> None:
        drive, core = bench.opened(), bench.core
        all_told(drive, OFF)
        assert drive.telemetry.silent_name == ""
        core.environment.disturb("slow_values_silent", True)
        core.environment.disturb("supply_V", core.supply_V + 3.0)

        def known(telemetry: Telemetry) -> bool:
            """True if the drive reports the new supply voltage, or its silence."""
            told = abs(telemetry.supply_V - core.supply_V) < 0.5
            return core.supply_V > old_V + 2.0 and (told or telemetry.silent_name != "")

        old_V = drive.telemetry.supply_V
        cycle_until(drive, OFF, known, "the silence, or the present supply")
        telemetry = drive.telemetry
        assert not telemetry.lost and telemetry.age_s < 1.0
        if telemetry.silent_name:
            assert telemetry.silent_age_s > telemetry.silent_limit_s > 0.0
        core.environment.disturb("slow_values_silent", None)
        cycle_until(drive, OFF, lambda t: t.silent_name == "", "the end of the silence")
        cycle_until(drive, OFF, lambda t: abs(t.supply_V - core.supply_V) < 0.5, "the supply")

    def test_a_board_that_went_away_comes_back_without_power(self, bench: Bench) -> None:
        drive, core = bench.opened(), bench.core
        command = energise(drive, core)
        bench.end_board()
        cycle_until(drive, command, lambda t: t.lost != "", "the loss")
        text = drive.telemetry.lost
        drive.de_energise()
        core.power_by_itself(False)
        bench.start_board()
        cycles(drive, command, LONG_ENOUGH)
        assert drive.telemetry.lost == text and core.off and core.energisings == 1
        drive.close()
        again = bench.opened()
        cycles(again, OFF, LONG_ENOUGH)
        assert core.off and core.energisings == 1
        energise(again, core)

    # -------------------------------------------------------------- garbage

    def test_garbage_beside_good_ones_changes_no_value(self, bench: Bench) -> None:
        drive, core, wires = bench.opened(), bench.core, bench.wires
        moved(drive, core)
        cycle_until(drive, OFF, lambda _: core.off, "the end of power")
        core.come_to_rest()
        core.stand_still()
        all_told(drive, OFF)
        wanted = readings(drive.telemetry)
        wires.noise = True
        while wires.damaged < 300:
            telemetry = drive.read(time.monotonic() + 0.003)
            drive.write(OFF)
            assert readings(telemetry) == wanted
            assert not telemetry.lost and not telemetry.fault_text
        wires.noise = False
        last_s = drive.telemetry.time_s
        assert any(once(drive, OFF).time_s > last_s for _ in range(3)), "not in step again"
        core.stand_still(False)
        energise(drive, core)

    def test_nothing_but_garbage_is_a_loss(self, bench: Bench) -> None:
        drive, core, wires = bench.opened(), bench.core, bench.wires
        command = energise(drive, core)
        wires.noise = wires.deaf = True
        cycle_until(drive, command, lambda t: t.lost != "", "the loss")
        assert wires.damaged > 3
        cycle_until(drive, command, lambda _: core.off, "the end of power")
        wires.noise = wires.deaf = False
        cycles(drive, command, LONG_ENOUGH)
        assert drive.telemetry.lost and core.off and core.energisings == 1
