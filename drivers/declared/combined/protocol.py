"""Registration of ``combined``."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

from drivers.base import Drive
from drivers.declared.combined.options import CombinedOptions
from drivers.registry import find_protocol, redirected
from drivers.transport import Budget, Budgeting, BusMonitor, Claim, Claiming, Listenable


class CombinedProtocol:
    """Several devices, of any protocols, combined to one rig."""

    name = "combined"
    options = CombinedOptions

    def make(self, options: Any, period_s: float) -> Drive:
        from drivers.declared.combined.drive import CombinedDrive

        drives = {
            name: find_protocol(member.protocol).make(member, period_s)
            for name, member in options.members.items()
        }
        return CombinedDrive(drives, options, period_s)

    def simulate(self, options: Any, core: Any, control: Any) -> None:
        from drivers.declared.combined.simulated import simulate_devices

        simulate_devices(options, core, control)

    def redirected(self, data: dict[str, Any], directory: Path) -> dict[str, Any]:
        """See ``drivers.base.Redirecting``: each member has its own directory, made here."""
        members = {}
        for name, member in data["members"].items():
            own = directory / name
            own.mkdir(mode=0o700, parents=True, exist_ok=True)
            members[name] = redirected(member, own)
        return {**data, "members": members}

    def budgets(self, options: Any, period_s: float) -> tuple[Budget, ...]:
        """See ``drivers.transport.wire_budget.Budgeting``."""
        found = []
        for name, member in options.members.items():
            protocol = find_protocol(member.protocol)
            if isinstance(protocol, Budgeting):
                found += [
                    replace(budget, key=f"members.{name}.{budget.key}")
                    for budget in protocol.budgets(member, period_s)
                ]
        return tuple(found)

    def claims(self, options: Any) -> tuple[Claim, ...]:
        """See ``drivers.transport.wire_claims.Claiming``."""
        found = []
        for name, member in options.members.items():
            protocol = find_protocol(member.protocol)
            if isinstance(protocol, Claiming):
                place = f"members.{name}"
                found += [
                    replace(claim, key=f"{place}.{claim.key}", wire_key=f"{place}.{claim.wire_key}")
                    for claim in protocol.claims(member)
                ]
        return tuple(found)

    def bus_monitor(self, options: Any, period_s: float) -> tuple[BusMonitor, ...]:
        """See ``drivers.transport.listening.Listenable``."""
        found: list[BusMonitor] = []
        for member in options.members.values():
            protocol = find_protocol(member.protocol)
            if isinstance(protocol, Listenable):
                found += protocol.bus_monitor(member, period_s)
        return tuple(found)


protocol = CombinedProtocol()
