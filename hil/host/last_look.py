"""Check, after the last command, that the drive reports power off."""

from __future__ import annotations

import time
from typing import NamedTuple

from drivers.base import Command, Drive, DriverError, PowerStage
from hil.control import ALLOWED_S

LONGEST_WATCH_S = 1.5  # longest wait for a drive's own watch; more would delay the end
MARGIN_S = 0.2
POWER_STAYED_ON = 4  # exit code of the rig host
POWER_ON_TEXT = "POWER IS STILL ON: press the emergency stop"


class LastLook(NamedTuple):
    """Result: ``text`` for people; ``still_on``: the drive reported power to the end."""

    text: str
    still_on: bool


def see_power_go(drive: Drive, period_s: float, seen_on: bool) -> LastLook:
    """Repeat OFF until the drive reports it, or its own watch must have acted; never raises.

    ``seen_on``: the bench saw power stay on, and has not seen it go off since; a silent drive is
    then treated as still on. From ``ALLOWED_S`` on, the heartbeat is withheld so that the drive's
    own watch acts.
    """
    capabilities = drive.capabilities
    started = time.monotonic()
    end = started + ALLOWED_S + min(capabilities.host_loss_s, LONGEST_WATCH_S) + MARGIN_S
    stage = PowerStage.ON if seen_on else PowerStage.UNKNOWN
    received = False
    while (now := time.monotonic()) < end:
        try:
            telemetry = drive.read(now + 0.6 * period_s)
            received = telemetry.time_s > started and not telemetry.lost
            if received:
                stage = telemetry.power
            if (
                received
                and capabilities.shows_power
                and stage in (PowerStage.OFF, PowerStage.FAULT)
            ):
                return LastLook("the drive reports that its power is off", False)
            withheld = now - started > ALLOWED_S or not capabilities.shows_power
            drive.write(Command(heartbeat=not withheld))
        except DriverError:
            drive.de_energise()
        left = now + period_s - time.monotonic()
        if left > 0.0:
            time.sleep(left)
    drive.de_energise()
    shown = stage in (PowerStage.ON, PowerStage.CHANGING, PowerStage.QUICK_STOP)
    if capabilities.shows_power and shown:
        return LastLook(POWER_ON_TEXT, True)
    return LastLook("power is presumed off: the drive does not report it", False)
