"""Object indices and value types of CiA 301 and CiA 402 that are used here."""

from __future__ import annotations

import struct

DEVICE_TYPE = 0x1000
ERROR_REGISTER = 0x1001
SYNC_COB_ID = 0x1005
DEVICE_NAME = 0x1008
EMCY_COB_ID = 0x1014
CONSUMER_HEARTBEAT = 0x1016
PRODUCER_HEARTBEAT = 0x1017
IDENTITY = 0x1018
RPDO_COMMUNICATION = 0x1400
RPDO_MAPPING = 0x1600
TPDO_COMMUNICATION = 0x1800
TPDO_MAPPING = 0x1A00
ABORT_CONNECTION_OPTION = 0x6007
ERROR_CODE = 0x603F
CONTROL_WORD = 0x6040
STATUS_WORD = 0x6041
QUICK_STOP_OPTION = 0x605A
MODES_OF_OPERATION = 0x6060
MODES_OF_OPERATION_DISPLAY = 0x6061
POSITION_ACTUAL = 0x6064
VELOCITY_ACTUAL = 0x606C
TARGET_TORQUE = 0x6071
MAX_TORQUE = 0x6072
MAX_CURRENT = 0x6073
MOTOR_RATED_CURRENT = 0x6075
MOTOR_RATED_TORQUE = 0x6076
TORQUE_ACTUAL = 0x6077
DC_LINK_VOLTAGE = 0x6079
DIGITAL_INPUTS = 0x60FD
TARGET_POSITION = 0x607A
TORQUE_OFFSET = 0x60B2
MAX_MOTOR_SPEED = 0x6080
ENCODER_RESOLUTION = 0x608F
INTERPOLATION_PERIOD = 0x60C2
TARGET_VELOCITY = 0x60FF
SUPPORTED_MODES = 0x6502

EVENT_TIMER = 5  # subindex of a PDO's communication record; of an RPDO its deadline (CiA 301)
PREDEFINED_PDOS = 4  # of each direction (CiA 301, pre-defined connection set)

NAMES: dict[int, str] = {
    DEVICE_TYPE: "device type",
    ERROR_REGISTER: "error register",
    SYNC_COB_ID: "COB-ID SYNC message",
    DEVICE_NAME: "manufacturer device name",
    EMCY_COB_ID: "COB-ID EMCY",
    CONSUMER_HEARTBEAT: "consumer heartbeat time",
    PRODUCER_HEARTBEAT: "producer heartbeat time",
    IDENTITY: "identity object",
    ABORT_CONNECTION_OPTION: "abort connection option code",
    ERROR_CODE: "error code",
    CONTROL_WORD: "controlword",
    STATUS_WORD: "statusword",
    QUICK_STOP_OPTION: "quick stop option code",
    MODES_OF_OPERATION: "modes of operation",
    MODES_OF_OPERATION_DISPLAY: "modes of operation display",
    POSITION_ACTUAL: "position actual value",
    VELOCITY_ACTUAL: "velocity actual value",
    TARGET_TORQUE: "target torque",
    TORQUE_OFFSET: "torque offset",
    MAX_TORQUE: "max torque",
    MAX_CURRENT: "max current",
    MAX_MOTOR_SPEED: "max motor speed",
    MOTOR_RATED_CURRENT: "motor rated current",
    MOTOR_RATED_TORQUE: "motor rated torque",
    TORQUE_ACTUAL: "torque actual value",
    DC_LINK_VOLTAGE: "DC link circuit voltage",
    DIGITAL_INPUTS: "digital inputs",
    TARGET_POSITION: "target position",
    ENCODER_RESOLUTION: "position encoder resolution",
    INTERPOLATION_PERIOD: "interpolation time period",
    TARGET_VELOCITY: "target velocity",
    SUPPORTED_MODES: "supported drive modes",
}

PDO_RANGES = (
    (RPDO_COMMUNICATION, RPDO_MAPPING, "communication of RPDO"),
    (RPDO_MAPPING, TPDO_COMMUNICATION, "mapping of RPDO"),
    (TPDO_COMMUNICATION, TPDO_MAPPING, "communication of TPDO"),
    (TPDO_MAPPING, 0x1C00, "mapping of TPDO"),
)

FORMATS: dict[str, str] = {
    "INTEGER8": "b",
    "INTEGER16": "h",
    "INTEGER32": "i",
    "UNSIGNED8": "B",
    "UNSIGNED16": "H",
    "UNSIGNED32": "I",
}


def size(kind: str) -> int:
    """Return the size of a type in bytes."""
    return struct.calcsize("<" + FORMATS[kind])


def name_of(index: int, subindex: int = 0) -> str:
    """Return ``0x6040 controlword``, with the subindex if there is one."""
    place = f"{index:#06x}" + (f":{subindex:02x}" if subindex else "")
    for start, end, words in PDO_RANGES:
        if start <= index < end:
            return f"{place} {words} {index - start + 1}"
    return f"{place} {NAMES.get(index, '')}".rstrip()
