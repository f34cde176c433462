"""The postern board, invented as an example: it requires a secret before it powers on.

The board answers each request for power with a newly drawn number, and powers on only for the
checksum of that number and a key. A description of messages cannot express this exchange; it takes
a program.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

from drivers.base import Drive
from drivers.transport.wire_budget import Budget
from hookeline_postern.options import PosternOptions


class PosternProtocol:
    """Protocol registered as ``postern``."""

    name = "postern"
    options = PosternOptions

    def make(self, options: Any, period_s: float) -> Drive:
        from hookeline_postern.drive import PosternDrive

        return PosternDrive(options)

    def simulate(self, options: Any, core: Any, control: Any) -> None:
        from drivers.declared.serial.simulated import simulate_serial
        from hookeline_postern.board import PosternBoard

        simulate_serial(options, core, control, PosternBoard(options, core))

    def redirected(self, data: dict[str, Any], directory: Path) -> dict[str, Any]:
        """See ``drivers.base.Redirecting``: the port of a simulated board."""
        from drivers.declared.serial.simulated import redirected

        return redirected(data, directory)

    def budgets(self, options: Any, period_s: float) -> tuple[Budget, ...]:
        """See ``drivers.transport.wire_budget.Budgeting``."""
        from hookeline_postern.budget import budgets

        return budgets(options, period_s)


protocol = PosternProtocol()
