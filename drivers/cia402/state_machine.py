"""The power drive system state machine of IEC 61800-7-201 (CiA 402), as pure functions."""

from __future__ import annotations

import enum
from typing import Final

from drivers.base import PowerRequest, PowerStage

# Looked up once: by its class, a member costs several look-ups in each cycle.
_TO_ON: Final = PowerRequest.ON
_TO_CLEAR_FAULT: Final = PowerRequest.CLEAR_FAULT
_TO_QUICK_STOP: Final = PowerRequest.QUICK_STOP


class DriveState(enum.Enum):
    """States by (mask, value) of the statusword."""

    NOT_READY_TO_SWITCH_ON = (0x4F, 0x00)
    SWITCH_ON_DISABLED = (0x4F, 0x40)
    READY_TO_SWITCH_ON = (0x6F, 0x21)
    SWITCHED_ON = (0x6F, 0x23)
    OPERATION_ENABLED = (0x6F, 0x27)
    QUICK_STOP_ACTIVE = (0x6F, 0x07)
    FAULT_REACTION_ACTIVE = (0x4F, 0x0F)
    FAULT = (0x4F, 0x08)


DISABLE_VOLTAGE: Final = 0x00
QUICK_STOP: Final = 0x02
SHUTDOWN: Final = 0x06
SWITCH_ON: Final = 0x07
ENABLE_OPERATION: Final = 0x0F
FAULT_RESET: Final = 0x80

_BY_BITS: Final[dict[int, DriveState]] = {}
for _bits in range(0x80):
    for _state in DriveState:
        if _bits & _state.value[0] == _state.value[1]:
            _BY_BITS[_bits] = _state

STAGE: Final[dict[DriveState, PowerStage]] = {
    DriveState.NOT_READY_TO_SWITCH_ON: PowerStage.OFF,
    DriveState.SWITCH_ON_DISABLED: PowerStage.OFF,
    DriveState.READY_TO_SWITCH_ON: PowerStage.OFF,
    DriveState.SWITCHED_ON: PowerStage.CHANGING,
    DriveState.OPERATION_ENABLED: PowerStage.ON,
    DriveState.QUICK_STOP_ACTIVE: PowerStage.QUICK_STOP,
    DriveState.FAULT_REACTION_ACTIVE: PowerStage.FAULT,
    DriveState.FAULT: PowerStage.FAULT,
}

_TOWARDS_ON: Final = {
    DriveState.SWITCH_ON_DISABLED: SHUTDOWN,
    DriveState.READY_TO_SWITCH_ON: SWITCH_ON,
    DriveState.SWITCHED_ON: ENABLE_OPERATION,
    DriveState.OPERATION_ENABLED: ENABLE_OPERATION,
}


# By the bits of the statusword: the hash of an enum member is computed by the interpreter.
_ON_WORDS: Final = [DISABLE_VOLTAGE] * 0x80
for _bits, _state in _BY_BITS.items():
    _ON_WORDS[_bits] = _TOWARDS_ON.get(_state, DISABLE_VOLTAGE)


def state_of(status_word: int) -> DriveState | None:
    """Return the state of a statusword; None for a bit pattern not in the standard."""
    return _BY_BITS.get(status_word & 0x6F)


def control_word(status_word: int, request: PowerRequest, reset_edge: bool = False) -> int:
    """Return the next controlword towards ``request``.

    ``reset_edge``: whether the last controlword had the fault-reset bit. The drive acts only on its
        rising edge, so the bit must fall in between.
    """
    if request is _TO_ON:
        return _ON_WORDS[status_word & 0x6F]
    state = state_of(status_word)
    if request is _TO_CLEAR_FAULT:
        return FAULT_RESET if state is DriveState.FAULT and not reset_edge else DISABLE_VOLTAGE
    if request is _TO_QUICK_STOP:
        running = (DriveState.OPERATION_ENABLED, DriveState.QUICK_STOP_ACTIVE)
        return QUICK_STOP if state in running else DISABLE_VOLTAGE
    return DISABLE_VOLTAGE
