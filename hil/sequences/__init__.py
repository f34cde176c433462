"""Sessions written as YAML, and how they are performed."""

from hil.sequences.performing import perform
from hil.sequences.sequence import Sequence, load_sequence, unfit

__all__ = ["Sequence", "load_sequence", "perform", "unfit"]
