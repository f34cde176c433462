"""One board from database files of several formats yields the same description and codec."""

from __future__ import annotations

import struct
from pathlib import Path

import cantools
import pytest

from drivers.declared.can.dbc import DbcError, dbc_messages
from drivers.declared.can.message_options import CanMessage
from drivers.declared.can.messages import MessageReader
from drivers.declared.can.options import DeclaredCanOptions
from drivers.declared.common.board import Counters, Sample

# Invented. HEALTH has a 29-bit identifier and two multiplexed parts; VARIED has three, one of them
# present with two values of the multiplexer.
BOARD = """VERSION ""

NS_ :

BS_:

BU_: BOARD HOST

BO_ 513 MOTION: 8 BOARD
 SG_ SHAFT_ANGLE : 0|28@1- (0.001,0.5) [-200|200] "rad" HOST
 SG_ FLAGS : 28|4@1+ (1,0) [0|15] "" HOST
 SG_ SHAFT_TORQUE : 39|16@0- (0.0002,0) [-6.5|6.5] "Nm" HOST

BO_ 2566844418 HEALTH: 4 BOARD
 SG_ PART M : 0|2@1+ (1,0) [0|3] "" HOST
 SG_ VOLTAGE m0 : 15|16@0+ (0.01,0) [0|100] "V" HOST
 SG_ TEMPERATURE m1 : 8|8@1+ (1,-40) [-40|215] "degC" HOST
"""
VARIED = """
BO_ 768 VARIED: 8 BOARD
 SG_ KIND M : 0|8@1+ (1,0) [0|0] "" HOST
 SG_ ONE m0 : 8|8@1+ (1,0) [0|0] "" HOST
 SG_ TWO m1 : 8|16@1+ (1,0) [0|0] "" HOST
 SG_ BOTH m0 : 32|8@1+ (1,0) [0|0] "" HOST

SG_MUL_VAL_ 768 BOTH KIND 0-0, 1-3;
"""
NESTED = """
BO_ 769 NESTED: 8 BOARD
 SG_ KIND M : 0|8@1+ (1,0) [0|0] "" HOST
 SG_ INNER m0M : 8|8@1+ (1,0) [0|0] "" HOST
 SG_ DEEP m1 : 16|8@1+ (1,0) [0|0] "" HOST

SG_MUL_VAL_ 769 INNER KIND 0-0;
SG_MUL_VAL_ 769 DEEP INNER 1-1;
"""
WIRE = struct.pack("<I", 12345 | 3 << 28) + struct.pack(">h", -1500) + bytes(2)


@pytest.fixture
def files(tmp_path: Path) -> dict[str, Path]:
    """Write KCD and SYM with the library itself; it cannot write ARXML, so that file lies here."""
    paths = {name: tmp_path / f"board.{name}" for name in ("dbc", "kcd", "sym")}
    database = cantools.database.load_string(BOARD, "dbc")
    paths["dbc"].write_text(BOARD)
    paths["kcd"].write_text(database.as_kcd_string())
    paths["sym"].write_text(database.as_sym_string())
    return paths | {"arxml": Path(__file__).parent / "board.arxml"}


@pytest.mark.parametrize("name", ["dbc", "kcd", "sym", "arxml"])
def test_every_format_gives_the_same_codec(files: dict[str, Path], name: str) -> None:
    found = dbc_messages(files[name])
    expected = dbc_messages(files["dbc"])
    assert found["MOTION"] == expected["MOTION"]
    assert name == "arxml" or found == expected
    message = CanMessage.model_validate(found["MOTION"])
    samples = {signal: Sample() for signal in message.signals}
    assert MessageReader(message, Counters(), {}, samples).take(WIRE, 1.0)
    # The values packed into WIRE above, scaled as BOARD states.
    assert {signal: sample.value for signal, sample in samples.items()} == pytest.approx(
        {"SHAFT_ANGLE": 12.345 + 0.5, "FLAGS": 3.0, "SHAFT_TORQUE": -0.3}
    )


def test_a_part_that_is_there_with_several_values_of_the_multiplexer(tmp_path: Path) -> None:
    path = tmp_path / "board.dbc"
    path.write_text(BOARD + VARIED)
    message = CanMessage.model_validate(dbc_messages(path)["VARIED"])
    seen = {}
    for kind in range(5):
        samples = {signal: Sample() for signal in message.signals}
        wire = bytes((kind, 1, 2, 0, 9, 0, 0, 0))
        assert MessageReader(message, Counters(), {}, samples).take(wire, 1.0)
        seen[kind] = {name: s.value for name, s in samples.items() if s.number and name != "KIND"}
    assert seen == {
        0: {"ONE": 1, "BOTH": 9},
        1: {"TWO": 513, "BOTH": 9},
        2: {"BOTH": 9},
        3: {"BOTH": 9},
        4: {},
    }


def test_one_multiplexer_inside_another_is_refused_where_it_is_used(tmp_path: Path) -> None:
    path = tmp_path / "board.dbc"
    path.write_text(BOARD + NESTED)
    data = {
        "bus": {"interface": "local_socket"},
        "dbc": str(path),
        "poll": "MOTION",
        "gives": {"deflection": {"from": "MOTION.SHAFT_ANGLE"}},
    }
    DeclaredCanOptions.model_validate(
        {**data, "poll": None, "messages": {"MOTION": {"every": "1 ms"}}}
    )
    data["gives"] = {"deflection": {"from": "NESTED.DEEP"}}
    with pytest.raises(ValueError, match=r"gives.deflection.from: .*KIND, INNER"):
        DeclaredCanOptions.model_validate(data)


@pytest.mark.parametrize(
    ("name", "text"),
    [
        ("board.dbc", BOARD.replace("(0.001,0.5)", "(0.001;0.5)")),
        ("board.kcd", "<NetworkDefinition"),
        ("board.sym", "FormatVersion=1.0"),
        ("board.arxml", "<AUTOSAR/>"),
        ("board.txt", "nothing"),
        ("board.dbc", "\0\1\2"),
    ],
)
def test_a_damaged_file_is_reported_in_a_line(tmp_path: Path, name: str, text: str) -> None:
    (tmp_path / name).write_text(text)
    with pytest.raises(
        DbcError, match=f"'{name}' is not a database file for CAN: .*; give"
    ) as caught:
        dbc_messages(tmp_path / name)
    assert "\n" not in str(caught.value)
