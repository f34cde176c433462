"""One fault of a simulated rig."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Literal

from drivers.simulated.parameters import RigParameters

Group = Literal["motor", "screw", "deflection", "springs", "supply", "drive", "bus", "rig"]
Change = Callable[[RigParameters], dict[str, Any]]


@dataclass(frozen=True)
class InjectedFault:
    """One fault of a rig.

    Attributes:
        code: its name in profiles. sentence: description.
        group: the affected part of the rig.
        change: changed parameters by name, for the intended rig.
        kind: the fault that a bring-up can identify, if it has several causes; empty for ``code``
            itself.
        kind_by_loop: likewise over a drive that takes velocity or position, if it differs.
        sources: sources of motion with which it can show, such as ``velocity``; empty for all.
    """

    code: str
    sentence: str
    group: Group
    change: Change
    kind: str = ""
    kind_by_loop: str = ""
    sources: tuple[str, ...] = ()

    @property
    def found_as(self) -> str:
        """Code of the finding that reports it."""
        return self.kind or self.code

    def found_over(self, source: str) -> str:
        """Code of the finding that names it over a source of motion (``control.source``)."""
        return self.found_as if source == "torque" else self.kind_by_loop or self.found_as
