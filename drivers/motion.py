"""The kind of motion of an actuator, and the units in which people write and read it.

Inside, an output moves along a line: positions in m, forces in N. A rotary one moves along the arc of
:data:`ARC_RADIUS_M` around its joint, and a gear of ratio N is a screw whose lead is that arc for
one turn of the motor, 2π·R/N. So every law, limit and constant is the same for both, and only this
module converts units for people: an angle φ is the travel R·φ, a torque T the force T/R, a
torsional stiffness C the stiffness C/R², an inertia J the mass J/R². R is a power of two, so that
conversion back and forth is exact.

A process deals with one actuator, whose kind of motion :func:`speak` sets; texts about another one
are made inside :func:`speaking`.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass
from functools import lru_cache
from typing import Literal

Motion = Literal["linear", "rotary"]

ARC_RADIUS_M = 0.0625
_DEGREES = 180.0 / math.pi

_process: list[Motion] = ["linear"]
_here: ContextVar[Motion | None] = ContextVar("motion", default=None)


def spoken() -> Motion:
    """Return the kind of motion of texts made here."""
    return _here.get() or _process[0]


def is_rotary() -> bool:
    """Return whether texts made here concern a rotary actuator."""
    return spoken() == "rotary"


def speak(motion: Motion) -> None:
    """Set the kind of motion for texts of this process."""
    _process[0] = motion


@contextmanager
def speaking(motion: Motion) -> Iterator[None]:
    """Set the kind of motion for texts within a block, in this thread."""
    token = _here.set(motion)
    try:
        yield
    finally:
        _here.reset(token)


def worded(linear: str, rotary: str) -> str:
    """Return the text for the present kind of motion."""
    return rotary if is_rotary() else linear


# Words of a linear actuator, and of a rotary one; longer ones first.
_WORDS = (
    ("motor, screw and nut", "motor and gear"),
    ("mass felt", "inertia felt"),
    ("moved mass", "moved inertia"),
    ("reflected mass", "reflected inertia"),
    ("ball screw", "gear"),
    ("a left-hand screw", "a gear of the opposite sense"),
    ("screw's lead", "gear's ratio"),
    ("lead of the screw", "ratio of the gear"),
    ("wrong lead", "wrong ratio"),
    ("turn the screw", "turn the motor's shaft"),
    ("screw", "gear"),
    ("a nut", "a gear"),
    ("nut", "gear"),
    ("lever", "arm"),
    ("rod", "joint"),
    ("caliper", "protractor"),
    ("forces", "torques"),
    ("force", "torque"),
)
_KEYS = (
    ("actuator.screw.lead", "actuator.gear.ratio"),
    ("actuator.screw.hand", "actuator.gear.sense"),
    ("actuator.screw", "actuator.gear"),
)
# Not where it is part of a key, of a name or of a quantity that stays what it is.
_WORD = re.compile(
    r"(?<![\w.'\-])(" + "|".join(linear for linear, _ in _WORDS) + r")(?![\w\-]|\.\w)", re.I
)


def in_words(text: str) -> str:
    """Return a text about a linear actuator in the words of the motion that is spoken of."""
    return _in_rotary_words(text) if is_rotary() else text


@lru_cache(maxsize=2048)
def _in_rotary_words(text: str) -> str:
    def rotary(found: re.Match[str]) -> str:
        word = dict(_WORDS)[found[1].lower()]
        return word[:1].upper() + word[1:] if found[1][:1].isupper() else word

    for linear, key in _KEYS:
        text = text.replace(linear, key)
    return _WORD.sub(rotary, text)


class Shown(float):
    """A number in the unit in which it is shown.

    A fixed number of decimals is that of the linear unit; :attr:`decimals` more are written.
    """

    decimals = 0

    def __format__(self, spec: str) -> str:
        if self.decimals and spec.endswith("f") and "." in spec:
            head, _, digits = spec[:-1].partition(".")
            spec = f"{head}.{int(digits) + self.decimals}f"
        return float.__format__(self, spec)


class _Finer(Shown):
    decimals = 1


@dataclass(frozen=True)
class Unit:
    """A unit as it is shown and as a profile writes it, and what one of it is inside.

    Attributes:
        name: as it is shown.
        key: as a profile or a command line writes it.
        factor: number shown over the value inside.
        finer: a fixed number of decimals is written with one more.
    """

    name: str
    key: str
    factor: float
    finer: bool = False

    @property
    def shown(self) -> tuple[str, float]:
        """Unit, and number shown over the value inside."""
        return self.name, self.factor


@dataclass(frozen=True)
class Quantity:
    """A quantity of the output side: called with a value inside, it gives the number to show.

    As text it is its unit with the space before it, so that ``f"{FORCE(x):.4g}{FORCE}"`` is a
    value with its unit.
    """

    linear: Unit
    rotary: Unit

    @property
    def now(self) -> Unit:
        """Unit for the present kind of motion."""
        return self.rotary if is_rotary() else self.linear

    @property
    def unit(self) -> str:
        return self.now.name

    @property
    def key(self) -> str:
        return self.now.key

    @property
    def factor(self) -> float:
        return self.now.factor

    @property
    def shown(self) -> tuple[str, float]:
        """Unit, and number shown over the value inside."""
        return self.now.shown

    def decimals(self, linear: int) -> int:
        """Return the decimals with the same resolution as those of the linear unit."""
        return linear + self.now.finer

    def of(self, linear: float, rotary: float) -> float:
        """Return the value inside of the round number of the present unit."""
        return self.inside(rotary if is_rotary() else linear)

    def __call__(self, value: float) -> Shown:
        now = self.now
        return (_Finer if now.finer else Shown)(now.factor * value)

    def inside(self, number: float) -> float:
        """Return the value inside of a number shown or typed."""
        return number / self.now.factor

    def written(self, value: float, spec: str) -> str:
        """Return a value as a profile or a command line writes it."""
        return f"{self(value):{spec}} {self.key}"

    def __str__(self) -> str:
        return unit_text(self.linear.name)


def restated(number: float, unit: str) -> Shown:
    """Return a number in a linear actuator's unit in the present unit."""
    quantity = BY_UNIT.get(unit)
    return Shown(number) if quantity is None else quantity(number / quantity.linear.factor)


def unit_name(unit: str) -> str:
    """Return the present unit for a linear actuator's."""
    quantity = BY_UNIT.get(unit)
    return unit if quantity is None else quantity.unit


def unit_text(unit: str) -> str:
    """Return the same with the space that separates it from a number."""
    name = unit_name(unit)
    return name if name.startswith("°") else f" {name}"


def restated_text(text: str, unit: str) -> str:
    """Return a text with its bare numbers, which are in a linear actuator's unit, restated.

    A text that has the unit spoken of already, and a number with a unit of its own, stay.
    """
    name = unit_name(unit)
    if name == unit or name in text:
        return text
    return _BARE.sub(lambda found: f"{restated(float(found[0]), unit):.3g}", text)


def restated_axis(label: str) -> tuple[str, float]:
    """Return the label of an axis in the unit that is spoken of, and the factor to its numbers.

    A label ends in the unit in brackets: ``nut (mm)``.
    """
    found = _AXIS.fullmatch(label)
    quantity = BY_UNIT.get(found[2]) if found else None
    if quantity is None or found is None:
        return label, 1.0
    return f"{found[1]}({quantity.unit})", quantity.factor / quantity.linear.factor


_BARE = re.compile(r"(?<![\w.])\d+(?:\.\d+)?(?![\w.]| ?[%°]| Hz| s\b| N·m| of )")
_AXIS = re.compile(r"(.*)\(([^()]+)\)")

_R = ARC_RADIUS_M
_ROUND = _DEGREES / _R  # degrees for each metre of the arc

LENGTH = Quantity(Unit("mm", "mm", 1e3), Unit("°", "deg", _ROUND))
FINE = Quantity(Unit("µm", "um", 1e6), Unit("m°", "mdeg", 1e3 * _ROUND))
METRES = Quantity(Unit("m", "m", 1.0), Unit("rad", "rad", 1.0 / _R))
SPEED = Quantity(Unit("mm/s", "mm/s", 1e3), Unit("°/s", "deg/s", _ROUND))
METRES_PER_S = Quantity(Unit("m/s", "m/s", 1.0), Unit("rad/s", "rad/s", 1.0 / _R))
ACCELERATION = Quantity(Unit("m/s²", "m/s^2", 1.0), Unit("rad/s²", "rad/s^2", 1.0 / _R))
FORCE = Quantity(Unit("N", "N", 1.0), Unit("N·m", "N*m", _R, finer=True))
FORCE_RATE = Quantity(Unit("N/s", "N/s", 1.0), Unit("N·m/s", "N*m/s", _R))
# Drifts of the data sheet.
FORCE_PER_MINUTE = Quantity(Unit("N/min", "N/min", 60.0), Unit("N·m/min", "N*m/min", 60.0 * _R))
FORCE_PER_HOUR = Quantity(Unit("N/h", "N/h", 3600.0), Unit("N·m/h", "N*m/h", 3600.0 * _R))
NOISE_DENSITY = Quantity(Unit("N/√Hz", "N/Hz^0.5", 1.0), Unit("N·m/√Hz", "N*m/Hz^0.5", _R))
STIFFNESS = Quantity(Unit("N/mm", "N/mm", 1e-3), Unit("N·m/rad", "N*m/rad", _R * _R))
NEWTONS_PER_M = Quantity(Unit("N/m", "N/m", 1.0), Unit("N·m/rad", "N*m/rad", _R * _R))
DAMPING = Quantity(Unit("N·s/mm", "N*s/mm", 1e-3), Unit("N·m·s/rad", "N*m*s/rad", _R * _R))
NEWTON_SECONDS_PER_M = Quantity(
    Unit("N·s/m", "N*s/m", 1.0), Unit("N·m·s/rad", "N*m*s/rad", _R * _R)
)
MASS = Quantity(Unit("kg", "kg", 1.0), Unit("kg·m²", "kg*m^2", _R * _R))
PER_COUNT = Quantity(
    Unit("µm/count", "um/count", 1e6), Unit("m°/count", "mdeg/count", 1e3 * _ROUND)
)
# Of the motor's shaft: the same for every transmission.
MOTOR_TORQUE = Quantity(Unit("N·m", "N*m", 1.0), Unit("N·m", "N*m", 1.0))
HERTZ = Quantity(Unit("Hz", "Hz", 1.0), Unit("Hz", "Hz", 1.0))

# Unit of a value inside: unit of a rotary actuator's, and the factor to it.
ROTARY_UNITS: dict[str, tuple[str, float]] = {
    "m": ("rad", 1.0 / _R),
    "m/s": ("rad/s", 1.0 / _R),
    "m/s^2": ("rad/s^2", 1.0 / _R),
    "N": ("N*m", _R),
    "N/s": ("N*m/s", _R),
    "N/m": ("N*m/rad", _R * _R),
    "N*s/m": ("N*m*s/rad", _R * _R),
    "kg": ("kg*m^2", _R * _R),
    "m/count": ("rad/count", 1.0 / _R),
}

BY_UNIT: dict[str, Quantity] = {
    quantity.linear.name: quantity
    for quantity in (
        LENGTH,
        FINE,
        METRES,
        SPEED,
        METRES_PER_S,
        FORCE,
        FORCE_RATE,
        FORCE_PER_MINUTE,
        FORCE_PER_HOUR,
        NOISE_DENSITY,
        STIFFNESS,
        NEWTONS_PER_M,
        DAMPING,
        NEWTON_SECONDS_PER_M,
        MASS,
        PER_COUNT,
    )
}
BY_UNIT["um"] = FINE
