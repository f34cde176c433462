"""Settings before a calibration, as typed texts. No Qt."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

from drivers.motion import FORCE, worded
from hil.calibration import Accuracy, Kind, Options
from hil.profile import Arm, Lever, Profile

MOST_SERIES = 20
GRAVITY = (9.7, 9.9)
ROOM_DEGC = (-40.0, 80.0)
MOST_CELL_PERCENT = 5.0


class SetupError(ValueError):
    """Typed value that cannot be used.

    Attributes:
        key: key of the entry.
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
        profile: source of its values.

    Attributes:
        entries, accuracies: lines by key; the second are standard uncertainties of what the
            loads are computed from.
        sweep: whether the sensor's law is found with the output clamped.
        falling: whether loads come in falling order as well.
        kinds: kinds of loads that act on this rig's rod, the usual one first; kind: the one chosen.
        pull: whether a load cell is pulled as well.
    """

    def __init__(self, profile: Profile) -> None:
        rig = profile.rig
        usual = Accuracy()
        weights = ", ".join(f"{mass:g}" for mass in rig.weights)
        self.profile = profile
        self.sweep = True
        self.falling = True
        self.pull = False
        self.kinds: tuple[Kind, ...] = ("lever", "cell")
        if not isinstance(rig, Lever):
            self.kinds = ("rod", "cell") if rig.vertical else ("cell",)
        self.kind: Kind = self.kinds[0]
        lines = [
            Entry("weights", "Weights", "kg", weights, "such as 2.5, 5, 7.5"),
            Entry("forces", worded("Forces", "Torques"), FORCE.unit, "", "empty: ten even steps"),
            Entry("series", "Series", "", "3", "up and down; three or more show how loads repeat"),
            Entry(
                "gravity",
                "Local gravity",
                "m/s²",
                f"{rig.gravity:.6g}",
                "9.80665 is the standard value; the local one is better",
            ),
            Entry("room", "Room", "°C", "", "if known"),
            Entry("note", "Note", "", "", "why, what was done"),
        ]
        known = [Entry("u_weights", "Weights", "%", f"{100 * usual.weights:g}")]
        if isinstance(rig, Lever):
            known += [
                Entry("u_load_arm", "Load arm", "mm", f"{1e3 * usual.load_arm_m:g}"),
                Entry("u_angle", "Angle at level", "mrad", f"{1e3 * usual.angle_rad:g}"),
            ]
            if not isinstance(rig, Arm):  # an arm stands on the joint itself
                rod = Entry("u_rod_arm", "Rod arm", "mm", f"{1e3 * usual.rod_arm_m:g}")
                known.insert(2, rod)
        own = worded("Lever and pan", "Arm and pan") if isinstance(rig, Lever) else "Carriage"
        known += [
            Entry("u_own_moment", own, "%", f"{100 * usual.own_moment:g}"),
            Entry("u_gravity", "Gravity", "%", f"{100 * usual.gravity:g}"),
        ]
        known += [
            Entry(
                "u_cell",
                worded("Load cell", "Torque cell"),
                "%",
                "",
                "half of U (k = 2) on its certificate",
            ),
            Entry("u_cell_zero", "Its zero", FORCE.unit, "0"),
        ]
        self.entries = {line.key: line for line in lines}
        self.accuracies = {line.key: line for line in known}

    @property
    def facts(self) -> str:
        """Lever and pan of the profile in one sentence."""
        rig = self.profile.rig
        if not isinstance(rig, Lever):
            way = "a vertical" if rig.vertical else "a horizontal"
            return f"From the profile: {way} carriage of {rig.carriage_mass:g} kg."
        if isinstance(rig, Arm):
            return (
                f"From the profile: arm of {1e3 * rig.load_arm:g} mm and {rig.lever_mass:g} kg with "
                f"its centre at {1e3 * rig.lever_centre:g} mm, pan {rig.pan_mass:g} kg."
            )
        return (
            f"From the profile: arms {1e3 * rig.rod_arm:g} mm (rod) and {1e3 * rig.load_arm:g} mm "
            f"(load), lever {rig.lever_mass:g} kg with its centre at {1e3 * rig.lever_centre:g} "
            f"mm, pan {rig.pan_mass:g} kg."
        )

    def wanted(self, key: str) -> bool:
        """Return whether this line matters for the kind of loads chosen."""
        if key in ("series", "room", "note"):
            return True
        return (key in ("forces", "u_cell", "u_cell_zero")) == (self.kind == "cell")

    def type(self, key: str, text: str) -> None:
        """Take what was typed."""
        (self.entries.get(key) or self.accuracies[key]).text = text

    @property
    def note(self) -> str:
        return self.entries["note"].text.strip()

    def conditions(self) -> dict[str, str | float]:
        """Return the values kept with the calibration.

        Raises:
            SetupError: with the entry and what may be typed.
        """
        found: dict[str, str | float] = {}
        if self.kind != "cell":
            found["gravity_m_s2"] = self._gravity()
        if self.entries["room"].text.strip():
            low, high = ROOM_DEGC
            found["room_degC"] = self._number(
                "room", lambda t: low <= t <= high, f"{low:g} to {high:g} °C, or nothing"
            )
        return found

    def options(self) -> Options:
        """Return the options as typed.

        Raises:
            SetupError: with the entry and what may be typed.
        """
        self.conditions()
        series = self._number(
            "series",
            lambda n: n == int(n) and 1 <= n <= MOST_SERIES,
            f"a whole number, 1 to {MOST_SERIES}",
        )
        if self.kind == "cell":
            return Options(
                series=int(series),
                falling=self.falling,
                sweep=self.sweep,
                accuracy=self._cell(),
                loads="cell",
                forces_N=self._forces(),
                pull=self.pull,
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
        """First problem of the typed values, or None."""
        try:
            self.options()
        except SetupError as error:
            return error
        return None

    def _gravity(self) -> float:
        low, high = GRAVITY
        return self._number("gravity", lambda g: low < g < high, "on earth 9.76 to 9.84 m/s²")

    def _weights(self) -> tuple[float, ...]:
        masses = _listed(self.entries["weights"].text, "kg")
        if not masses:
            raise SetupError(
                "weights", "Weights: masses above 0 in kg, separated by commas, such as 2.5, 5, 7.5"
            )
        return masses

    def _forces(self) -> tuple[float, ...]:
        text = self.entries["forces"].text
        forces = tuple(FORCE.inside(force) for force in _listed(text, FORCE.unit))
        if text.strip() and not forces:
            raise SetupError(
                "forces",
                f"{worded('Forces', 'Torques')}: above 0 in {FORCE.unit}, separated by commas, such as "
                f"{worded('100, 200, 300', '5, 10, 15')}; or nothing for ten even steps",
            )
        return forces

    def _cell(self) -> Accuracy:
        relative = 0.0
        if self.accuracies["u_cell"].text.strip():
            relative = (
                self._number(
                    "u_cell", lambda u: 0 <= u <= MOST_CELL_PERCENT, f"0 to {MOST_CELL_PERCENT:g} %"
                )
                / 100
            )
        zero = self._number("u_cell_zero", lambda u: 0 <= u < math.inf, "0 or more")
        if relative <= 0.0 and zero <= 0.0:
            raise SetupError(
                "u_cell",
                "Load cell: its standard uncertainty, half of the expanded one (k = 2) "
                "on its certificate",
            )
        return Accuracy(cell=relative, cell_N=FORCE.inside(zero))

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


def _listed(text: str, unit: str) -> tuple[float, ...]:
    """Return numbers above 0; none if one is not."""
    # Commas separate numbers, unless semicolons do: then commas are decimal.
    text = text.replace(unit, " ")
    text = text.replace(",", ".") if ";" in text else text.replace(",", " ")
    try:
        found = tuple(float(part) for part in text.replace(";", " ").split())
    except ValueError:
        return ()
    return found if all(0.0 < value < math.inf for value in found) else ()
