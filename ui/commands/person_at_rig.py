"""Person whom a command prompts: at this terminal, or simulated on a simulated rig."""

from __future__ import annotations

import argparse
import contextlib
import sys
from collections.abc import Callable

from hil.link import Client
from hil.procedures import LiveRunner, SimulatedOperator, open_environment
from hil.profile import Profile, rig_parameters
from ui.commands.answers import BAD_INPUT, CommandError
from ui.commands.terminal_operator import TerminalOperator


def add_simulated_person(parser: argparse.ArgumentParser) -> None:
    """Add the options that let a simulated person answer."""
    parser.add_argument(
        "--lockstep",
        action="store_true",
        help="simulated rig and person in this process, faster than real time",
    )
    parser.add_argument(
        "--simulated-operator",
        action="store_true",
        help="on a simulated rig in real time: a simulated person follows the prompts",
    )


def require_somebody(options: argparse.Namespace) -> None:
    """Require a person who can be prompted.

    Raises:
        CommandError: this is not a terminal, and no simulated person was requested.
    """
    if options.lockstep or options.simulated_operator:
        return
    if not (sys.stdin.isatty() and sys.stderr.isatty()):
        raise CommandError(
            "a person must answer, and this is not a terminal; on a simulated rig use --lockstep "
            "or --simulated-operator",
            BAD_INPUT,
        )


def require_fitting_person(options: argparse.Namespace, profile: Profile) -> None:
    """Require a person who can be prompted, a real one at a real rig.

    Raises:
        CommandError: see :func:`require_somebody`; or a simulated person at a real rig.
    """
    if profile.simulation is None and (options.lockstep or options.simulated_operator):
        raise CommandError(
            f"'{profile.name}' describes a real rig: a person must be present; leave "
            "--lockstep and --simulated-operator out",
            BAD_INPUT,
        )
    require_somebody(options)


def runner_of_person(
    options: argparse.Namespace,
    stack: contextlib.ExitStack,
    client: Client,
    profile: Profile,
    tell: Callable[[str], None],
) -> LiveRunner:
    """Return a runner that prompts the person; ``stack`` closes its resources.

    Args:
        profile: profile of the rig, for a simulated person.

    Raises:
        CommandError: a simulated person was requested, and the bench runs no simulated rig.
    """
    if not options.simulated_operator:
        terminal = stack.enter_context(TerminalOperator())
        return LiveRunner(client, None, terminal.confirm, tell, terminal)
    environment = open_environment(stack, client.description)
    if environment is None:
        raise CommandError("a real rig: leave --simulated-operator out", BAD_INPUT)
    person = SimulatedOperator(environment, rig_parameters(profile))
    return LiveRunner(client, environment, lambda _question: True, tell, person)
