"""Sessions written as YAML, and their performance."""

from hil.sequences.pacing import Pacing
from hil.sequences.performing import OWN_STOP, describe, measured_value, perform, perform_times
from hil.sequences.preview import Preview, preview, wave_setpoints
from hil.sequences.reading import SEQUENCES, load_sequence, shipped_sequences
from hil.sequences.sequence import Sequence, unfit
from hil.sequences.sequence_steps import MEASURED_VALUES, STEP_MODELS, Head
from hil.sequences.taking_down import TakenDown

__all__ = [
    "MEASURED_VALUES",
    "OWN_STOP",
    "SEQUENCES",
    "STEP_MODELS",
    "Head",
    "Pacing",
    "Preview",
    "Sequence",
    "TakenDown",
    "describe",
    "load_sequence",
    "measured_value",
    "perform",
    "perform_times",
    "preview",
    "shipped_sequences",
    "unfit",
    "wave_setpoints",
]
