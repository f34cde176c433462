"""The rig as a page runs procedures on it: their runner, and the hands of a simulated one. No Qt."""

from __future__ import annotations

from typing import Protocol

from drivers.simulated import EnvironmentClient
from hil.procedures import Ended, Procedure, SimulatedOperator
from hil.profile import Profile, rig_parameters
from ui.dashboard.guided.page_operator import PageOperator


class PageRun(Protocol):
    """A procedure that runs for a page and may be aborted from another thread.

    Attributes:
        why: reason for the abort as text, or ''.
    """

    why: str

    def run(self, procedure: Procedure) -> Ended: ...
    def abort(self, why: str) -> None: ...


def make_operator(
    environment: EnvironmentClient | None, profile: Profile, alone: bool
) -> PageOperator:
    """Return the person at the page; in a simulated environment, with simulated hands."""
    if environment is None:
        return PageOperator(None, alone)
    hands = SimulatedOperator(environment, rig_parameters(profile))
    return PageOperator(hands, alone, environment.hang, environment.drop)
