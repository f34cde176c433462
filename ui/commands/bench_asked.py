"""Options of the bench that a command starts, from its command line and the operator."""

from __future__ import annotations

import argparse
from pathlib import Path

from hil.host import BenchOptions
from hil.profile import Profile
from ui.commands.answers import say
from ui.commands.stated import stated_reference
from ui.commands.unverified import confirmed_unverified


def bench_asked(
    options: argparse.Namespace, profile: Profile, runs: Path, ask: bool = False
) -> BenchOptions:
    """Return the bench options that commands share: runs, opened limits, stated reference.

    Args:
        options: options of the command line, including those of ``add_unverified`` and
            ``add_reference``.
        ask: see :func:`ui.commands.stated.stated_reference`.

    Raises:
        CommandError: see :func:`ui.commands.unverified.confirmed_unverified`.
    """
    return BenchOptions(
        runs_directory=runs,
        tell=lambda text: say(options, text),
        unverified=confirmed_unverified(options, profile),
        at_lower_end=stated_reference(options, profile, ask),
    )
