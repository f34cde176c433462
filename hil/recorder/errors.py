"""Errors of runs on disk."""

from __future__ import annotations


class RunError(Exception):
    """A run cannot be written, read or repaired; the text names the place and the fix."""
