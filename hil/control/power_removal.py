"""Removal of power, verified: off is what the drive reports, not what it was sent."""

from __future__ import annotations

import enum
import math
from typing import Final

from drivers.base import MISSED_INTERVALS, Capabilities, PowerStage

# From OFF until the drive must report it. Common practice, no source: a power stage blocks its
# bridge within a millisecond; the rest is for a status that comes late. Meanwhile a drive that
# stays on without torque lets the load fall: 50 ms mean 70 mm/s on the lever rig.
ALLOWED_S: Final = 0.05
MOST_COUNTED_S: Final = 0.005  # of one cycle: after a pause the first status may be from before it
DECAY: Final = 0.25  # of the time for which OFF is reported: a stage that flickers is not off
WATCH_MARGIN_S: Final = 0.2  # after the drive's own watch over its host must have acted
NO_WATCH_S: Final = (
    1.0  # OFF is repeated for this long without such a watch; common practice, no source
)

_SHOWN_OFF: Final = (PowerStage.OFF, PowerStage.FAULT)
_SHOWN_ON: Final = (PowerStage.ON, PowerStage.CHANGING, PowerStage.QUICK_STOP)


class Removal(enum.Enum):
    """Finding of one cycle."""

    NONE = enum.auto()
    STILL_ON = enum.auto()  # OFF was sent, or nothing was requested, and the drive reports power
    SHOWN_OFF = enum.auto()  # after STILL_ON
    PRESUMED_OFF = enum.auto()  # the drive does not report it, but its watch must have acted


class PowerRemoval:
    """Watch over the power stage in every cycle that requests no power.

    Args:
        shows_power: the drive reports its power stage.
        host_loss_s: the drive's own watch over its host; infinite for none.
        status_interval_s: between two values of the power stage; OFF must be seen by then.

    Attributes:
        still_on: the drive reported power that was not requested, and has not reported OFF since.
        presumed: off is presumed; the drive does not report it.
    """

    def __init__(
        self, shows_power: bool, host_loss_s: float, status_interval_s: float = 0.0
    ) -> None:
        self._allowed_s = max(ALLOWED_S, MISSED_INTERVALS * status_interval_s)
        self._shows_power = shows_power
        self._watch_s = host_loss_s + WATCH_MARGIN_S if host_loss_s < math.inf else NO_WATCH_S
        self.has_watch = host_loss_s < math.inf
        self.still_on = False
        self.presumed = False
        self._asked = False  # power was requested, and was not seen to go off since
        self._on_s = 0.0
        self._unseen_s = 0.0

    @classmethod
    def of_drive(cls, capabilities: Capabilities) -> PowerRemoval:
        """Build one for a drive, from its capabilities."""
        c = capabilities
        return cls(c.shows_power, c.host_loss_s, c.status_interval_s)

    @property
    def pending(self) -> bool:
        """True if power was removed and is neither reported nor presumed off."""
        return self.still_on or self._asked

    @property
    def withhold_heartbeat(self) -> bool:
        """True if the heartbeat is to be withheld, so that the drive's own watch acts."""
        if self.still_on:
            return True
        return self._asked and self._unseen_s > (self._allowed_s if self._shows_power else 0.0)

    def forgive(self) -> None:
        """End a provoked loss: a power stage not seen meanwhile is not a finding."""
        if not self.still_on:
            self._asked = False
            self._on_s = self._unseen_s = 0.0

    def follow(self, asked: bool, stage: PowerStage, fresh: bool, dt_s: float) -> Removal:
        """Follow one cycle.

        Args:
            asked: the command that the drive has requests power.
            stage: as reported by the drive; ``fresh``: this is not an old value.
        """
        if asked:
            self._asked = True
            self.presumed = False
            self._on_s = self._unseen_s = 0.0
            return Removal.NONE
        if not self._shows_power:
            return self._unseen(dt_s)
        if fresh and stage in _SHOWN_ON:
            self._unseen_s = 0.0
            self._on_s = min(self._on_s + min(dt_s, MOST_COUNTED_S), self._allowed_s + dt_s)
            if self._on_s <= self._allowed_s or self.still_on:
                return Removal.NONE
            self.still_on = True
            self.presumed = False
            return Removal.STILL_ON
        if fresh and stage in _SHOWN_OFF:
            self._unseen_s = 0.0
            self._on_s = max(0.0, self._on_s - DECAY * dt_s)
            if self._on_s > 0.0:
                return Removal.NONE
            was_on, self.still_on, self._asked, self.presumed = self.still_on, False, False, False
            return Removal.SHOWN_OFF if was_on else Removal.NONE
        # A drive that was seen on and then fell silent stays so: it was not seen to go off.
        return Removal.NONE if self.still_on else self._unseen(dt_s)

    def _unseen(self, dt_s: float) -> Removal:
        if not self._asked:
            return Removal.NONE
        self._unseen_s += dt_s
        if self._unseen_s <= self._watch_s + (self._allowed_s if self._shows_power else 0.0):
            return Removal.NONE
        self._asked = False
        self.presumed = True
        return Removal.PRESUMED_OFF
