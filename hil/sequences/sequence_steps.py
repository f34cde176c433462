"""Steps of a sequence file: one model per step, quantities with their units."""

from __future__ import annotations

import math
from typing import Annotated, Any, Literal, get_args

from pydantic import BaseModel, Field, PrivateAttr

from drivers.quantities import (
    Along,
    Duration,
    Force,
    Frequency,
    Mass,
    OutputDamping,
    OutputForce,
    OutputStiffness,
    Travel,
    TravelSpeed,
    dimension,
)
from hil.core import Behaviour, ConstantForce, Float, HoldPosition, VirtualSpring, Waveform
from hil.profile import Part

Span = Annotated[Duration, Field(gt=0, le=3600)]
Name = Annotated[str, Field(min_length=1, max_length=60)]


class Step(Part):
    """Base of all steps. ``for`` is the step's duration; ``note`` is shown during it."""

    do: str
    note: Annotated[str, Field(max_length=300)] = ""


class PushPart(Part):
    """A hand at the load point; with a frequency, a sine of that amplitude."""

    force: Force
    frequency: Annotated[Frequency, Field(gt=0, le=20)] | None = None


class Lasting(Step):
    """A step that takes time. ``settle`` is the part of it before a measurement begins.

    ``tolerance`` is the largest error of the figure that still passes: ``5 %`` of the
    setpoint, or a quantity. Defaults: ``hil.analysis.verdicts.default_tolerance``.
    """

    lasts: Annotated[Span, Field(alias="for")]
    settle: Annotated[Duration, Field(ge=0)] = 0.5
    measure: Name | None = None
    tolerance: Name | None = None
    push: PushPart | None = None


class EnergiseStep(Step):
    do: Literal["power_on"]


class PowerOffStep(Step):
    do: Literal["power_off"]


class TareStep(Step):
    do: Literal["tare"]
    clear: bool = False


class MarkerStep(Step):
    do: Literal["marker"]
    text: Name


class WaitStep(Step):
    do: Literal["wait"]
    lasts: Annotated[Span, Field(alias="for")]


class HangStep(Lasting):
    """Hang ``mass`` in place of the present weight. ``measure`` gives the sag that it causes."""

    do: Literal["hang"]
    mass: Annotated[Mass, Field(ge=0, le=1000)]
    lasts: Annotated[Span, Field(alias="for")] = 0.5


class PushStep(Step):
    """A push for its own time, while the previous behaviour continues."""

    do: Literal["push"]
    force: Force
    frequency: Annotated[Frequency, Field(gt=0, le=20)] | None = None
    lasts: Annotated[Span, Field(alias="for")]


class StopStep(Step):
    """Exercise the stop; ``measure`` records the time to the wire. ``for`` waits afterwards."""

    do: Literal["stop"]
    measure: Name | None = None
    tolerance: Name | None = None
    lasts: Annotated[Span, Field(alias="for")] = 0.5


class ResetStep(Step):
    do: Literal["reset"]


class FreeStep(Lasting):
    """A behaviour that may not hold the load; ``load_may_move`` states that it is meant to move."""

    load_may_move: bool = False


class FloatStep(FreeStep):
    do: Literal["float"]
    damping: Annotated[OutputDamping, Field(ge=0)] = 0.0
    measure: None = None

    def behaviour(self) -> Behaviour:
        return Float(damping_N_s_m=self.damping)


class ConstantForceStep(FreeStep):
    do: Literal["constant_force"]
    force: OutputForce
    damping: Annotated[OutputDamping, Field(ge=0)] = 0.0

    def behaviour(self) -> Behaviour:
        return ConstantForce(force_N=self.force, damping_N_s_m=self.damping)


class VirtualSpringStep(FreeStep):
    do: Literal["virtual_spring"]
    stiffness: Annotated[OutputStiffness, Field(gt=0)]
    rest: Travel
    damping: Annotated[OutputDamping, Field(ge=0)] = 0.0
    bias: OutputForce = 0.0

    def behaviour(self) -> Behaviour:
        return VirtualSpring(
            rest_m=self.rest,
            stiffness_N_m=self.stiffness,
            damping_N_s_m=self.damping,
            bias_N=self.bias,
        )


class CoupledStep(FreeStep):
    """Base of the behaviours that follow another axis."""

    def behaviour(self) -> Behaviour:
        raise NotImplementedError


class HoldPositionStep(Lasting):
    do: Literal["hold_position"]
    position: Travel
    speed: Annotated[TravelSpeed, Field(gt=0)] = 0.03

    def behaviour(self) -> Behaviour:
        return HoldPosition(position_m=self.position, speed_m_s=self.speed)


class WaveformStep(FreeStep):
    """A force or a spring's rest position over time.

    ``offset`` and ``amplitude`` carry N or a length accordingly. ``file`` is a CSV with the
    header ``time_s,value`` (SI).
    """

    do: Literal["waveform"]
    shape: Literal["step", "sine", "sweep", "file"]
    of: Literal["force", "rest"] = "force"
    offset: str | None = None
    amplitude: str | None = None
    frequency: Annotated[Frequency, Field(gt=0, le=500)] = 1.0
    end_frequency: Annotated[Frequency, Field(gt=0, le=500)] = 1.0
    stiffness: Annotated[OutputStiffness, Field(gt=0)] = 20000.0
    damping: Annotated[OutputDamping, Field(ge=0)] = 0.0
    file: str | None = None
    measure: None = None

    _points: tuple[tuple[float, float], ...] = PrivateAttr(())

    def with_points(self, points: tuple[tuple[float, float], ...]) -> None:
        """Keep the points of the file (the model itself is frozen)."""
        self._points = points

    def value(self, text: str | None) -> float:
        """Return ``offset`` or ``amplitude`` in SI; raise as ``Dimension.parse`` does."""
        unit = "N" if self.of == "force" else "m"
        return 0.0 if text is None else Along(unit).parse(text)

    def behaviour(self) -> Behaviour:
        return Waveform(
            shape="table" if self.shape == "file" else self.shape,
            of=self.of,
            offset=self.value(self.offset),
            amplitude=self.value(self.amplitude),
            frequency_Hz=self.frequency,
            end_frequency_Hz=self.end_frequency,
            duration_s=self.lasts,
            points=self._points,
            stiffness_N_m=self.stiffness,
            damping_N_s_m=self.damping,
        )


class RampStep(FreeStep):
    """A force, or a spring's rest position, that changes linearly from one value to another."""

    do: Literal["ramp"]
    of: Literal["force", "rest"] = "force"
    begin: Annotated[str, Field(alias="from")]
    end: Annotated[str, Field(alias="to")]
    stiffness: Annotated[OutputStiffness, Field(gt=0)] = 20000.0
    damping: Annotated[OutputDamping, Field(ge=0)] = 0.0
    measure: None = None

    def value(self, text: str) -> float:
        """Return ``begin`` or ``end`` in SI; raise as ``Dimension.parse`` does."""
        return Along("N" if self.of == "force" else "m").parse(text)

    def behaviour(self) -> Behaviour:
        return Waveform(
            shape="table",
            of=self.of,
            duration_s=self.lasts,
            points=((0.0, self.value(self.begin)), (self.lasts, self.value(self.end))),
            stiffness_N_m=self.stiffness,
            damping_N_s_m=self.damping,
        )


# Measured value: its unit, and an example.
MEASURED_VALUES = {
    "spring_force": ("N", "100 N"),
    "output_position": ("m", "20 mm"),
    "output_speed": ("m/s", "5 mm/s"),
    "deflection": ("m", "2 mm"),
    "supply": ("V", "40 V"),
    "drive_temperature": ("degC", "50 degC"),
    "winding_temperature": ("degC", "60 degC"),
}


class WaitUntilStep(Step):
    """Wait for a measured value; the sequence fails after ``at_most``.

    With both ``above`` and ``below`` it must lie between them, for the duration ``holds``.
    """

    do: Literal["wait_until"]
    measured: Literal[
        "spring_force",
        "output_position",
        "output_speed",
        "deflection",
        "supply",
        "drive_temperature",
        "winding_temperature",
    ]
    above: str | None = None
    below: str | None = None
    holds: Annotated[Duration, Field(ge=0, le=3600)] = 0.0
    at_most: Annotated[Duration, Field(gt=0, le=24 * 3600)]

    def value(self, text: str) -> float:
        """Return ``above`` or ``below`` in SI; raise as ``Dimension.parse`` does."""
        return dimension(MEASURED_VALUES[self.measured][0]).parse(text)

    @property
    def bounds(self) -> tuple[float, float]:
        """Lower and upper bound of the value, in SI."""
        low = -math.inf if self.above is None else self.value(self.above)
        high = math.inf if self.below is None else self.value(self.below)
        return low, high


class RepeatStep(Step):
    """The same steps several times."""

    do: Literal["repeat"]
    times: Annotated[int, Field(ge=1, le=10_000, strict=True)]
    steps: Annotated[list[Any], Field(min_length=1)]


class SequenceStep(Step):
    """The steps of another file, with a path relative to this file's directory."""

    do: Literal["sequence"]
    file: Annotated[str, Field(pattern=r"\.ya?ml$")]
    values: Annotated[dict[str, Any], Field(alias="with")] = {}


class Parameter(Part):
    """A value between ``least`` and ``most`` that is chosen at each performance."""

    value: Any
    least: Annotated[Any, Field(alias="from")]
    most: Annotated[Any, Field(alias="to")]
    about: str = ""


_Behaviour = (
    RampStep | FloatStep | ConstantForceStep | VirtualSpringStep | HoldPositionStep | WaveformStep
)
BehaviourStep = _Behaviour | CoupledStep
AnyStep = (
    EnergiseStep
    | PowerOffStep
    | TareStep
    | MarkerStep
    | WaitStep
    | HangStep
    | PushStep
    | StopStep
    | ResetStep
    | WaitUntilStep
    | _Behaviour
)

STEPS: dict[str, type[BaseModel]] = {
    get_args(model.model_fields["do"].annotation)[0]: model for model in get_args(AnyStep)
}
# Steps of a file that are expanded into others when it is read.
WRITTEN_OUT: dict[str, type[BaseModel]] = {"repeat": RepeatStep, "sequence": SequenceStep}
STEP_MODELS = {**STEPS, **WRITTEN_OUT}  # all that a file may contain


class Head(Part):
    """Top level of a sequence file."""

    name: Annotated[str, Field(pattern=r"^[A-Za-z0-9 _.-]{1,60}$")]
    description: str = ""
    profile: str | None = None  # the profile it was written for, used if none is given
    axes: str | None = None  # in its place for several axes: the axes file
    parameters: dict[Annotated[str, Field(pattern=r"^[a-z][a-z0-9_]{0,39}$")], Any] = {}
    steps: Annotated[list[Any], Field(min_length=1)]
