"""Rig as it is known before anything is measured: verified or not, warm or cold, where it stands."""

from __future__ import annotations

from dataclasses import dataclass

from hil.control import Standing
from hil.host.kept_reference import KeptReference
from hil.supervision import HeatAtStart


@dataclass(frozen=True, kw_only=True)
class KnownRig:
    """State that a rig host begins with.

    Attributes:
        verified: whether the profile's own limits are open; None looks it up.
        at_lower_end: the operator stated that the output rests on its lower end.
        heat: of the motor; None begins cold.
        kept: the reference of the last session.
    """

    verified: Standing | None = None
    at_lower_end: bool = False
    heat: HeatAtStart | None = None
    kept: KeptReference | None = None
