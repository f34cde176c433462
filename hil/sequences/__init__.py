"""Sessions written as YAML, and their performance."""

from hil.sequences.axes_reading import axes_named, load_axes_sequence
from hil.sequences.axes_sequence import AxesSequence
from hil.sequences.meeting import Meeting, MeetingPart
from hil.sequences.pacing import Pacing
from hil.sequences.performing import OWN_STOP, describe, measured_value, perform, perform_times
from hil.sequences.preview import Preview, axes_words, preview, wave_setpoints
from hil.sequences.reading import (
    SEQUENCES,
    find_sequence,
    load_sequence,
    shipped_axes_sequences,
    shipped_sequences,
)
from hil.sequences.sequence import Sequence, unfit
from hil.sequences.sequence_steps import MEASURED_VALUES, STEP_MODELS, Head
from hil.sequences.taking_down import TakenDown

__all__ = [
    "MEASURED_VALUES",
    "OWN_STOP",
    "SEQUENCES",
    "STEP_MODELS",
    "AxesSequence",
    "Head",
    "Meeting",
    "MeetingPart",
    "Pacing",
    "Preview",
    "Sequence",
    "TakenDown",
    "axes_named",
    "axes_words",
    "describe",
    "find_sequence",
    "load_axes_sequence",
    "load_sequence",
    "measured_value",
    "perform",
    "perform_times",
    "preview",
    "shipped_axes_sequences",
    "shipped_sequences",
    "unfit",
    "wave_setpoints",
]
