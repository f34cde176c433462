"""The simulated rig as the acceptance tests of a package see one."""

from __future__ import annotations

from typing import Any

from drivers.base import Command, Mode, PowerRequest, PowerStage
from hil.profile import load_profile, make_lockstep_drive, with_simulated_faults


class Adapter:
    def __init__(self, profile: str, faults: list[str], actual: dict[str, Any]) -> None:
        loaded = load_profile(profile)
        assert loaded.simulation is not None
        simulation = loaded.simulation.model_copy(
            update={"actual": loaded.simulation.actual | actual}
        )
        loaded = with_simulated_faults(loaded.model_copy(update={"simulation": simulation}), faults)
        self.drive = make_lockstep_drive(loaded)
        self.drive.open()
        self.command = Command()
        self.command.mode = Mode.TORQUE

    def read(self) -> tuple[float, float, float, float, float, float, bool]:
        t = self.drive.read()
        return (
            t.time_s,
            t.position_rad,
            t.deflection_counts,
            t.torque_N_m,
            t.supply_V,
            t.temperature_degC,
            t.power is PowerStage.ON,
        )

    def write(self, torque_N_m: float, power: bool) -> None:
        self.command.torque_N_m = torque_N_m
        self.command.power = PowerRequest.ON if power else PowerRequest.OFF
        self.drive.write(self.command)

    def close(self) -> None:
        self.drive.close()


def open_rig(
    profile: str = "footplate_trainer",
    faults: list[str] | None = None,
    actual: dict[str, Any] | None = None,
) -> Adapter:
    return Adapter(profile, faults or [], actual or {})
