"""The steps of the bring-up, in an order that never relies on anything not yet verified."""

from __future__ import annotations

from hil.bringup.step import Step
from hil.bringup.steps_at_rest import SENSORS_AT_REST
from hil.bringup.steps_by_hand import SENSORS_BY_HAND
from hil.bringup.steps_drive_limits import DRIVE_LIMITS
from hil.bringup.steps_first_motion import FIRST_MOTION
from hil.bringup.steps_force import SPRING_PUSH
from hil.bringup.steps_heat import HEAT
from hil.bringup.steps_loop import LOOP
from hil.bringup.steps_springs import SPRINGS_BY_HAND
from hil.bringup.steps_stop_chain import STOP_CHAIN
from hil.bringup.steps_travel import TRAVEL
from hil.bringup.steps_without_power import SUPPLY, TALK
from hil.bringup.steps_working_force import WORKING_FORCE

STEPS: tuple[Step, ...] = (
    TALK,
    SUPPLY,
    SENSORS_AT_REST,
    SENSORS_BY_HAND,
    SPRINGS_BY_HAND,
    DRIVE_LIMITS,
    STOP_CHAIN,
    FIRST_MOTION,
    TRAVEL,
    SPRING_PUSH,
    WORKING_FORCE,
    LOOP,
    HEAT,
)
