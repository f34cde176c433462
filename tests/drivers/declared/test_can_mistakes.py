"""A wrong description of a CAN board is reported with file, line, key and fix."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from hil.profile.loader import SHIPPED, examine_profile
from ui.cli import main

BOARD = (SHIPPED / "drives" / "treadle_can.yaml").read_text()
RIG = (SHIPPED / "treadle_can.yaml").read_text().replace("drives/treadle_can.yaml", "board.yaml")
HEALTH = "  HEALTH: {every: 10 ms}\n"


def more(text: str) -> str:
    """Return the description with one more message below the others."""
    return f"{HEALTH}  EXTRA: {text}\n"


CASES = [
    # old text, new text, key, part of the reason, part of the fix
    # Signals within their message.
    (
        HEALTH,
        more("{id: 0x300, signals: {A: {start: 0, bits: 9}, B: {start: 8, bits: 8}}}"),
        "messages.EXTRA.signals.B",
        "overlaps 'A' at bit 8",
        "start or bits",
    ),
    (
        HEALTH,
        HEALTH.replace("}", ", signals: {LINK_VOLTAGE: {start: 10, bits: 16}}}"),
        "messages.HEALTH.signals",
        "BOARD_TEMPERATURE: it overlaps 'LINK_VOLTAGE'",
        "start or bits",
    ),
    (
        HEALTH,
        more("{id: 0x300, length: 4, signals: {A: {start: 28, bits: 8}}}"),
        "messages.EXTRA.signals.A",
        "reaches bit 35",
        "start, bits or the message's length",
    ),
    (
        HEALTH,
        more("{id: 0x300, length: 2, signals: {A: {start: 3, bits: 16, order: big_endian}}}"),
        "messages.EXTRA.signals.A",
        "ends at bit 15",
        "start, bits",
    ),
    (
        HEALTH,
        more("{id: 0x300, signals: {A: {start: 0, bits: 8, scale: 0}}}"),
        "messages.EXTRA.signals.A.scale",
        "must not be 0",
        "write a number",
    ),
    (
        HEALTH,
        more("{id: 0x300, signals: {A: {start: 0, bits: 24, floating: true}}}"),
        "messages.EXTRA.signals.A.bits",
        "16, 32 or 64",
        "correct",
    ),
    (
        HEALTH,
        more("{id: 0x300, signals: {A: {start: 0, bits: 0}}}"),
        "messages.EXTRA.signals.A.bits",
        "greater than or equal to 1",
        "",
    ),
    (
        HEALTH,
        more("{id: 0x300, signals: {A: {start: 0, bits: 8, order: motorola}}}"),
        "messages.EXTRA.signals.A.order",
        "'motorola' is not permitted",
        "big_endian",
    ),
    (
        HEALTH,
        more("{id: 0x300, signals: {A: {start: 0, bits: 8, when: 1}}}"),
        "messages.EXTRA.signals.A.when",
        "names no multiplexer",
        "multiplexer: SIGNAL",
    ),
    (
        HEALTH,
        more("{id: 0x300, multiplexer: B, signals: {A: {start: 0, bits: 8}}}"),
        "messages.EXTRA.multiplexer",
        "no signal 'B'",
        "A",
    ),
    # Messages.
    (HEALTH, more("{id: 0x201}"), "messages.EXTRA", "0x201 is also that of 'MOTION'", "its own"),
    (HEALTH, more("{id: 0x900}"), "messages.EXTRA.id", "needs 29 bits", "extended: true"),
    (
        HEALTH,
        more("{id: 0x300, length: 12}"),
        "messages.EXTRA.length",
        "12 is impossible",
        "fd: true",
    ),
    (HEALTH, more("{id: 0x300, length: 12, fd: true}"), "bus", "CAN FD", "fd: true"),
    (HEALTH, more("{length: 4}"), "messages.EXTRA", "no message 'EXTRA'", "name one of: ASK"),
    (HEALTH, more("[1, 2]"), "messages.EXTRA", "a list is not a mapping", "indent"),
    (HEALTH, more("{id: 0x300, values: {A: 1}}"), "messages.EXTRA.values", "no signal 'A'", ""),
    (
        HEALTH,
        more("{id: 0x300, values: {A: 9}, signals: {A: {start: 0, bits: 2}}}"),
        "messages.EXTRA.values.A",
        "9 does not fit 'A'",
        "0 to 3",
    ),
    # Checksums and counters.
    (
        "MOTION_CHECK, polynomial: 0x1D",
        "MOTION_CHECK, polynom: 0x1D",
        "messages.MOTION.checksum.polynom",
        "unknown key",
        "polynomial",
    ),
    (
        "MOTION_CHECK, polynomial: 0x1D",
        "MOTION_CHECK, kind: crc8, polynomial: 0x1D",
        "messages.MOTION.checksum.kind",
        "'crc8' is not permitted",
        "twos_complement",
    ),
    (
        "MOTION_CHECK, polynomial: 0x1D",
        "MOTION_CHECK, polynomial: 0x11D",
        "messages.MOTION.checksum.polynomial",
        "does not fit into 8 bits",
        "leading term",
    ),
    (
        "MOTION_CHECK, polynomial: 0x1D",
        "MOTION_CHECK, polynomial: 0",
        "messages.MOTION.checksum.polynomial",
        "not 0",
        "documentation",
    ),
    (
        "MOTION_CHECK, polynomial: 0x1D",
        "MOTION_CHECK, width: 12, polynomial: 0x1D",
        "messages.MOTION.checksum.width",
        "multiple of 8 bits",
        "8, 16, 24 or 32",
    ),
    (
        "MOTION_CHECK, polynomial: 0x1D",
        "MOTION_CHEK, polynomial: 0x1D",
        "messages.MOTION.checksum.signal",
        "no signal 'MOTION_CHEK'",
        "MOTION_CHECK",
    ),
    (
        "MOTION_CHECK, polynomial: 0x1D",
        "SHAFT_TORQUE, polynomial: 0x1D",
        "messages.MOTION.checksum.signal",
        "has 16 bits",
        "8 bits of the checksum",
    ),
    (
        "MOTION_CHECK, polynomial: 0x1D",
        "MOTION_CHECK, covers: [0, 8], polynomial: 0x1D",
        "messages.MOTION.checksum.covers",
        "outside the message of 8",
        "0 to 7",
    ),
    (
        "{signal: MOTION_COUNT}",
        "{signal: MOTION_COUN}",
        "messages.MOTION.counter.signal",
        "no signal 'MOTION_COUN'",
        "MOTION_COUNT",
    ),
    (
        "{signal: MOTION_COUNT}",
        "{signal: MOTION_COUNT, modulo: 20}",
        "messages.MOTION.counter.modulo",
        "20 values do not fit into the 4 bits",
        "16 at most",
    ),
    # Names that do not exist.
    (
        "from: MOTION.SHAFT_TORQUE",
        "from: MOTION.SHAFT_TORQE",
        "gives.torque",
        "no signal 'SHAFT_TORQE'",
        "'SHAFT_TORQUE' or 'SHAFT_ANGLE'",
    ),
    (
        "from: MOTION.SHAFT_TORQUE",
        "from: MOTOIN.SHAFT_TORQUE",
        "gives.torque.from",
        "no message 'MOTOIN' in treadle_board.dbc",
        "'MOTION'",
    ),
    (
        "from: MOTION.SHAFT_TORQUE",
        "from: SHAFT_TORQUE",
        "gives.torque",
        "'SHAFT_TORQUE' is not a path",
        "message.signal",
    ),
    ("poll: ASK", "poll: ASKS", "poll", "no message 'ASKS'", "'ASK'"),
    ("send: BEAT,", "send: BAET,", "heartbeat.send", "no message 'BAET'", "'BEAT'"),
    (
        "send: ORDER, with: {ORDER_ACTION: 1}",
        "send: ORDR, with: {ORDER_ACTION: 1}",
        "sequences.energise[0].send",
        "no message 'ORDR'",
        "'ORDER'",
    ),
    (
        "with: {ORDER_ACTION: 1}",
        "with: {ORDER_ACTON: 1}",
        "sequences.energise[0].with",
        "no signal 'ORDER_ACTON'",
        "'ORDER_ACTION'",
    ),
    (
        "with: {ORDER_ACTION: 1}",
        "with: {ORDER_ACTION: 256}",
        "sequences.energise[0].with.ORDER_ACTION",
        "256 does not fit",
        "0 to 255",
    ),
    (
        "expect: {energised: true}",
        "expect: {HEALTH.BOARD_FALT: 0}",
        "sequences.energise[0].expect",
        "no signal 'BOARD_FALT'",
        "'BOARD_FAULT'",
    ),
    ("dbc: treadle_board.dbc", "dbc: tredle_board.dbc", "dbc", "no file 'tredle", "folder"),
    (
        "dbc: treadle_board.dbc",
        "dbc: board.yaml",
        "dbc",
        "is not a database file for CAN",
        "DBC, KCD",
    ),
    (
        "dbc: treadle_board.dbc",
        "dbc: broken.dbc",
        "dbc",
        "is not a database file for CAN",
        "messages",
    ),
    # Requirements of the bench.
    (
        "torque: {to: DEMAND",
        "current: {to: DEMAND",
        "takes.current",
        "its torque is unknown",
        "N*m/A",
    ),
    (
        "torque: {to: DEMAND.DEMAND_TORQUE}",
        "torque: {to: DEMAND.DEMAND_TORQUE, scale: 0.1}",
        "takes.torque",
        "range is -0.6554 to 0.6553",
        "peak_torque",
    ),
    (
        "torque: {to: DEMAND.DEMAND_TORQUE}",
        "torque: {to: DEMAND.DEMAND_COUNT}",
        "takes.torque",
        "range is 0 to 15",
        "sign",
    ),
    (
        "torque: {from: MOTION.SHAFT_TORQUE}",
        "torque: {from: MOTION.SHAFT_TORQUE, scale: 0}",
        "gives.torque.scale",
        "must not be 0",
        "write a number",
    ),
    (
        "velocity: {from: PROBE.SHAFT",
        "speed: {from: PROBE.SHAFT",
        "gives.speed",
        "'speed'",
        "'velocity'",
    ),
    ("poll: ASK\n", "", "gives.position", "has no 'every'", "add a poll"),
    (
        "  de_energise:\n    - {send: ORDER, with: {ORDER_ACTION: 0}}\n",
        "",
        "sequences",
        "no way of removing power",
        "de_energise",
    ),
    ("host_loss: 15 ms\n", "", "takes", "host_loss", "host_loss: 100 ms"),
    ("  status: {from: MOTION.BOARD_FLAGS}\n", "", "status", "is missing", "gives.status"),
    (
        "energised: {mask: 1, equals: 1}",
        "energised: {mask: 16, equals: 16}",
        "status.energised.mask",
        "beyond the 4 bits",
        "another signal",
    ),
    # Units.
    ("rated_torque: 1.26 N*m", "rated_torque: 1.26 A", "rated_torque", "not a torque", "N*m"),
    ("host_loss: 15 ms", "host_loss: 15", "host_loss", "has no unit", "ms"),
    (
        "supply: {from: HEALTH.LINK_VOLTAGE}",
        "supply: {from: HEALTH.BOARD_TEMPERATURE}",
        "gives.supply",
        "is in degC, which is not a unit of supply",
        "another signal",
    ),
    (
        HEALTH,
        f"{HEALTH}  PROBE_: {{id: 0x300, every: 1 ms, signals: "
        "{RPM: {start: 0, bits: 16, unit: rpm}}}\n",
        "",
        "",
        "",
    ),
]


def examined(directory: Path, board: str):
    (directory / "board.yaml").write_text(board)
    (directory / "rig.yaml").write_text(RIG)
    (directory / "broken.dbc").write_text('BO_ 257 ASK: 1 HOST\n SG_ ASK_COUNT : 0|8@ (1,0) ""\n')
    shutil.copy(SHIPPED / "drives" / "treadle_board.dbc", directory)
    return examine_profile(directory / "rig.yaml")


@pytest.mark.parametrize(("old", "new", "key", "reason", "fix"), CASES)
def test_refused_with_file_line_key_and_fix(tmp_path, old, new, key, reason, fix) -> None:
    assert BOARD.count(old) == 1, old
    board = BOARD.replace(old, new)
    found = examined(tmp_path, board)
    if not key:
        assert not found.problems
        return
    assert found.profile is None
    (error,) = found.errors
    assert error.key == f"drive.{key}"
    assert Path(error.file).name == "board.yaml"
    assert reason in error.what and fix in error.fix and error.fix
    # The line is that of the key's last part, or of the whole flow mapping around it.
    lines = board.splitlines()
    changed = board[: BOARD.index(old)].count("\n") + 1
    last = key.split(".")[-1].partition("[")[0]
    assert last in lines[error.line - 1] or changed <= error.line <= changed + new.count("\n")


def test_check_prints_the_place_and_the_mend_in_one_line(tmp_path, capsys) -> None:
    examined(tmp_path, BOARD.replace("from: MOTION.SHAFT_TORQUE", "from: MOTION.SHAFT_TORQ"))
    assert main(["check", str(tmp_path / "rig.yaml")]) != 0
    out, err = capsys.readouterr()
    (line,) = [text for text in (out + err).splitlines() if "SHAFT_TORQ" in text]
    number = BOARD[: BOARD.index("from: MOTION.SHAFT_TORQUE")].count("\n") + 1
    for words in (f"board.yaml:{number}: drive.gives.torque: ", "did you mean 'SHAFT_TORQUE'"):
        assert words in line


@pytest.mark.parametrize(
    ("scaling", "reason"),
    [("", "is in rpm, and velocity is in rad/s"), (", scale: 0.10472", ""), (", scale: 2.5", "")],
)
def test_a_unit_of_the_same_kind_needs_its_scale(tmp_path, scaling, reason) -> None:
    board = BOARD.replace(
        HEALTH, more("{id: 0x300, every: 1 ms, signals: {SPEED: {start: 0, bits: 16, unit: rpm}}}")
    ).replace("from: PROBE.SHAFT_SPEED", f"from: EXTRA.SPEED{scaling}")
    errors = examined(tmp_path, board).errors
    assert [error.key for error in errors] == (["drive.gives.velocity"] if reason else [])
    assert not reason or (reason in errors[0].what and "scale: 0.10472" in errors[0].fix)


def test_signals_of_a_database_that_overlap_are_found(tmp_path) -> None:
    examined(tmp_path, BOARD)
    database = tmp_path / "treadle_board.dbc"
    text = database.read_text()
    database.write_text(text.replace("SHAFT_TORQUE : 32|16@1-", "SHAFT_TORQUE : 24|16@1-"))
    (error,) = examine_profile(tmp_path / "rig.yaml").errors
    assert error.key == "drive.messages.MOTION"
    assert "SHAFT_TORQUE: it overlaps 'SHAFT_ANGLE' at bit 24" in error.what
