"""One thing wrong with a simulated rig."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Literal

from drivers.simulated.parameters import RigParameters

Group = Literal["motor", "screw", "deflection", "springs", "supply", "drive", "bus", "rig"]
Change = Callable[[RigParameters], dict[str, Any]]


@dataclass(frozen=True)
class InjectedFault:
    """One thing wrong with a rig.

    Attributes:
        code: its name in profiles. sentence: what is wrong, in words.
        group: the part of the rig that it concerns.
        change: the parameters it alters, by name, for the rig as it was meant.
        kind: the fault that a bring-up can tell it to be, where that has several causes;
            empty if ``code`` itself says it.
    """

    code: str
    sentence: str
    group: Group
    change: Change
    kind: str = ""

    @property
    def found_as(self) -> str:
        """Code of the finding that names it."""
        return self.kind or self.code
