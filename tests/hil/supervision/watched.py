"""A supervisor alone: fabricated telemetry, and a real estimator set by hand."""

from __future__ import annotations

from drivers.base import PowerStage, Telemetry
from hil.control.estimation import Estimator
from hil.profile.loader import load_profile
from hil.profile.schema import Profile
from hil.supervision.supervision import Supervisor

PERIOD = 0.001
PROFILE = load_profile("footplate_trainer")


class Watched:
    """A supervisor that sees a rig at rest in mid-stroke."""

    def __init__(self, profile: Profile = PROFILE) -> None:
        self.profile = profile
        self.supervisor = Supervisor(profile, PERIOD)
        self.estimator = Estimator(PROFILE, PERIOD)
        self.estimator.reset(0.0275, 0.0)
        self.estimator.step_s = PERIOD
        self.force = 0.0
        self.telemetry = Telemetry(
            age_s=0.0002,
            deflection_age_s=0.0002,
            deflection_counts=2048.0,
            supply_V=36.0,
            temperature_degC=30.0,
            power=PowerStage.ON,
        )
        self._flip = 1.0
        self._now_s = 0.0

    def cycle(self, energised: bool = True, alive: bool = True, taken: bool = True) -> int:
        """Run one cycle; ``alive`` lets the sensor's last count flicker as noise does.

        ``taken``: a new sample arrived, one period after the one before or after those missed.
        """
        self._now_s += PERIOD
        telemetry = self.telemetry
        self.estimator.step_s = self._now_s - telemetry.time_s if taken else 0.0
        if taken:
            telemetry.time_s = telemetry.deflection_time_s = self._now_s
        if alive:
            self.telemetry.deflection_counts += self._flip
            self._flip = -self._flip
        return self.supervisor.check(self.telemetry, self.estimator, self.force, energised, PERIOD)

    def cycles(self, number: int, **how: bool) -> int:
        """Return the first cause within ``number`` cycles, or 0."""
        for _ in range(number):
            cause = self.cycle(**how)
            if cause:
                return cause
        return 0

    def refusal(self) -> str | None:
        return self.supervisor.refusal(self.telemetry, self.estimator, self.force)


# Value of estimator or drive, the limit that it must trip, and a value just inside.
LIMITS = PROFILE.limits
KT = PROFILE.actuator.motor.torque_constant


def put(watched: Watched, name: str, value: object) -> None:
    part, _, attribute = name.rpartition(".")
    setattr(getattr(watched, part) if part else watched, attribute, value)
