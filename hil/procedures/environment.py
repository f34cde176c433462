"""Access to the environment of a simulated rig for those who run procedures on it."""

from __future__ import annotations

import contextlib
from collections.abc import Mapping
from typing import Any

from drivers.simulated import EnvironmentClient


def open_environment(
    stack: contextlib.ExitStack, description: Mapping[str, Any]
) -> EnvironmentClient | None:
    """Open the environment of the simulated rig that a bench describes; ``stack`` closes it.

    Returns:
        The environment; None on a real rig, or if the bench does not offer it.
    """
    endpoint = description.get("environment")
    if not endpoint:
        return None
    environment = EnvironmentClient(str(endpoint))
    stack.callback(environment.close)
    return environment
