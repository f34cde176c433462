"""State of the rig known before anything is measured: verification, motor heat and reference."""

from __future__ import annotations

from dataclasses import dataclass

from hil.control import Standing
from hil.host.kept_reference import KeptReference
from hil.supervision import HeatAtStart


@dataclass(frozen=True, kw_only=True)
class KnownRig:
    """State that a rig host begins with.

    Attributes:
        verified: standing that opens or reduces the profile's limits; None looks it up.
        at_lower_end: the operator stated that the output rests on its lower end.
        heat: heat of the motor; None begins cold.
        kept: the reference of the last session.
    """

    verified: Standing | None = None
    at_lower_end: bool = False
    heat: HeatAtStart | None = None
    kept: KeptReference | None = None
