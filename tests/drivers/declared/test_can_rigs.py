"""Described CAN boards against the simulated rig, over a real bus."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
import yaml
from pydantic import ValidationError

from drivers.base import Command, PowerRequest, PowerStage
from drivers.declared.can.options import DeclaredCanOptions
from drivers.registry import find_protocol
from drivers.simulated.drive_core import SimulatedDriveCore
from drivers.simulated.parameters import RigParameters
from tests.drivers.declared.declared_rig import ON, PERIOD_S, cycle, options_of, through_its_life

pytestmark = pytest.mark.real_time

# Invented: CAN FD, 29-bit identifiers, both byte orders, IEEE 754, a multiplexed message.
FLEXIBLE = """
protocol: declared_can
name: flexible board
bus: {interface: local_socket, channel: can.sock, fd: true}
messages:
  ASK: {id: 0x18FF0101, extended: true, length: 0}
  DEMAND:
    id: 0x18FF0102
    extended: true
    fd: true
    length: 12
    signals:
      MODE: {start: 0, bits: 2}
      TORQUE: {start: 15, bits: 32, order: big_endian, floating: true, when: 1}
      TORQUE_BY_HAND: {start: 8, bits: 16, when: 2}
      COUNT: {start: 72, bits: 6}
      CHECK: {start: 80, bits: 16}
    multiplexer: MODE
    values: {MODE: 1}
    counter: {signal: COUNT, modulo: 50}
    checksum:
      {signal: CHECK, width: 16, polynomial: 0x1021, init: 0xFFFF, first_identifier_bytes: 4}
  ORDER: {id: 0x7, length: 1, signals: {ACTION: {start: 0, bits: 2}}}
  BEAT: {id: 0x8, length: 1}
  STATE:
    id: 0x18FF0201
    extended: true
    fd: true
    length: 48
    signals:
      ANGLE: {start: 7, bits: 64, order: big_endian, floating: true}
      SPEED: {start: 71, bits: 32, order: big_endian, floating: true}
      TORQUE: {start: 96, bits: 16, floating: true}
      FLAGS: {start: 112, bits: 2}
      PROBE: {start: 305, bits: 17, order: big_endian, signed: true}
      COUNT: {start: 328, bits: 8}
      CHECK: {start: 359, bits: 32, order: big_endian}
    counter: {signal: COUNT}
    checksum:
      {signal: CHECK, width: 32, polynomial: 0x04C11DB7, init: 0xFFFFFFFF, reflect_in: true,
       reflect_out: true, xor_out: 0xFFFFFFFF}
  HEALTH:
    id: 0x201
    length: 4
    every: 5 ms
    multiplexer: PART
    signals:
      PART: {start: 6, bits: 2}
      VOLTAGE: {start: 15, bits: 16, order: big_endian, scale: 0.01, when: [0, 2]}
      TEMPERATURE: {start: 8, bits: 8, offset: -40, when: 1}
      INPUTS: {start: 16, bits: 8, when: 1}
      FAULT: {start: 8, bits: 16, when: 3}
gives:
  position: {from: STATE.ANGLE}
  velocity: {from: STATE.SPEED}
  torque: {from: STATE.TORQUE}
  status: {from: STATE.FLAGS}
  deflection: {from: STATE.PROBE}
  supply: {from: HEALTH.VOLTAGE}
  temperature: {from: HEALTH.TEMPERATURE}
  fault: {from: HEALTH.FAULT}
  inputs: {from: HEALTH.INPUTS}
takes:
  torque: {to: DEMAND.TORQUE, sign: -1, scale: 0.5}
poll: ASK
status: {energised: {mask: 1, equals: 1}, fault: {mask: 2, equals: 2}}
fault_texts: {0x2310: current above what the board carries}
sequences:
  energise: [{send: ORDER, with: {ACTION: 1}, expect: {energised: true}, within: 300 ms}]
  de_energise: [{send: ORDER, with: {ACTION: 0}}]
  clear_fault: [{send: ORDER, with: {ACTION: 2}, expect: {fault: false}, within: 300 ms}]
heartbeat: {send: BEAT, every: 20 ms}
host_loss: 100 ms
rated_torque: 1.26 N*m
peak_torque: 2.97 N*m
"""


def flexible(path: Path, text: str = FLEXIBLE) -> DeclaredCanOptions:
    data = yaml.safe_load(text)
    data["bus"]["channel"] = str(path)
    return DeclaredCanOptions.model_validate(data)


@pytest.mark.parametrize("name", ["treadle_can", "flexible"])
def test_a_can_board_through_its_life(tmp_path: Path, far: Any, name: str) -> None:
    path = tmp_path / "can.sock"
    options = flexible(path) if name == "flexible" else options_of(name, tmp_path)
    home = {"home_input": 3, "home_position_m": 1.0}  # active over the whole stroke
    core = SimulatedDriveCore(RigParameters().but(home), 1)
    board = far(options, core)
    drive: Any = find_protocol("declared_can").make(options, PERIOD_S)
    through_its_life(drive, core)
    telemetry = drive.telemetry
    assert telemetry.temperature_degC == pytest.approx(core.temperature_degC, abs=1.0)
    assert telemetry.digital_inputs == (1 << 3 if name == "flexible" else -1)
    counters = drive.board.counters
    assert (counters.malformed, counters.checksum_failures, counters.counter_gaps) == (0, 0, 0)
    # The host falls silent: the board stops and reports it.
    cycle(drive, ON, lambda: telemetry.power is PowerStage.ON)
    silent = Command(power=PowerRequest.ON, heartbeat=False)
    cycle(drive, silent, lambda: telemetry.power is PowerStage.FAULT)
    board.end()
    cycle(drive, ON, lambda: bool(telemetry.lost))
    drive.close()


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        (", fd: true}", "}", "add 'fd: true'"),
        ("values: {MODE: 1}", "values: {MODE: 1, TORQUE: 3}", ""),
        ("to: DEMAND.TORQUE,", "to: DEMAND.TORQUE_BY_HAND,", "only while 'MODE' is 2"),
        ("length: 48", "length: 32", "ends at bit 255"),
        ("length: 48", "length: 50", "12, 16, 20"),
        ("when: [0, 2]", "when: [0, 1]", "'VOLTAGE' at bit 8"),
        ("id: 0x18FF0201\n    extended: true", "id: 0x18FF0201", "needs 29 bits"),
        ("multiplexer: PART", "multiplexer: PARTS", "no signal 'PARTS'; did you mean"),
        ("id: 0x7,", "id: 0x8,", "id 0x8 is also that of 'ORDER'"),
    ],
)
def test_what_cannot_be_is_reported(old: str, new: str, words: str, tmp_path: Path) -> None:
    assert old in FLEXIBLE
    text = FLEXIBLE.replace(old, new)
    if not words:
        flexible(tmp_path, text)
        return
    with pytest.raises(ValidationError, match=words):
        flexible(tmp_path, text)
