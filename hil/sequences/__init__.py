"""Sessions written as YAML, and how they are performed."""

from hil.sequences.performing import perform
from hil.sequences.reading import load_sequence, shipped_sequences
from hil.sequences.sequence import Sequence, unfit

__all__ = ["Sequence", "load_sequence", "perform", "shipped_sequences", "unfit"]
