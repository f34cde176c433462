"""Options of the bench that a command starts, as its line says and the operator confirms."""

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
    """Return what every bench of a command needs: runs, limits opened, reference stated.

    Args:
        options: of the line, those of ``add_unverified`` and ``add_reference`` among them.
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
