"""Forms of the behaviours: fields, permitted ranges, and the request.

Values are SI inside; a field knows the factor and the unit in which it is shown and typed.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Literal, cast

from pydantic import ValidationError

from drivers.motion import DAMPING, FORCE, LENGTH, SPEED, STIFFNESS, worded
from hil.control import NO_CAP, passive_bounds
from hil.core import (
    MOST_POINTS,
    Behaviour,
    BehaviourCode,
    ConstantForce,
    Float,
    HoldPosition,
    SessionCap,
    VirtualSpring,
    Waveform,
)
from hil.profile import Profile

HOLD_NOTE = (
    "Carries any load by integral action. Not passive below about 1.2 Hz: it feeds energy into a "
    "hand that moves it slowly. For hand contact, use a virtual spring."
)
FREE_NOTE = "Does not hold a load: if the present one would fall, you must confirm first."


class EntryError(ValueError):
    """Typed value that cannot be used; the text gives what can."""


@dataclass
class Field:
    """One number: ``value``, ``low``, ``high`` and ``bound`` in SI.

    ``bound``: from here to ``high`` the bench limits or refuses; None if nowhere.
    """

    key: str
    label: str
    unit: str
    factor: float  # shown = SI × factor
    low: float
    high: float
    value: float
    step: float
    decimals: int = 0
    bound: float | None = None
    bound_text: str = ""
    present: str = ""  # figure that the value starts from, so that Apply moves little
    touched: bool = False  # set by the operator; then it stays

    def shown(self, value: float | None = None) -> str:
        """Return the value as text without unit, with a true minus sign."""
        number = (self.value if value is None else value) * self.factor
        text = f"{number:.{self.decimals}f}"
        if float(text) == 0.0:
            text = text.removeprefix("-")
        return text.replace("-", "−")

    def parse(self, text: str) -> float:
        """Return the SI value of what was typed, with or without the unit.

        Raises:
            EntryError: not a number, or outside ``low`` to ``high``.
        """
        cleaned = text.replace("−", "-").replace(",", ".").strip().removesuffix(self.unit)
        try:
            shown = float(cleaned)
        except ValueError:
            raise EntryError(f"{self.label}: '{text}' is not a number") from None
        value = shown / self.factor
        slack = 1e-9 * max(1.0, abs(value))
        if not math.isfinite(value) or not self.low - slack <= value <= self.high + slack:
            raise EntryError(
                f"{self.label}: {self.shown(self.low)} to {self.shown(self.high)} {self.unit}"
            )
        return min(max(value, self.low), self.high)

    def start_from(self, value: float) -> None:
        """Take what the rig does at present, unless the operator has set the field."""
        if self.present and not self.touched and math.isfinite(value):
            shown = round(value * self.factor, self.decimals) / self.factor
            self.value = min(max(shown, self.low), self.high)

    def nudge(self, steps: float) -> None:
        """Move by whole steps, kept within the range and on the grid of steps."""
        moved = round((self.value + steps * self.step) / self.step) * self.step
        self.value = min(max(moved, self.low), self.high)


@dataclass
class Choice:
    """One of several words."""

    key: str
    label: str
    options: tuple[tuple[str, str], ...]  # (value, word)
    value: str


@dataclass
class BehaviourForm:
    """One behaviour in the deck. ``fields`` and ``choices`` hold what is typed so far."""

    number: int
    code: BehaviourCode
    name: str
    hint: str
    fields: list[Field] = field(default_factory=list)
    choices: list[Choice] = field(default_factory=list)
    make: Callable[[BehaviourForm], Behaviour] = lambda form: Float()
    shown_keys: Callable[[BehaviourForm], list[str]] | None = None
    path: str = ""  # of the file waveform
    note: str = ""  # what to know before Apply, in the tool tip

    def __getitem__(self, key: str) -> float:
        return next(f.value for f in self.fields if f.key == key)

    def entry(self, key: str) -> Field:
        return next(f for f in self.fields if f.key == key)

    def choice(self, key: str) -> str:
        return next(c.value for c in self.choices if c.key == key)

    def show(self, behaviour: Mapping[str, object]) -> None:
        """Take the values of a behaviour as the bench reports them, in SI (``stiffness_N_m``)."""
        for entry in self.fields:
            for name, value in behaviour.items():
                if name.startswith(f"{entry.key}_") and isinstance(value, int | float):
                    entry.value = min(max(float(value), entry.low), entry.high)

    def visible(self) -> list[Field]:
        """Return the fields that apply to what is chosen."""
        if self.shown_keys is None:
            return self.fields
        keys = self.shown_keys(self)
        return [self.entry(key) for key in keys]

    def build(self) -> Behaviour:
        """Return the behaviour as set.

        Raises:
            EntryError: with the reason as text.
        """
        try:
            return self.make(self)
        except ValidationError as error:
            first = error.errors()[0]
            raise EntryError(f"{first['loc'][-1]}: {first['msg']}") from None


def narrow_forms(forms: list[BehaviourForm], profile: Profile, cap: SessionCap) -> None:
    """Give fields the ranges of other limits; a value outside moves to the nearest end."""
    for form, new in zip(forms, behaviour_forms(profile, cap), strict=True):
        for entry, other in zip(form.fields, new.fields, strict=True):
            entry.low, entry.high = other.low, other.high
            entry.bound, entry.bound_text = other.bound, other.bound_text
            entry.value = min(max(entry.value, entry.low), entry.high)


def behaviour_forms(profile: Profile, cap: SessionCap = NO_CAP) -> list[BehaviourForm]:
    """Return the five behaviours with ranges from the limits, calibration, and session cap."""
    limits = profile.limits
    force = limits.force.limited
    low, high = limits.travel.lower, limits.travel.upper
    middle = LENGTH.inside(round(LENGTH((low + high) / 2)))
    half_mm = LENGTH.of(0.5, 0.5)
    passive = min(passive_bounds(profile)[0], cap.stiffness_N_m or math.inf)
    most_stiff = 1.25 * passive  # room beyond the bound, to show it as one
    tier = "limited to" if profile.control.over_stiff == "bound" else "refused above"

    def force_field(key: str, label: str, present: str = "") -> Field:
        step, places = FORCE.of(5.0, 0.5), FORCE.decimals(0)
        return Field(key, label, *FORCE.shown, -force, force, 0.0, step, places, present=present)

    def damping(value: float = 0.0) -> Field:
        return Field(
            "damping", "Damping", *DAMPING.shown, 0.0, limits.damping, value, limits.damping / 50, 2
        )

    def place(key: str, label: str) -> Field:
        return Field(
            key, label, *LENGTH.shown, low, high, middle, half_mm, 1, present="output_position_m"
        )

    def stiffness(key: str = "stiffness", share: float = 0.25) -> Field:
        step = STIFFNESS.inside(10 ** math.floor(math.log10(STIFFNESS(passive) / 50)))
        return Field(
            key,
            "Stiffness",
            *STIFFNESS.shown,
            step,
            most_stiff,
            round(passive * share / step) * step,
            step,
            0 if STIFFNESS(step) > 0.999 else 1,
            passive,
            f"{tier} {STIFFNESS(passive):.0f}",
        )

    def wave_keys(form: BehaviourForm) -> list[str]:
        shape, of = form.choice("shape"), form.choice("of")
        keys = [] if shape == "table" else [f"offset_{of}", f"amplitude_{of}"]
        keys += {"sine": ["frequency"], "sweep": ["frequency", "end_frequency"]}.get(shape, [])
        if shape != "table":
            keys.append("duration")
        return keys + (["stiffness"] if of == "rest" else []) + ["damping"]

    span = (high - low) / 2
    rate = profile.control.rate
    most_Hz = min(100.0, rate / 10)
    return [
        BehaviourForm(
            1,
            BehaviourCode.FLOAT,
            "Float",
            worded("zero force", "zero torque"),
            [damping()],
            make=lambda f: Float(damping_N_s_m=f["damping"]),
            note=FREE_NOTE,
        ),
        BehaviourForm(
            2,
            BehaviourCode.CONSTANT_FORCE,
            worded("Constant force", "Constant torque"),
            "weight floats",
            [
                force_field("force", worded("Force", "Torque"), "spring_force_N"),
                damping(0.1 * limits.damping),
            ],
            make=lambda f: ConstantForce(force_N=f["force"], damping_N_s_m=f["damping"]),
        ),
        BehaviourForm(
            3,
            BehaviourCode.VIRTUAL_SPRING,
            "Virtual spring",
            "pulls to rest",
            [
                stiffness(),
                place("rest", worded("Rest position", "Rest angle")),
                damping(0.3 * limits.damping),
                force_field("bias", worded("Bias force", "Bias torque")),
            ],
            make=lambda f: VirtualSpring(
                stiffness_N_m=f["stiffness"],
                rest_m=f["rest"],
                damping_N_s_m=f["damping"],
                bias_N=f["bias"],
            ),
        ),
        BehaviourForm(
            4,
            BehaviourCode.HOLD_POSITION,
            worded("Hold position", "Hold angle"),
            "moves, holds",
            [
                place("position", worded("Position", "Angle")),
                Field(
                    "speed",
                    "Speed",
                    *SPEED.shown,
                    SPEED.of(1.0, 1.0),
                    limits.speed.limited,
                    min(SPEED.of(30.0, 30.0), limits.speed.limited),
                    SPEED.of(1.0, 1.0),
                ),
            ],
            make=lambda f: HoldPosition(position_m=f["position"], speed_m_s=f["speed"]),
            note=HOLD_NOTE,
        ),
        BehaviourForm(
            5,
            BehaviourCode.WAVEFORM,
            "Waveform",
            "step, sine, file",
            [
                force_field("offset_force", "Offset", "spring_force_N"),
                Field(
                    "amplitude_force",
                    "Amplitude",
                    *FORCE.shown,
                    -force,
                    force,
                    FORCE.of(20.0, 1.0),
                    FORCE.of(5.0, 0.5),
                    FORCE.decimals(0),
                ),
                place("offset_rest", "Offset"),
                Field(
                    "amplitude_rest",
                    "Amplitude",
                    *LENGTH.shown,
                    -span,
                    span,
                    LENGTH.of(5.0, 5.0),
                    half_mm,
                    1,
                ),
                Field("frequency", "Frequency", "Hz", 1.0, 0.1, most_Hz, 1.0, 0.1, 1),
                Field("end_frequency", "End frequency", "Hz", 1.0, 0.1, most_Hz, 20.0, 0.1, 1),
                Field("duration", "Duration", "s", 1.0, 0.1, 120.0, 10.0, 0.5, 1),
                stiffness(share=1 / 6),
                damping(0.3 * limits.damping),
            ],
            [
                Choice(
                    "shape",
                    "Shape",
                    (("step", "Step"), ("sine", "Sine"), ("sweep", "Sweep"), ("table", "File")),
                    "sine",
                ),
                Choice(
                    "of",
                    "Moves",
                    (
                        ("force", worded("Force", "Torque")),
                        ("rest", worded("Rest position", "Rest angle")),
                    ),
                    "force",
                ),
            ],
            make=_waveform,
            shown_keys=wave_keys,
        ),
    ]


def _waveform(form: BehaviourForm) -> Behaviour:
    shape, of = form.choice("shape"), form.choice("of")
    common: dict[str, Any] = {
        "of": of,
        "damping_N_s_m": form["damping"],
        "stiffness_N_m": form["stiffness"],
    }
    if shape == "table":
        points = read_table(form.path, (FORCE if of == "force" else LENGTH).inside(1.0))
        return Waveform(shape="table", points=points, duration_s=points[-1][0], **common)
    return Waveform(
        shape=cast(Literal["step", "sine", "sweep"], shape),
        offset=form[f"offset_{of}"],
        amplitude=form[f"amplitude_{of}"],
        frequency_Hz=form["frequency"],
        end_frequency_Hz=form["end_frequency"],
        duration_s=form["duration"],
        **common,
    )


def read_table(path: str, to_SI: float) -> tuple[tuple[float, float], ...]:
    """Return the points of a waveform file: two columns, time in s and force in N or position in mm.

    Commas, semicolons or blanks separate the columns; lines that start with a letter or ``#``
    are headings. ``to_SI`` multiplies the second column.

    Raises:
        EntryError: naming file, line and fix.
    """
    if not path.strip():
        raise EntryError("File: enter the path of a file with two columns, time in s and value")
    try:
        lines = Path(path.strip()).expanduser().read_text(encoding="utf-8").splitlines()
    except (OSError, UnicodeDecodeError) as error:
        reason = getattr(error, "strerror", None) or "is not a text file"
        raise EntryError(f"{path}: {reason}") from None
    points: list[tuple[float, float]] = []
    for number, line in enumerate(lines, 1):
        text = line.strip()
        if not text or text[0] == "#" or (text[0].isalpha() and not points):
            continue
        parts = text.replace(";", " ").replace(",", " ").split()
        try:
            time_s, value = (float(part) for part in parts)
        except ValueError:
            raise EntryError(
                f"{path}, line {number}: two numbers expected, not '{text[:30]}'"
            ) from None
        if not (math.isfinite(time_s) and math.isfinite(value)):
            raise EntryError(f"{path}, line {number}: not a finite number")
        if points and time_s <= points[-1][0]:
            raise EntryError(f"{path}, line {number}: time must increase")
        points.append((time_s, value * to_SI))
    if len(points) < 2:
        raise EntryError(f"{path}: at least two lines of time and value expected")
    if len(points) > MOST_POINTS:
        every = -(-len(points) // MOST_POINTS)
        raise EntryError(
            f"{path}: {len(points)} points; at most {MOST_POINTS} fit. Keep one in {every}: "
            "straight lines join the points"
        )
    return tuple(points)
