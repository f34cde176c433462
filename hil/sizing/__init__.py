"""Sizing: from requirements and a list of parts to the figures of each combination."""

from hil.sizing.choice_profile import choice_profile, profile_text
from hil.sizing.choice_sequence import sequence_beside, sequence_text
from hil.sizing.combination import Combination
from hil.sizing.curves import Chart, Curve, force_over_frequency, force_over_speed
from hil.sizing.figure import Figure
from hil.sizing.life import RATED_TURNS
from hil.sizing.motor import sagged_V
from hil.sizing.parts import Parts, load_parts
from hil.sizing.requirements import Requirements, load_requirements, shipped_requirements
from hil.sizing.sensitivity import Sensitivity, sensitivities
from hil.sizing.sized import Sized, SizingError, named, size

__all__ = [
    "RATED_TURNS",
    "Chart",
    "Combination",
    "Curve",
    "Figure",
    "Parts",
    "Requirements",
    "Sensitivity",
    "Sized",
    "SizingError",
    "choice_profile",
    "force_over_frequency",
    "force_over_speed",
    "load_parts",
    "load_requirements",
    "named",
    "profile_text",
    "sagged_V",
    "sensitivities",
    "sequence_beside",
    "sequence_text",
    "shipped_requirements",
    "size",
]
