"""``--cap-force`` and similar options: session limits narrower than the profile's."""

from __future__ import annotations

import argparse

from pydantic_core import PydanticCustomError

from drivers.quantities import dimension
from hil.control import cap_text, own_values
from hil.core import SessionCap
from hil.profile import Profile
from ui.commands.answers import BAD_INPUT, CommandError, say

OPTIONS = (
    ("force", "force_N", "N", "'100 N'", "cap the spring force for this session"),
    ("speed", "speed_m_s", "m/s", "'50 mm/s'", "cap the speed of the nut for this session"),
    (
        "stiffness",
        "stiffness_N_m",
        "N/m",
        "'5 N/mm'",
        "cap the stiffness of virtual springs for this session",
    ),
    (
        "bandwidth",
        "bandwidth_Hz",
        "Hz",
        "'10 Hz'",
        "cap the bandwidth of the force loop for this session",
    ),
)


def add_cap(parser: argparse.ArgumentParser) -> None:
    """Add the options to a command that starts a bench."""
    for name, _, _, example, words in OPTIONS:
        parser.add_argument(
            f"--cap-{name}",
            metavar="VALUE",
            help=f"{words}, such as {example}; the rig host enforces it",
        )


def cap_given(options: argparse.Namespace, profile: Profile, axis: str = "") -> SessionCap | None:
    """Return the session cap of the options; None without one.

    Args:
        axis: name of the axis among several, for the texts; '' for a single rig.

    Raises:
        CommandError: a value without unit, of the wrong dimension, or not above zero.
    """
    given: dict[str, float] = {}
    for name, key, unit, example, _ in OPTIONS:
        text = getattr(options, f"cap_{name}")
        if text is None:
            continue
        try:
            value = dimension(unit).parse(text)
        except PydanticCustomError as error:
            raise CommandError(f"--cap-{name}: {error.message()}", BAD_INPUT) from None
        if not value > 0.0:
            raise CommandError(
                f"--cap-{name} {text}: not above zero. Fix: write for instance {example}", BAD_INPUT
            )
        given[key] = value
    if not given:
        return None
    cap = SessionCap.model_validate(given)
    own = own_values(profile)
    begins = f"{axis}: " if axis else ""
    for name, key, _, _, _ in OPTIONS:
        if key in given and given[key] > own[key]:
            say(options, f"{begins}--cap-{name} has no effect: the profile's own limit is narrower")
    say(options, f"{begins}session cap {cap_text(cap)}")
    return cap


def refuse_cap(options: argparse.Namespace, why: str) -> None:
    """Refuse the options where they cannot take effect.

    Raises:
        CommandError: one was given.
    """
    given = [name for name, *_ in OPTIONS if getattr(options, f"cap_{name}") is not None]
    if given:
        raise CommandError(f"--cap-{given[0]}: {why}", BAD_INPUT)
