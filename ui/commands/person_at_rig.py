"""The person whom a command asks: at this terminal, or simulated on a simulated rig."""

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
    """Add the options by which a simulated person answers."""
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
    """Require a person who can be asked.

    Raises:
        CommandError: this is not a terminal, and nobody simulated was asked for.
    """
    if options.lockstep or options.simulated_operator:
        return
    if not (sys.stdin.isatty() and sys.stderr.isatty()):
        raise CommandError(
            "a person must be asked, and this is not a terminal; on a simulated rig use --lockstep "
            "or --simulated-operator",
            BAD_INPUT,
        )


def require_fitting_person(options: argparse.Namespace, profile: Profile) -> None:
    """Require a person who can be asked, a real one at a real rig.

    Raises:
        CommandError: see :func:`require_somebody`; or a real rig, and a simulated person.
    """
    if profile.simulation is None and (options.lockstep or options.simulated_operator):
        raise CommandError(
            f"'{profile.name}' describes a real rig: a person must be there; leave "
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
    """Return a runner that asks the person; ``stack`` closes what that needs.

    Args:
        profile: of the rig, by which a simulated person works.

    Raises:
        CommandError: a simulated person was asked for, and the bench opens no simulated rig.
    """
    if not options.simulated_operator:
        terminal = stack.enter_context(TerminalOperator())
        return LiveRunner(client, None, terminal.confirm, tell, terminal)
    environment = open_environment(stack, client.description)
    if environment is None:
        raise CommandError("a real rig: leave --simulated-operator out", BAD_INPUT)
    person = SimulatedOperator(environment, rig_parameters(profile))
    return LiveRunner(client, environment, lambda _question: True, tell, person)
