"""Leaving an end, whatever the estimated load: a cap that blocks motion away gives way.

The caps depend on a learned load, which may be wrong: an end that pushes back reads like a
weight. A cap towards an end may then lie above every force that leads away. The evidence
against such a load is an output that does not move away while its force is at the cap
and the far end is distant. Each such cycle opens the cap a little; motion
away closes it again before speed has built up, so that a true weight is still braked.
"""

from __future__ import annotations

from typing import Final

OPENED_S: Final = 0.3  # from closed to the flat limit; measured: 7.5 kg then leave at 30 to 40 mm/s
CLOSED_S: Final = 0.03  # time constant once the output moves or the cap no longer blocks
LEAVING_M_S: Final = 0.005  # speed away from which the output counts as leaving
ROOM_M: Final = 0.005  # distance to the far end below which the cap rightly blocks


class Leaving:
    """One direction of motion.

    Attributes:
        opened_N: force by which the cap has given way, 0 to the whole span of the flat limits.
    """

    def __init__(self) -> None:
        self.opened_N = 0.0

    def follow(
        self, blocked: bool, room_m: float, speed_m_s: float, span_N: float, dt: float
    ) -> None:
        """Take one cycle.

        Args:
            blocked: the shaped force is at the cap.
            room_m: distance to the end that the cap guards.
            speed_m_s: speed of the output towards that end.
            span_N: force between the flat limits.
        """
        if blocked and room_m > ROOM_M and speed_m_s < LEAVING_M_S:
            opened = self.opened_N + span_N * dt / OPENED_S
            self.opened_N = opened if opened < span_N else span_N
        elif self.opened_N != 0.0:
            left = self.opened_N * CLOSED_S / (CLOSED_S + dt)
            self.opened_N = left if left > 0.1 else 0.0
