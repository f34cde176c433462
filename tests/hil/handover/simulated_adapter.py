"""The simulated rig behind the adapter interface of a package's acceptance tests."""

from __future__ import annotations

from typing import Any

from drivers.base import Command, Mode, PowerRequest, PowerStage
from hil.profile import (
    Arm,
    Lever,
    holding_force,
    load_profile,
    make_lockstep_drive,
    with_simulated_faults,
)

LIFT_SHARE = 2.5  # of the bare load: enough to lift the output off its end

# An arm takes half of its load at level there; more would turn the gear, whose friction then holds it.
LIFT_SHARE_OF_ARM = 1.0


class Adapter:
    simulated = True

    def __init__(
        self, profile: str, faults: list[str], actual: dict[str, Any], identity: str | None
    ) -> None:
        loaded = load_profile(profile)
        assert loaded.simulation is not None
        simulation = loaded.simulation.model_copy(
            update={"actual": loaded.simulation.actual | actual}
        )
        loaded = with_simulated_faults(loaded.model_copy(update={"simulation": simulation}), faults)
        self.drive = make_lockstep_drive(loaded)
        self.drive.open()
        self.identified = identity
        arms = loaded.rig.rod_arm / loaded.rig.load_arm if isinstance(loaded.rig, Lever) else 1.0
        share = LIFT_SHARE_OF_ARM if isinstance(loaded.rig, Arm) else LIFT_SHARE
        self.lift_N = share * holding_force(loaded, 0.0) * arms
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

    def identity(self) -> str:
        return self.drive.capabilities.identity if self.identified is None else self.identified

    def act(self, name: str) -> None:
        self.drive.core.environment.push({"lift_output": self.lift_N, "let_output_go": 0.0}[name])

    def close(self) -> None:
        self.drive.close()


def open_rig(
    profile: str = "footplate_trainer",
    faults: list[str] | None = None,
    actual: dict[str, Any] | None = None,
    identity: str | None = None,
) -> Adapter:
    return Adapter(profile, faults or [], actual or {}, identity)
