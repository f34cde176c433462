"""The postern board, simulated: its firmware in front of the simulated rig."""

from __future__ import annotations

import math
import random
from typing import Any

from drivers.base import Mode, PowerRequest, PowerStage
from hookeline_postern import frames
from hookeline_postern.options import PosternOptions

STAGE = {
    PowerStage.OFF: frames.IS_OFF,
    PowerStage.CHANGING: frames.IS_CHANGING,
    PowerStage.ON: frames.IS_ON,
    PowerStage.FAULT: frames.IS_FAULT,
}


class PosternBoard:
    """A board that ``drivers.declared.serial.simulated.simulate_serial`` runs.

    Attributes:
        out: bytes waiting to be sent.
    """

    def __init__(self, options: PosternOptions, core: Any) -> None:
        self._key = options.key
        self._core = core
        self._framer = frames.Framer()
        self._chance = random.Random(1)
        self._challenge = 0  # 0: no challenge is open
        self._host_loss_s = 0.0
        self._received_s = math.inf  # no watch before the first frame of the host
        self._number = 0
        self.out = bytearray()

    def next_due_s(self) -> float:
        """Return infinity: the board never sends unasked."""
        return math.inf

    def take(self, chunk: bytes, now_s: float) -> None:
        """Take bytes from the host; the physics is already at the present time."""
        for kind, content in self._framer.feed(chunk):
            self._obey(kind, content, now_s)
        if self._core.environment.silent:
            self.out.clear()

    def tick(self, now_s: float) -> None:
        """Watch over the host."""
        if now_s - self._received_s > self._host_loss_s and self._core.power is PowerStage.ON:
            self._core.host_lost()

    def _obey(self, kind: int, content: bytes, now_s: float) -> None:
        core = self._core
        if kind == frames.ASK:
            self.out += frames.frame(frames.STATE, self._state())
        elif kind == frames.ALIVE:
            self._received_s = now_s
        elif kind == frames.TORQUE:
            core.set_target(Mode.TORQUE, frames.TARGET.unpack_from(content)[0])
        elif kind == frames.KNOCK:
            self._challenge = self._chance.randrange(1, 1 << 32)
            self._say_number(self._challenge)
        elif kind == frames.UNLOCK:
            self._unlock(frames.NUMBER.unpack_from(content)[0])
        elif kind == frames.OFF:
            self._challenge = 0
            core.request_power(PowerRequest.OFF)
        elif kind == frames.CLEAR:
            core.request_power(PowerRequest.CLEAR_FAULT)
        elif kind == frames.INTRODUCE:
            milliseconds = frames.TERMS.unpack_from(content)[0]
            self._host_loss_s = 1e-3 * milliseconds
            p = core.parameters
            self.out += frames.frame(
                frames.IDENTITY,
                frames.TOLD.pack(
                    b"postern",
                    p.encoder_counts_per_revolution,
                    p.rated_torque_N_m,
                    p.drive_max_torque_N_m,
                    milliseconds,
                ),
            )

    def _unlock(self, answer: int) -> None:
        challenge, self._challenge = self._challenge, 0  # valid for one answer
        if challenge and answer == frames.answer(challenge, self._key):
            self._core.request_power(PowerRequest.ON)
        else:
            self._say_number(0)

    def _say_number(self, number: int) -> None:
        self.out += frames.frame(frames.CHALLENGE, frames.NUMBER.pack(number))

    def _state(self) -> bytes:
        core = self._core
        self._number = (self._number + 1) % 256
        return frames.STATUS.pack(
            STAGE.get(core.power, frames.IS_ON),
            self._number,
            core.fault_code,
            core.position_counts,
            core.velocity_rad_s,
            core.torque_N_m,
            core.deflection_counts,
            core.supply_V,
            round(10 * core.temperature_degC),
        )
