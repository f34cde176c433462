"""Statusword and controlword against the tables of CiA 402."""

from __future__ import annotations

import pytest
from canopen.profiles.p402 import State402
from hypothesis import given
from hypothesis import strategies as st

from drivers.base import PowerRequest
from drivers.cia402.emergency import text_of
from drivers.cia402.state_machine import (
    ENABLE_OPERATION,
    FAULT_RESET,
    DriveState,
    control_word,
    state_of,
)

words = st.integers(0, 0xFFFF)


@given(words)
def test_state_agrees_with_the_canopen_package(word):
    """Independent table: State402.SW_MASK of the ``canopen`` package (CiA 402)."""
    expected = [name for name, (mask, value) in State402.SW_MASK.items() if word & mask == value]
    state = state_of(word)
    name = None if state is None else state.name.replace("_", " ")
    assert name in expected if expected else name is None


@given(words, st.sampled_from(list(PowerRequest)), st.booleans())
def test_operation_is_enabled_only_when_on_is_asked(word, request, edge):
    out = control_word(word, request, edge)
    if request is not PowerRequest.ON:
        assert out & 0x0F != ENABLE_OPERATION
    if out == FAULT_RESET:
        assert request is PowerRequest.CLEAR_FAULT and state_of(word) is DriveState.FAULT
    if state_of(word) in (DriveState.FAULT, DriveState.FAULT_REACTION_ACTIVE, None):
        assert out in (0, FAULT_RESET)


@pytest.mark.parametrize("request_", [PowerRequest.OFF, PowerRequest.CLEAR_FAULT])
def test_off_disables_voltage_from_every_state(request_):
    for state in DriveState:
        if state is not DriveState.FAULT:
            assert control_word(state.value[1], request_) & 0x02 == 0


def test_fault_reset_bit_falls_between_two_tries():
    fault = DriveState.FAULT.value[1]
    assert control_word(fault, PowerRequest.CLEAR_FAULT, False) == FAULT_RESET
    assert control_word(fault, PowerRequest.CLEAR_FAULT, True) == 0


@given(words)
def test_every_emergency_code_has_words(code):
    assert text_of(code)


def test_known_emergency_codes():
    # CiA 301, emergency error codes: 8130h life guard or heartbeat error, 32xx internal voltage.
    assert "heartbeat" in text_of(0x8130)
    assert "voltage" in text_of(0x3299)
