"""Steps of a sequence for several axes, in addition to those of one axis."""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import BaseModel, Field

from drivers.quantities import OutputDamping, OutputForce, OutputStiffness, Travel
from hil.core import MOST_RATIO, Behaviour, ConstantForce, Coupling, VirtualSpring
from hil.profile import Part
from hil.sequences.sequence_steps import STEP_MODELS, CoupledStep, Name, Step, StopStep, WaitStep


class FollowedPart(Part):
    """Measured value of another axis to follow: ``ratio`` times the value, plus ``offset``."""

    axis: Name
    ratio: Annotated[float, Field(ge=-MOST_RATIO, le=MOST_RATIO)] = 1.0


class FollowedRest(FollowedPart):
    offset: Travel = 0.0


class FollowedForce(FollowedPart):
    offset: OutputForce = 0.0


class CoupledSpringStep(CoupledStep):
    """A virtual spring whose rest position follows the output of another axis."""

    do: Literal["virtual_spring"]
    stiffness: Annotated[OutputStiffness, Field(gt=0)]
    rest: FollowedRest
    damping: Annotated[OutputDamping, Field(ge=0)] = 0.0
    bias: OutputForce = 0.0

    def behaviour(self) -> Behaviour:
        return VirtualSpring(
            rest_m=0.0,
            stiffness_N_m=self.stiffness,
            damping_N_s_m=self.damping,
            bias_N=self.bias,
            coupling=_coupling(self.rest),
        )


class CoupledForceStep(CoupledStep):
    """A force that follows the spring force of another axis."""

    do: Literal["constant_force"]
    force: FollowedForce
    damping: Annotated[OutputDamping, Field(ge=0)] = 0.0
    measure: None = None

    def behaviour(self) -> Behaviour:
        return ConstantForce(
            force_N=0.0, damping_N_s_m=self.damping, coupling=_coupling(self.force)
        )


def _coupling(followed: FollowedRest | FollowedForce) -> Coupling:
    return Coupling(axis=followed.axis, ratio=followed.ratio, offset=followed.offset)


class TogetherStep(Step):
    """Steps of different axes that begin at once; the step lasts as long as the longest of them."""

    do: Literal["together"]
    steps: Annotated[list[Any], Field(min_length=1)]


class BesideStep(WaitStep):
    """Wait of an axis while another axis performs a step; never written in a file."""

    beside: str = ""


class StoppedStep(StopStep):
    """Stop of an axis because another axis requested a stop; never written in a file."""

    sender: str = ""


AXES_STEP_MODELS: dict[str, type[BaseModel]] = {**STEP_MODELS, "together": TogetherStep}
# Step that follows another axis, by the step's name and the key whose value is a mapping.
COUPLED: dict[tuple[str, str], type[BaseModel]] = {
    ("virtual_spring", "rest"): CoupledSpringStep,
    ("constant_force", "force"): CoupledForceStep,
}
