"""What a client may ask of the rig host, and the one text form of it on the link.

Every request is checked here for type and finiteness before it reaches the cycle; limits
are the cycle's own affair.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field, TypeAdapter


class Message(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False, strict=True)


class Float(Message):
    """Zero force: the output follows the hand."""

    kind: Literal["float"] = "float"
    damping_N_s_m: float = Field(0.0, ge=0)


class ConstantForce(Message):
    kind: Literal["constant_force"] = "constant_force"
    force_N: float
    damping_N_s_m: float = Field(0.0, ge=0)


class VirtualSpring(Message):
    """F = stiffness·(rest − output) − damping·output velocity + bias."""

    kind: Literal["virtual_spring"] = "virtual_spring"
    rest_m: float
    stiffness_N_m: float = Field(gt=0)
    damping_N_s_m: float = Field(0.0, ge=0)
    bias_N: float = 0.0


class HoldPosition(Message):
    """Move the output to ``position_m`` at no more than ``speed_m_s``, and hold it there."""

    kind: Literal["hold_position"] = "hold_position"
    position_m: float
    speed_m_s: float = Field(0.03, gt=0)


class Waveform(Message):
    """A force (``of: force``, N) or a spring's rest position (``of: rest``, m) over time.

    ``points`` (time_s, value) for shape ``table`` (the file waveform, read by the client).
    """

    kind: Literal["waveform"] = "waveform"
    shape: Literal["step", "sine", "sweep", "table"]
    of: Literal["force", "rest"] = "force"
    offset: float = 0.0
    amplitude: float = 0.0
    frequency_Hz: float = Field(1.0, gt=0, le=500)
    end_frequency_Hz: float = Field(1.0, gt=0, le=500)
    duration_s: float = Field(10.0, gt=0, le=3600)
    points: tuple[tuple[float, float], ...] = Field((), max_length=20000)
    stiffness_N_m: float = Field(20000.0, gt=0)  # for ``of: rest``
    damping_N_s_m: float = Field(0.0, ge=0)


Behaviour = Annotated[
    Float | ConstantForce | VirtualSpring | HoldPosition | Waveform, Field(discriminator="kind")
]


class Energise(Message):
    kind: Literal["energise"] = "energise"
    load_supported: bool  # the operator's answer; False is refused


class PowerOff(Message):
    kind: Literal["power_off"] = "power_off"


class Apply(Message):
    """Make ``behaviour`` the active one; from Standby or Working only."""

    kind: Literal["apply"] = "apply"
    behaviour: Behaviour


class Stop(Message):
    """Anyone may send it, holder of control or not."""

    kind: Literal["stop"] = "stop"
    cause: str = Field("operator", max_length=200)
    sent_s: float = 0.0  # time.monotonic() of the sender, same machine only


class Reset(Message):
    """Leave Stopped for De-energised. Never starts motion."""

    kind: Literal["reset"] = "reset"


class Tare(Message):
    """Take the present force as zero (``clear`` to undo)."""

    kind: Literal["tare"] = "tare"
    clear: bool = False


class Marker(Message):
    """A named moment in the run. ``values`` are kept beside it in events.jsonl."""

    kind: Literal["marker"] = "marker"
    text: str = Field(max_length=200)
    values: dict[str, float] = {}


class StartRun(Message):
    """Ask the recorder for a run folder (passed on as an event)."""

    kind: Literal["start_run"] = "start_run"
    name: str = Field("run", max_length=60, pattern=r"^[A-Za-z0-9 _.-]+$")
    note: str = Field("", max_length=5000)


class EndRun(Message):
    kind: Literal["end_run"] = "end_run"


Request = Annotated[
    Energise | PowerOff | Apply | Stop | Reset | Tare | Marker | StartRun | EndRun,
    Field(discriminator="kind"),
]
REQUEST: TypeAdapter[Request] = TypeAdapter(Request)


@dataclass(frozen=True)
class Outcome:
    """Answer to a request: whether it was taken, and a sentence for the person who asked."""

    accepted: bool
    text: str
