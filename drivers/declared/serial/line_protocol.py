"""Registration of ``declared_lines``."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

from drivers.base import Drive
from drivers.declared.serial.line_options import DeclaredLinesOptions
from drivers.transport import Budget, Claim

if TYPE_CHECKING:
    from drivers.transport import BusMonitor


class DeclaredLinesProtocol:
    """A board on a serial port whose lines of text the profile describes."""

    name = "declared_lines"
    options = DeclaredLinesOptions

    def make(self, options: Any, period_s: float) -> Drive:
        from drivers.declared.common import DeclaredDrive
        from drivers.declared.serial.line_board import LineBoard

        return DeclaredDrive(LineBoard(options), period_s)

    def simulate(self, options: Any, core: Any, control: Any) -> None:
        from drivers.declared.serial.simulated_lines import simulate_lines

        simulate_lines(options, core, control)

    def redirected(self, data: dict[str, Any], directory: Path) -> dict[str, Any]:
        """See ``drivers.base.Redirecting``."""
        from drivers.declared.serial.simulated import redirected

        return redirected(data, directory)

    def budgets(self, options: Any, period_s: float) -> tuple[Budget, ...]:
        """See ``drivers.transport.wire_budget.Budgeting``."""
        from drivers.declared.serial.budget import line_budget

        return line_budget(options, period_s)

    def claims(self, options: Any) -> tuple[Claim, ...]:
        """See ``drivers.transport.wire_claims.Claiming``: a serial port cannot be shared."""
        return (Claim(f"serial {options.port.path or options.port.usb}", "", "port", "port"),)

    def bus_monitor(self, options: Any, period_s: float) -> tuple[BusMonitor, ...]:
        """See ``drivers.transport.listening.Listenable``."""
        from functools import partial

        from drivers.declared.serial.line_codec import host_codec
        from drivers.declared.serial.listening import SerialEar

        return (SerialEar(options, partial(host_codec, options), period_s),)


protocol = DeclaredLinesProtocol()
