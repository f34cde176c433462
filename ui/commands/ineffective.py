"""Options that take no effect beside the others given."""

from __future__ import annotations

import argparse
from collections.abc import Iterable

from ui.commands.answers import BAD_INPUT, CommandError

OF_ITS_START = ("disturb", "unverified", "reference-at-lower-end")  # of a bench
DESTINATIONS = {"from": "start_s", "to": "end_s", "rate": "rate_hz", "try": "trial"}


def refuse_ineffective(options: argparse.Namespace, names: Iterable[str], why: str) -> None:
    """Refuse options that would be ignored: a person relies on what was accepted.

    Args:
        names: options without their dashes.
        why: end of the sentence "--NAME has no effect ...".

    Raises:
        CommandError: one of them was given.
    """
    for name in names:
        given = getattr(options, DESTINATIONS.get(name, name.replace("-", "_")))
        if given is not None and given is not False:
            raise CommandError(f"--{name} has no effect {why}. Fix: leave it out", BAD_INPUT)
