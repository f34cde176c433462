"""Registration of ``declared_can``."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from drivers.base import Drive
from drivers.declared.can.options import DeclaredCanOptions
from drivers.transport import Budget, Claim

if TYPE_CHECKING:
    from drivers.transport import BusMonitor


class DeclaredCanProtocol:
    """A board on a CAN bus whose messages the profile describes."""

    name = "declared_can"
    options = DeclaredCanOptions

    def make(self, options: Any, period_s: float) -> Drive:
        from drivers.declared.can.board import CanBoard
        from drivers.declared.common import DeclaredDrive

        return DeclaredDrive(CanBoard(options), period_s)

    def simulate(self, options: Any, core: Any, control: Any) -> None:
        from drivers.declared.can.simulated import simulate_can

        simulate_can(options, core, control)

    def budgets(self, options: Any, period_s: float) -> tuple[Budget, ...]:
        """See ``drivers.transport.wire_budget.Budgeting``."""
        from drivers.declared.can.budget import budgets

        return budgets(options, period_s)

    def claims(self, options: Any) -> tuple[Claim, ...]:
        """See ``drivers.transport.wire_claims.Claiming``."""
        from drivers.declared.can.budget import claims

        return claims(options)

    def bus_monitor(self, options: Any, period_s: float) -> tuple[BusMonitor, ...]:
        """See ``drivers.transport.listening.Listenable``."""
        from drivers.declared.can.listening import bus_monitor

        return (bus_monitor(options, period_s),)


protocol = DeclaredCanProtocol()
