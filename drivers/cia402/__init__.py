"""CiA 402 drives over CAN (CiA 301, IEC 61800-7-201)."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from drivers.base import Drive, Shortcoming
from drivers.cia402.options import Cia402Options
from drivers.transport import Budget, Claim

if TYPE_CHECKING:
    from drivers.transport import BusMonitor


class Cia402Protocol:
    """Registered as ``cia402``."""

    name = "cia402"
    options = Cia402Options

    def make(self, options: Any, period_s: float) -> Drive:
        from drivers.cia402.drive import Cia402Drive

        return Cia402Drive(options, period_s)

    def simulate(self, options: Any, core: Any, control: Any) -> None:
        from drivers.cia402.simulation import simulate

        simulate(options, core, control)

    def budgets(self, options: Any, period_s: float) -> tuple[Budget, ...]:
        """See ``drivers.transport.wire_budget.Budgeting``."""
        from drivers.cia402.budget import budgets

        return budgets(options, period_s)

    def claims(self, options: Any) -> tuple[Claim, ...]:
        """See ``drivers.transport.wire_claims.Claiming``."""
        from drivers.cia402.budget import claims

        return claims(options)

    def shortcomings(self, options: Any) -> list[Shortcoming]:
        """See ``drivers.base.Examining``."""
        from drivers.cia402.data_sheet import DataSheet

        return DataSheet.shortcomings(options)

    def bus_monitor(self, options: Any, period_s: float) -> tuple[BusMonitor, ...]:
        """See ``drivers.transport.listening.Listenable``."""
        from drivers.cia402.listening import bus_monitor

        return (bus_monitor(options),)


protocol = Cia402Protocol()
