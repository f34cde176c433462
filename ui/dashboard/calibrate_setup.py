"""What is set before a calibration, as texts that a person types. No Qt."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

from hil.calibrating.loads import Accuracy
from hil.calibrating.session import Options
from hil.profile.schema import Lever, Profile

MOST_SERIES = 20
GRAVITY = (9.7, 9.9)
ROOM_DEGC = (-40.0, 80.0)


class SetupError(ValueError):
    """What was typed cannot be used.

    Attributes:
        key: of the entry.
    """

    def __init__(self, key: str, text: str) -> None:
        super().__init__(text)
        self.key = key


@dataclass
class Entry:
    """One line of the form.

    Attributes:
        text: as typed. unit: in which it is typed. hint: shown while it is empty, and as tip.
    """

    key: str
    label: str
    unit: str
    text: str
    hint: str = ""


class Setup:
    """The form.

    Args:
        profile: where its values come from.

    Attributes:
        entries, accuracies: lines by key; the second are standard uncertainties of what the
            loads are reckoned from.
        sweep: whether the sensor's law is found with the output clamped.
        falling: whether loads are hung in falling order as well.
    """

    def __init__(self, profile: Profile) -> None:
        rig = profile.rig
        usual = Accuracy()
        weights = ", ".join(f"{mass:g}" for mass in rig.weights)
        self.profile = profile
        self.sweep = True
        self.falling = True
        lines = [
            Entry("weights", "Weights", "kg", weights, "such as 2.5, 5, 7.5"),
            Entry("series", "Series", "", "3", "up and down; three or more show how loads repeat"),
            Entry("gravity", "Local gravity", "m/s²", f"{rig.gravity:.6g}",
                  "9.80665 is the standard value; yours is known better"),
            Entry("room", "Room", "°C", "", "if known"),
            Entry("note", "Note", "", "", "why, and what was done before"),
        ]  # fmt: skip
        known = [Entry("u_weights", "Weights", "%", f"{100 * usual.weights:g}")]
        if isinstance(rig, Lever):
            known += [
                Entry("u_load_arm", "Load arm", "mm", f"{1e3 * usual.load_arm_m:g}"),
                Entry("u_rod_arm", "Rod arm", "mm", f"{1e3 * usual.rod_arm_m:g}"),
                Entry("u_angle", "Angle at level", "mrad", f"{1e3 * usual.angle_rad:g}"),
            ]
        own = "Lever and pan" if isinstance(rig, Lever) else "Carriage"
        known += [
            Entry("u_own_moment", own, "%", f"{100 * usual.own_moment:g}"),
            Entry("u_gravity", "Gravity", "%", f"{100 * usual.gravity:g}"),
        ]
        self.entries = {line.key: line for line in lines}
        self.accuracies = {line.key: line for line in known}

    @property
    def facts(self) -> str:
        """What the profile says of lever and pan, in one sentence."""
        rig = self.profile.rig
        if not isinstance(rig, Lever):
            way = "an upright" if rig.vertical else "a level"
            return f"From the profile: {way} carriage of {rig.carriage_mass:g} kg."
        return (
            f"From the profile: arms {1e3 * rig.rod_arm:g} mm (rod) and {1e3 * rig.load_arm:g} mm "
            f"(load), lever {rig.lever_mass:g} kg with its centre at {1e3 * rig.lever_centre:g} "
            f"mm, pan {rig.pan_mass:g} kg."
        )

    def type(self, key: str, text: str) -> None:
        """Take what was typed."""
        (self.entries.get(key) or self.accuracies[key]).text = text

    @property
    def note(self) -> str:
        return self.entries["note"].text.strip()

    def conditions(self) -> dict[str, str | float]:
        """What is kept with the calibration.

        Raises:
            SetupError: with the entry and what may be typed.
        """
        found: dict[str, str | float] = {"gravity_m_s2": self._gravity()}
        if self.entries["room"].text.strip():
            low, high = ROOM_DEGC
            found["room_degC"] = self._number("room", lambda t: low <= t <= high,
                                              f"{low:g} to {high:g} °C, or nothing")  # fmt: skip
        return found

    def options(self) -> Options:
        """As typed.

        Raises:
            SetupError: with the entry and what may be typed.
        """
        rig = self.profile.rig
        if not isinstance(rig, Lever) and not rig.vertical:
            raise SetupError(
                "weights",
                "Weights do not act on the rod of a level rig: read a reference load cell and fit "
                "the table with 'hookeline calibrate --points'",
            )
        self.conditions()
        series = self._number(
            "series",
            lambda n: n == int(n) and 1 <= n <= MOST_SERIES,
            f"a whole number, 1 to {MOST_SERIES}",
        )
        return Options(
            weights_kg=self._weights(),
            series=int(series),
            falling=self.falling,
            sweep=self.sweep,
            accuracy=self._accuracy(),
            gravity_m_s2=self._gravity(),
        )

    @property
    def problem(self) -> SetupError | None:
        """What is wrong with what was typed."""
        try:
            self.options()
        except SetupError as error:
            return error
        return None

    def _gravity(self) -> float:
        low, high = GRAVITY
        return self._number("gravity", lambda g: low < g < high, "on earth 9.76 to 9.84 m/s²")

    def _weights(self) -> tuple[float, ...]:
        entry = self.entries["weights"]
        # Commas part masses, unless semicolons do: then they are decimal ones.
        text = entry.text.replace("kg", " ")
        text = text.replace(",", ".") if ";" in text else text.replace(",", " ")
        parts = text.replace(";", " ").split()
        try:
            masses = tuple(float(part) for part in parts)
        except ValueError:
            masses = ()
        if not masses or any(not 0.0 < mass < math.inf for mass in masses):
            raise SetupError(
                "weights", "Weights: masses above 0 in kg with commas between, such as 2.5, 5, 7.5"
            )
        return masses

    def _accuracy(self) -> Accuracy:
        usual = Accuracy()

        def known(key: str, per: float, default: float) -> float:
            if key not in self.accuracies:
                return default
            return self._number(key, lambda u: 0 <= u < math.inf, "0 or more") / per

        return Accuracy(
            weights=known("u_weights", 100, usual.weights),
            load_arm_m=known("u_load_arm", 1e3, usual.load_arm_m),
            rod_arm_m=known("u_rod_arm", 1e3, usual.rod_arm_m),
            own_moment=known("u_own_moment", 100, usual.own_moment),
            angle_rad=known("u_angle", 1e3, usual.angle_rad),
            gravity=known("u_gravity", 100, usual.gravity),
        )

    def _number(self, key: str, good: Callable[[float], bool], may: str) -> float:
        entry = self.entries.get(key) or self.accuracies[key]
        typed = entry.text.strip().replace(",", ".").replace("−", "-").removesuffix(entry.unit)
        try:
            value = float(typed)
        except ValueError:
            value = math.nan
        if not (math.isfinite(value) and good(value)):
            raise SetupError(key, f"{entry.label}: {may}, not '{entry.text.strip()}'")
        return value
