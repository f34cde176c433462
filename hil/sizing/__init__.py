"""Sizing: from what is wanted and a list of parts to what each combination gives."""

from hil.sizing.choice_profile import choice_profile, profile_text
from hil.sizing.choice_sequence import sequence_beside, sequence_text
from hil.sizing.combination import Combination
from hil.sizing.curves import Chart, Curve, force_over_frequency, force_over_speed
from hil.sizing.figures import Figure
from hil.sizing.parts import Parts, load_parts
from hil.sizing.screw import RATED_TURNS
from hil.sizing.sensitivity import Sensitivity, sensitivities
from hil.sizing.sized import Sized, SizingError, named, size
from hil.sizing.wants import Wants, load_wants, shipped_wants

__all__ = [
    "RATED_TURNS",
    "Chart",
    "Combination",
    "Curve",
    "Figure",
    "Parts",
    "Sensitivity",
    "Sized",
    "SizingError",
    "Wants",
    "choice_profile",
    "force_over_frequency",
    "force_over_speed",
    "load_parts",
    "load_wants",
    "named",
    "profile_text",
    "sensitivities",
    "sequence_beside",
    "sequence_text",
    "shipped_wants",
    "size",
]
