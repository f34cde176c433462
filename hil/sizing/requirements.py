"""Requirements for an actuator, as a YAML file states them."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Any, TypeVar

from pydantic import BaseModel, Field, ValidationError

from drivers.motion import FORCE, Motion, in_words, speaking
from drivers.quantities import (
    Current,
    Duration,
    Energy,
    Frequency,
    OutputForce,
    OutputStiffness,
    Resistance,
    Travel,
    TravelAcceleration,
    TravelSpeed,
    Voltage,
)
from drivers.suggest import nearest
from hil.profile import (
    SHIPPED,
    Arm,
    DeflectionSensor,
    Part,
    Path_,
    Problem,
    ProfileError,
    Rig,
    Source,
    explain,
    read_source,
    rig_force,
)

FOLDER = SHIPPED / "sizing"
Model = TypeVar("Model", bound=BaseModel)


class Phase(Part):
    """A part of the duty: spring force at the output, nut speed and acceleration, all signed."""

    duration: Annotated[Duration, Field(gt=0)]
    force: OutputForce
    speed: TravelSpeed = 0.0
    acceleration: TravelAcceleration = 0.0


class Sine(Part):
    """A sine of force that is to be followed to −3 dB, with the output blocked."""

    amplitude: Annotated[OutputForce, Field(gt=0)]
    frequency: Annotated[Frequency, Field(gt=0)]


class RequiredSupply(Part):
    voltage: Annotated[Voltage, Field(gt=0)]
    resistance: Annotated[Resistance, Field(ge=0)] = 0.05
    battery: Annotated[Energy, Field(gt=0)] | None = None  # that it gives, from full to empty
    runtime: Annotated[Duration, Field(gt=0)] | None = None


class Requirements(Part):
    """Requirements for one actuator, and given components: rig, supply, sensors, drive.

    An arm on the joint itself makes the actuator rotary: quantities of its output are then angles
    and torques, inside along the arc of the joint (:mod:`drivers.motion`).
    """

    name: Annotated[str, Field(min_length=1, max_length=80)]
    description: str = ""
    force: Annotated[OutputForce, Field(gt=0)]  # largest, at the rod
    speed: Annotated[TravelSpeed, Field(gt=0)]  # of the nut, while it pushes with speed_force
    speed_force: Annotated[OutputForce, Field(ge=0)]
    stroke: Annotated[Travel, Field(gt=0)]
    rig: Rig  # moving mass and weights
    duty: Annotated[tuple[Phase, ...], Field(min_length=1, max_length=100)]  # repeats forever
    supply: RequiredSupply
    force_resolution: Annotated[OutputForce, Field(gt=0)]
    sines: Annotated[tuple[Sine, ...], Field(min_length=1, max_length=20)]
    touch_stiffness: Annotated[OutputStiffness, Field(gt=0)]  # stiffest virtual spring
    life: Annotated[Duration, Field(gt=0)]  # of the screw, on this duty
    deflection_sensor: DeflectionSensor
    encoder_counts: Annotated[int, Field(ge=4)] = 4096  # a revolution
    drive_current: Annotated[Current, Field(gt=0)]  # most that the drive gives
    rate: Annotated[Frequency, Field(ge=50, le=5000)] = 1000.0

    @property
    def motion(self) -> Motion:
        """Kind of motion of the output."""
        return "rotary" if isinstance(self.rig, Arm) else "linear"

    @property
    def finest(self) -> Sine:
        """The sine of the smallest amplitude: the loop is designed for it."""
        return min(self.sines, key=lambda sine: (sine.amplitude, sine.frequency))


def load_requirements(path: str | Path) -> Requirements:
    """Return the requirements in the file at ``path``, or in the shipped one of that bare name.

    Raises:
        ProfileError: with every problem found, each with file, line, key and fix.
    """
    source = read_source(found_file(path, "requirements"), str(path))
    with speaking(_motion_of(source.data)):
        required = validated(Requirements, source)
        problems = [source.problem(*finding) for finding in _unfit(required)]
    if problems:
        raise ProfileError(problems)
    return required


def _motion_of(data: Any) -> Motion:
    """Return the kind of motion of requirements as they are written."""
    rig = data.get("rig") if isinstance(data, dict) else None
    return "rotary" if isinstance(rig, dict) and rig.get("kind") == "joint_arm" else "linear"


def validated(model: type[Model], source: Source) -> Model:
    """Return the file's values as a model.

    Raises:
        ProfileError: as :func:`load_requirements`.
    """
    try:
        return model.model_validate(source.data)
    except ValidationError as error:
        raise ProfileError(explain(error, model, source)) from None


def shipped_requirements() -> list[str]:
    """Return the bare names of the shipped requirements."""
    return sorted(file.stem for file in FOLDER.glob("*.yaml") if file.stem != "parts")


def found_file(path: str | Path, what: str) -> Path:
    """Return the file meant by a path or by a shipped bare name.

    Raises:
        ProfileError: no such file.
    """
    given, bare = Path(path), str(path).removesuffix(".yaml")
    names = shipped_requirements() if what == "requirements" else ["parts"]
    try:
        if given.exists():
            return given
    except (OSError, ValueError):
        return given  # reading it gives the reason
    if bare in names:
        return FOLDER / f"{bare}.yaml"
    hint = nearest(bare, names)
    fix = f"check the path, or name the shipped {what}: {', '.join(names)}"
    raise ProfileError([Problem(str(path), 0, 0, "", f"no such file{hint}", fix)])


def _unfit(required: Requirements) -> list[tuple[Path_, str, str]]:
    """Requirements that contradict each other."""
    found: list[tuple[Path_, str, str]] = []
    for i, weight in enumerate(required.rig.weights):
        needed = rig_force(required.rig, weight)
        if needed > required.force:
            found.append(
                (
                    ("rig", "weights", i),
                    in_words(
                        f"{weight:.4g} kg takes {_text(needed)} at the rod, above the required "
                        f"force of {_text(required.force)}"
                    ),
                    "leave it out, or raise 'force'",
                )
            )
    if required.speed_force > required.force:
        found.append(
            (
                ("speed_force",),
                _above(required.speed_force, required),
                "raise 'force', or lower this",
            )
        )
    for i, phase in enumerate(required.duty):
        if abs(phase.force) > required.force:
            found.append(
                (
                    ("duty", i, "force"),
                    _above(phase.force, required),
                    "raise 'force', or lower this",
                )
            )
    for i, sine in enumerate(required.sines):
        if sine.amplitude > required.force:
            found.append(
                (
                    ("sines", i, "amplitude"),
                    _above(sine.amplitude, required),
                    "raise 'force', or lower this",
                )
            )
        if sine.frequency > required.rate / 5:
            found.append(
                (
                    ("sines", i, "frequency"),
                    f"{sine.frequency:.4g} Hz is too high for a rate of {required.rate:.4g} Hz",
                    f"require at most {required.rate / 10:.4g} Hz, or raise 'rate'",
                )
            )
    if required.supply.runtime is not None and required.supply.battery is None:
        found.append(
            (
                ("supply", "runtime"),
                "no battery is given to which it applies",
                "add 'battery', such as 180 W*h, or leave 'runtime' out",
            )
        )
    return found


def _text(force_N: float) -> str:
    return f"{FORCE(force_N):.4g}{FORCE}"


def _above(force_N: float, required: Requirements) -> str:
    return in_words(f"{_text(force_N)} is above the required force of {_text(required.force)}")
