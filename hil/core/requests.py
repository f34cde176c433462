"""Requests of clients to the rig host, and their text form on the link.

Every request is checked here for type and finiteness before it reaches the cycle; the cycle checks
limits.
"""

from __future__ import annotations

import sys
from dataclasses import dataclass
from typing import Annotated, Any, Literal

from pydantic import BaseModel, BeforeValidator, ConfigDict, FailFast, Field, TypeAdapter

# End of the refusal of a behaviour that does not hold the load: a client may ask the operator and
# apply again.
CONFIRM_LOAD_MOTION = "Hold the position, or apply it with 'load_may_move'."

# Of a coupled setpoint: more would also multiply the noise of the axis that is followed. Common
# practice, no source.
MOST_RATIO = 10.0

# Of a waveform's table: reading more would take the rig host longer than a period.
MOST_POINTS = 2000


class Message(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False, strict=True)


_BIGGEST = sys.float_info.max


def _first_that_is_no_number(values: Any) -> Any:
    """Refuse a mapping at its first wrong value: an error for each would delay the cycle."""
    if isinstance(values, dict):
        for key, value in values.items():
            number = isinstance(value, int | float) and not isinstance(value, bool)
            if not (number and -_BIGGEST <= value <= _BIGGEST):
                raise ValueError(f"'{key!s:.60}' is not a finite number")
    return values


Numbers = Annotated[dict[str, float], BeforeValidator(_first_that_is_no_number)]


class Coupling(Message):
    """A setpoint that follows another axis: ratio times its measured value, plus ``offset``.

    Attributes:
        axis: name of the axis that is followed, as in the axes file.
        offset: offset in the unit of the setpoint, m of a spring's rest position or N of a force.
    """

    axis: str = Field(min_length=1, max_length=40)
    ratio: float = Field(1.0, ge=-MOST_RATIO, le=MOST_RATIO)
    offset: float = 0.0


class Float(Message):
    """Zero force: the output follows the hand."""

    kind: Literal["float"] = "float"
    damping_N_s_m: float = Field(0.0, ge=0)


class ConstantForce(Message):
    """A force on the output rod; with ``coupling`` it follows another axis's spring force."""

    kind: Literal["constant_force"] = "constant_force"
    force_N: float  # with ``coupling``: replaced by the coupled value
    damping_N_s_m: float = Field(0.0, ge=0)
    coupling: Coupling | None = None


class VirtualSpring(Message):
    """F = stiffness·(rest − output) − damping·output velocity + bias.

    With ``coupling`` the rest position follows another axis's output position.
    """

    kind: Literal["virtual_spring"] = "virtual_spring"
    rest_m: float  # with ``coupling``: replaced by the coupled value
    stiffness_N_m: float = Field(gt=0)
    damping_N_s_m: float = Field(0.0, ge=0)
    bias_N: float = 0.0
    coupling: Coupling | None = None


class HoldPosition(Message):
    """Move the output to ``position_m`` at no more than ``speed_m_s``, and hold it there.

    An integral term carries the load, so this is not passive below about 1.2 Hz: against slow
    motion of a hand or of another drive it delivers energy. A virtual spring does not.
    """

    kind: Literal["hold_position"] = "hold_position"
    position_m: float
    speed_m_s: float = Field(0.03, gt=0)


class Waveform(Message):
    """A force (``of: force``, N) or a spring's rest position (``of: rest``, m) over time.

    ``points`` (time_s, value) for shape ``table`` (the file waveform, read by the client), at most
    ``MOST_POINTS``; linearly interpolated.
    """

    kind: Literal["waveform"] = "waveform"
    shape: Literal["step", "sine", "sweep", "table"]
    of: Literal["force", "rest"] = "force"
    offset: float = 0.0
    amplitude: float = 0.0
    frequency_Hz: float = Field(1.0, gt=0, le=500)
    end_frequency_Hz: float = Field(1.0, gt=0, le=500)
    duration_s: float = Field(10.0, gt=0, le=3600)
    points: Annotated[tuple[tuple[float, float], ...], FailFast()] = Field(
        (), max_length=MOST_POINTS
    )
    stiffness_N_m: float = Field(20000.0, gt=0)  # for ``of: rest``
    damping_N_s_m: float = Field(0.0, ge=0)


class ExternalSetpoint(Message):
    """A force with a virtual spring and damping, updated by a program with :class:`Setpoint`.

    F = force + stiffness·(rest − output) − damping·output velocity; no spring at stiffness 0.
    The rig stops when no update comes for longer than ``longest_gap_s``.
    """

    kind: Literal["external_setpoint"] = "external_setpoint"
    force_N: float = 0.0
    rest_m: float = 0.0
    stiffness_N_m: float = Field(0.0, ge=0)
    damping_N_s_m: float = Field(0.0, ge=0)
    longest_gap_s: float = Field(0.05, ge=0.005, le=1)


class MotorTorque(Message):
    """Open-loop motor torque (profile sign), in restricted operation only.

    It ramps to ``torque_N_m`` within ``ramp_s`` from the present torque. It drops to zero and stays
    there once nut speed, nut travel or spring force pass the values given here, or after
    ``duration_s``.
    """

    kind: Literal["motor_torque"] = "motor_torque"
    torque_N_m: float
    ramp_s: float = Field(0.2, ge=0, le=10)
    duration_s: float = Field(gt=0, le=60)
    speed_m_s: float = Field(gt=0)
    travel_m: float = Field(gt=0)
    force_N: float = Field(gt=0)


class MotorSpeed(Message):
    """The nut at ``speed_m_s`` (signed) with at most ``torque_N_m``, in restricted operation only.

    Open to the springs: no force loop. Ends as :class:`MotorTorque` does, and when blocked.
    ``shake_m_s`` is the amplitude of a sine of ``shake_Hz`` on top of it, by which the own loop of a
    drive that takes velocity or position is measured.
    """

    kind: Literal["motor_speed"] = "motor_speed"
    speed_m_s: float
    shake_m_s: float = Field(0.0, ge=0)
    shake_Hz: float = Field(0.0, ge=0, le=200)
    torque_N_m: float = Field(gt=0)
    duration_s: float = Field(gt=0, le=120)
    travel_m: float = Field(gt=0)
    force_N: float = Field(gt=0)


class SeekReference(Message):
    """Seek the reference slowly at low force, in restricted operation only.

    Speed and force are those of the profile's ``reference``. An end is touched ``touches`` times
    and left again; a stored reference must confirm that it is an end, or the other end: met before
    at ``other_end_m``, or else sought as well.
    """

    kind: Literal["seek_reference"] = "seek_reference"
    by: Literal["end", "home_switch"] = "end"
    end: Literal["lower", "upper"] = "lower"
    touches: int = Field(2, ge=2, le=50)
    other_end_m: float | None = None


Behaviour = Annotated[
    Float
    | ConstantForce
    | VirtualSpring
    | HoldPosition
    | Waveform
    | ExternalSetpoint
    | MotorTorque
    | MotorSpeed
    | SeekReference,
    Field(discriminator="kind"),
]


class PowerOn(Message):
    """Request power; ``load_supported`` is the operator's answer, and False is refused.

    ``measures_law``: until power off the spring law is being measured, so the watch for its changes
        is suspended. The fixed limit on disagreement stays.
    """

    kind: Literal["power_on"] = "power_on"
    load_supported: bool
    measures_law: bool = False


class PowerOff(Message):
    kind: Literal["power_off"] = "power_off"


class Apply(Message):
    """Make ``behaviour`` the active one; from Standby or Running only.

    ``load_may_move`` confirms that the load may fall, or be driven, to an end of the travel.
    Without it a behaviour that does not hold the load is refused.
    """

    kind: Literal["apply"] = "apply"
    behaviour: Behaviour
    load_may_move: bool = False


class Setpoint(Message):
    """New values for the active :class:`ExternalSetpoint`; as often as every cycle."""

    kind: Literal["setpoint"] = "setpoint"
    force_N: float = 0.0
    rest_m: float = 0.0
    stiffness_N_m: float = Field(0.0, ge=0)
    damping_N_s_m: float = Field(0.0, ge=0)


class Stop(Message):
    """Stop the rig; any client may send it, holder of control or not."""

    kind: Literal["stop"] = "stop"
    cause: str = Field("operator", max_length=200)
    sent_s: float = 0.0  # time.monotonic() of the sender, same machine only


class Reset(Message):
    """Leave Stopped for De-energised. Never starts motion."""

    kind: Literal["reset"] = "reset"


class Tare(Message):
    """Take the present force as zero; ``clear`` removes the tare, ``undo`` restores the last one."""

    kind: Literal["tare"] = "tare"
    clear: bool = False
    undo: bool = False


class Marker(Message):
    """A named moment in the run. ``values`` are kept with it in events.jsonl."""

    kind: Literal["marker"] = "marker"
    text: str = Field(max_length=200)
    values: Numbers = {}


class StartRun(Message):
    """Request a run folder from the recorder (passed on as an event)."""

    kind: Literal["start_run"] = "start_run"
    name: str = Field("run", max_length=60, pattern=r"^[A-Za-z0-9 _.-]+$")
    note: str = Field("", max_length=5000)


class EndRun(Message):
    kind: Literal["end_run"] = "end_run"


class TriedPlant(Message):
    """Measured plant, where it differs from the profile."""

    rotor_inertia_kg_m2: float | None = Field(None, gt=0)
    coulomb_N_m: float | None = Field(None, gt=0)
    breakaway_N_m: float | None = Field(None, gt=0)


class Commission(Message):
    """Restricted operation: limits no wider than these while it lasts.

    Accepted only while de-energised; a repeated request replaces the previous envelope. Until
    ``closed_loop`` is set only :class:`MotorTorque`, :class:`MotorSpeed` and :class:`SeekReference`
    are accepted; they are accepted at no other time. ``bandwidth_Hz`` 0 leaves the force loop as in
    the profile. With ``hold_to_run`` the power stage stays on only while :class:`Enable` keeps
    coming. With ``plant`` the force loop is designed for that plant, to try a redesign; it needs
    ``closed_loop`` and ``hold_to_run``.
    """

    kind: Literal["commission"] = "commission"
    force_N: float = Field(gt=0)
    speed_m_s: float = Field(gt=0)
    torque_N_m: float = Field(gt=0)
    bandwidth_Hz: float = Field(0.0, ge=0)
    closed_loop: bool = False
    # False: positions are unreliable. Soft ends do not act in open loop; a closed loop is limited
    # to a narrow window around the output position at acceptance.
    ends_known: bool = False
    hold_to_run: bool = True
    plant: TriedPlant | None = None


class EndCommission(Message):
    """Return to the profile's own limits; only while de-energised."""

    kind: Literal["end_commission"] = "end_commission"


class SessionCap(Message):
    """Limits of this session, no wider than the profile's: force, speed, virtual stiffness, bandwidth.

    An omitted value stays as it is. Values may narrow at any time; with ``widen``, the operator's
    confirmation, they may widen, omitted ones return to the profile's, and power must be off.
    """

    kind: Literal["session_cap"] = "session_cap"
    force_N: float | None = Field(None, gt=0)
    speed_m_s: float | None = Field(None, gt=0)
    stiffness_N_m: float | None = Field(None, gt=0)
    bandwidth_Hz: float | None = Field(None, gt=0)
    widen: bool = False


class Enable(Message):
    """State of the hold-to-run control: held (sent repeatedly), or released."""

    kind: Literal["enable"] = "enable"
    held: bool


class WithholdHeartbeat(Message):
    """Withhold the host's heartbeat from the drive, to verify that it stops on its own.

    In restricted operation only, in Standby.
    """

    kind: Literal["withhold_heartbeat"] = "withhold_heartbeat"
    seconds: float = Field(gt=0, le=2)


class ConfirmReference(Message):
    """Set the zero: the output rests at this position, in m from its lower end.

    With ``mark`` it is at the profile's mark instead. Accepted while de-energised, outside
    restricted operation.
    """

    kind: Literal["confirm_reference"] = "confirm_reference"
    position_m: float = 0.0
    mark: bool = False


class UseCalibration(Message):
    """Use this calibration (the profile's ``calibration`` part, SI numbers) at once.

    The running behaviour does not jump: the bench changes over gradually.
    """

    kind: Literal["use_calibration"] = "use_calibration"
    calibration: dict[str, Any]


Request = Annotated[
    PowerOn
    | PowerOff
    | Apply
    | Setpoint
    | Stop
    | Reset
    | Tare
    | Marker
    | StartRun
    | EndRun
    | Commission
    | EndCommission
    | SessionCap
    | Enable
    | WithholdHeartbeat
    | UseCalibration
    | ConfirmReference,
    Field(discriminator="kind"),
]
REQUEST: TypeAdapter[Request] = TypeAdapter(Request)


@dataclass(frozen=True)
class Outcome:
    """Answer to a request: whether it was accepted, and a sentence for the operator."""

    accepted: bool
    text: str
