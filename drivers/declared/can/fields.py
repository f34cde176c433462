"""Fields of the profile's ``drive:`` mapping for protocol ``declared_can``."""

from __future__ import annotations

from typing import Literal

from drivers.declared.can.message_options import CanMessage, reach
from drivers.declared.can.signals import Signal
from drivers.declared.common import BoardOptions
from drivers.suggest import nearest
from drivers.transport import BusOptions


class DeclaredCanFields(BoardOptions):
    """Fields of the mapping, and the messages and signals that they name."""

    protocol: Literal["declared_can"] = "declared_can"
    bus: BusOptions
    dbc: str | None = None  # database file with messages; those below are added, or refine them
    messages: dict[str, CanMessage] = {}

    def message(self, place: str, name: str) -> CanMessage:
        if name not in self.messages:
            raise ValueError(f"{place}: no message '{name}'{nearest(name, self.messages)}")
        return self.messages[name]

    def command_ends(self, quantity: str) -> tuple[float, float] | None:
        """Return the smallest and largest number that a command's signal can hold."""
        for name, taken in self.takes.items():
            if str(name) == quantity:
                return reach(self.signal(f"takes.{quantity}", taken.target))
        return None

    def signal(self, place: str, path: str) -> Signal:
        message, dot, signal = path.partition(".")
        if not dot:
            raise ValueError(f"{place}: '{path}' is not a path; write it as message.signal")
        signals = self.message(place, message).signals
        if signal not in signals:
            raise ValueError(
                f"{place}: message '{message}' has no signal '{signal}'{nearest(signal, signals)}"
            )
        return signals[signal]
