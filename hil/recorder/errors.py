"""Errors of runs on disk."""

from __future__ import annotations


class RunError(Exception):
    """Error of a run that cannot be written, read or repaired; the text names place and fix."""
