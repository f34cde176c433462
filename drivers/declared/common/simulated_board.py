"""Simulated board of any wire: it obeys commands, reports its state, watches its host.

It mirrors the description: it obeys as orders to energise what the bench sends as such.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

from drivers.base import Mode, PowerRequest, PowerStage
from drivers.declared.common.board import TORQUE_OFFSET, BoardOptions, Masked, SequenceStep

ORDERS = ("de_energise", "clear_fault", "energise")
POWER = {
    "de_energise": PowerRequest.OFF,
    "clear_fault": PowerRequest.CLEAR_FAULT,
    "energise": PowerRequest.ON,
}
MODES = {"velocity": Mode.VELOCITY, "position": Mode.POSITION}


class BoardLogic:
    """Power stage, readings and the watch over the host, in front of a simulated drive core."""

    def __init__(self, options: BoardOptions, core: Any) -> None:
        self._options = options
        self._core = core
        self._received_s: float | None = None  # no watch before the host's first message
        self._asked = PowerRequest.OFF

    def order(self, message: str, matches: Callable[[Mapping[str, float]], bool]) -> bool:
        """Act on a message that is a step of an order. ``matches`` compares its values.

        The order is complete with its last sending step.
        """
        for name in ORDERS:
            steps: tuple[SequenceStep, ...] = getattr(self._options.sequences, name)
            sending = [step for step in steps if step.send is not None]
            if sending and sending[-1].send == message and matches(sending[-1].values):
                self._asked = POWER[name]
                self._core.request_power(self._asked)
                if self._asked is PowerRequest.CLEAR_FAULT:
                    self._asked = PowerRequest.OFF
                return True
        return False

    def target(self, quantity: str, value: float) -> None:
        """Take a command in SI."""
        if quantity == "current":
            quantity, value = "torque", value * (self._options.torque_constant or 1.0)
        if quantity == TORQUE_OFFSET:
            self._core.add_torque(value)
            return
        self._core.set_target(MODES.get(quantity, Mode.TORQUE), value)

    def received(self, now_s: float) -> None:
        """Note a heartbeat of the host."""
        self._received_s = now_s

    def watch(self, now_s: float) -> None:
        """Stop if the host has fallen silent."""
        limit = self._options.host_loss
        if (
            limit is not None
            and self._received_s is not None
            and now_s - self._received_s > limit
            and self._core.power is PowerStage.ON
        ):
            self._core.host_lost()

    def reading(self, quantity: str) -> float:
        """Return one quantity as the board measures it, SI (deflection in counts)."""
        core = self._core
        if quantity == "position":
            return float(core.position_counts * self._rad_per_count())
        if quantity == "velocity":
            return float(core.velocity_rad_s)
        if quantity == "torque":
            return float(core.torque_N_m)
        if quantity == "current":
            return float(core.torque_N_m) / (self._options.torque_constant or 1.0)
        if quantity == "supply":
            return float(core.supply_V)
        if quantity == "supply_current":
            return float(core.supply_A)
        if quantity == "temperature":
            return float(core.temperature_degC)
        if quantity == "inputs":
            return float(max(0, core.digital_inputs))
        if quantity == "deflection":
            return float(core.deflection_counts)
        if quantity == "fault":
            return float(core.fault_code)
        return float(self.status())

    def status(self) -> int:
        """Return the status number for the present state by the description."""
        declared = self._options.status
        if declared is None:
            return 0
        stage = self._core.power
        number = _shown(0, declared.energised, stage in (PowerStage.ON, PowerStage.QUICK_STOP))
        if declared.fault is not None:
            number = _shown(number, declared.fault, stage is PowerStage.FAULT)
        return number

    def _rad_per_count(self) -> float:
        return 6.283185307179586 / float(self._core.parameters.encoder_counts_per_revolution)


def _shown(number: int, state: Masked, stands: bool) -> int:
    """Return the number with the masked bits set so that ``state`` is active, or not."""
    lowest = state.mask & -state.mask
    bits = state.equals if stands else state.equals ^ lowest
    return number & ~state.mask | bits
