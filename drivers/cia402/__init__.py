"""CiA 402 drives over CAN (CiA 301, IEC 61800-7-201)."""

from __future__ import annotations

from typing import Any

from drivers.base import Drive
from drivers.cia402.options import Cia402Options


class Cia402Protocol:
    """Registered as ``cia402``."""

    name = "cia402"
    options = Cia402Options

    def make(self, options: Any, period_s: float) -> Drive:
        from drivers.cia402.drive import Cia402Drive

        return Cia402Drive(options, period_s)

    def simulate(self, options: Any, core: Any, door: Any) -> None:
        from drivers.cia402.simulation import simulate

        simulate(options, core, door)


protocol = Cia402Protocol()
