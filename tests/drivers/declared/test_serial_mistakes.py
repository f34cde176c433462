"""A wrong description of lines, frames or combined devices is reported with file, line and fix."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from pydantic import ValidationError

from drivers.declared.serial.frame_options import DeclaredFramesOptions
from hil.profile.loader import SHIPPED, examine_profile

DBC = str(SHIPPED / "drives" / "treadle_board.dbc")


def examined(directory: Path, name: str, old: str, new: str):
    text = (SHIPPED / "drives" / f"{name}.yaml").read_text()
    assert text.count(old) >= 1, old
    before = text[: text.rindex(old)].count("\n") + 1
    at = text.rindex(old)
    text = text[:at] + new + text[at + len(old) :]
    (directory / "board.yaml").write_text(text.replace("treadle_board.dbc", DBC))
    rig = (SHIPPED / f"{name}.yaml").read_text().replace(f"drives/{name}.yaml", "board.yaml")
    (directory / "rig.yaml").write_text(rig)
    return before, examine_profile(directory / "rig.yaml")


LINES = [
    # old text, new text, a word of the reason, a word of the fix
    ("turns, speed", "turns, turns", "repeated", "once"),
    ("from: state.turns", "from: state.turn", "no field 'turn'", "turns"),
    ("from: state.turns", "from: stat.turns", "'stat'", "state"),
    ("from: state.turns", "from: turns", "is not a path", "message.field"),
    ("scale: 6.283185307179586}", "scale: 0}", "must not be 0", ""),
    ("{to: demand.torque}", "{to: demand.force}", "no field 'force'", ""),
    ("rated_torque: 1.26 N*m", "rated_torque: 1.26 A", "not a torque", "N*m"),
    ("host_loss: 15 ms", "host_loss: 15", "no unit", "ms"),
    ('"m {torque:+.4f}"', '"m {torque:s}"', "not a number format", "+.4f"),
    ('"m {torque:+.4f}"', '"m {torque.real}"', "is not a name", "letters"),
    ('"m {torque:+.4f}"', '"m {torque:+.4f"', "not a template", ""),
    ('"order {action:d}"', '"order {action:.2d}"', "no decimals", ""),
    ("baud: 1000000", "baud: 100", "impossible", ""),
    ("path: /dev/ttyUSB0", "usb: {vendor_id: 4660}", "missing", "product_id"),
    ("path: /dev/ttyUSB0", "path: /dev/x\n  usb: {vendor_id: 1, product_id: 2}", "either", "one"),
    ("poll: ask", "poll: question", "'question'", ""),
    ("poll: ask", "", "'every'", "how often"),
    ("polynomial: 0x1021", "polynomial: 0", "needs one that is not 0", "documentation"),
    ("width: 16", "width: 12", "multiple of 8 bits", "8, 16, 24 or 32"),
    ("{done: true, fault: false}", "{dome: true}", "'dome'", "done"),
    ("send: alive, every", "send: alife, every", "'alife'", "alive"),
    ("energised: {mask: 1, equals: 1}", "energised: {mask: 1, equals: 2}", "never met", ""),
    ('done: {starts: "done"}', "done: {pattern: '('}", "not a regular expression", ""),
    ('done: {starts: "done"}', "done: {}", "cannot be distinguished", "starts"),
    ("baud: 1000000", "baud: 460800", "of the wire", "control.rate"),
    (
        'done: {starts: "done"}',
        'done: {starts: "= ", fields: [a, b, c, d, e]}',
        "looks like 'state'",
        "its own 'starts'",
    ),
    (
        "torque: {to: demand.torque}",
        "current: {to: demand.torque}",
        "its torque is unknown",
        "N*m/A",
    ),
    ("from: state.flags", "from: state.flag", "no field 'flag'", "flags"),
    ("host_loss: 15 ms\n", "host_los: 100 ms\n", "unknown key", "host_loss"),
]
FRAMES = [
    ('layout: "<BIh"', 'layout: "BIh"', "< (little end first)", ""),
    ('layout: "<BIh"', 'layout: "<BIhh"', "3 names for the 4", "_"),
    ('layout: "<BIh"', 'layout: "<BIs"', "'s' is not a number code", "b B h"),
    ("fields: [count, stamp, deflection]", "fields: [count, stamp, stamp]", "repeated", ""),
    ("from: sample.deflection", "from: sample.deflektion", "no field", "deflection"),
    ("from: sample.stamp", "from: sample.stmp", "no field", "stamp"),
    (
        "deflection: {from: sample.deflection}",
        "deflection: {from: sample.deflection, scale: 0}",
        "must not be 0",
        "",
    ),
    ("counter: {field: count}", "counter: {field: cnt}", "no field 'cnt'", ""),
    ("identifier: 1\n", "identifier: 300\n", "does not fit", ""),
    ("identifier: 1\n", "\n", "head has an identifier", "add"),
    ("sync: [0xA5, 0x5A]", "sync: [0xA5, 0x1FF]", "less than or equal to 255", ""),
    ("sync: [0xA5, 0x5A]", "cobs: true\n      sync: [1]", "either", "one of them"),
    ("head: [length, identifier]", "head: [identifier]\n      length: {bytes: 2}", "head", "add"),
    ("covers: [2, -1]", "covers: [40, -1]", "outside frame 'sample'", ""),
    ("every: 1 ms\n", "\n", "'every'", "how often"),
    ("tick: 1 us", "tick: 1 um", "not a time", "ms"),
    (
        "velocity: {from: PROBE.SHAFT_SPEED}",
        "velocity: {from: PROBE.SHAFT_SPEED}\n      deflection: {from: PROBE.PROBE_COUNTS}",
        "both give deflection",
        "quantities",
    ),
    ("MOTION.SHAFT_ANGLE", "MOTION.SHAFT_ANGEL", "SHAFT_ANGEL", "SHAFT_ANGLE"),
    ("protocol: declared_frames", "protocol: declared_frame", "declared_frame", "declared_frames"),
    ("protocol: declared_frames", "protocol: combined", "cannot itself be combined", ""),
    ("protocol: combined", "protocol: combined\ncommands: probe", "takes none", "one that does"),
    (
        "protocol: combined",
        "protocol: combined\nquantities: {deflection: motor}",
        "does not give it",
        "another",
    ),
    ("protocol: combined", "protocol: combined\nlatency: {prob: 1 ms}", "'prob'", "probe"),
    ("rated_torque: 1.26 N*m", "rated_torque: 1.26 V", "not a torque", "N*m"),
]
ALL = [("treadle_lines", *case) for case in LINES] + [("treadle_frames", *case) for case in FRAMES]


@pytest.mark.parametrize(("name", "old", "new", "reason", "fix"), ALL)
def test_refused_with_file_line_and_fix(tmp_path, name, old, new, reason, fix) -> None:
    _, found = examined(tmp_path, name, old, new)
    assert found.profile is None
    error = next(e for e in found.errors if reason in e.what)
    assert Path(error.file).name == "board.yaml"
    assert error.key.startswith("drive.")
    assert error.line > 1
    assert error.fix and fix in error.what + error.fix
    assert len(found.errors) <= 2


@pytest.mark.parametrize(
    ("name", "old", "new"),
    [
        ("treadle_lines", "rated_torque: 1.26 N*m", "rated_torque: 1.26 A"),
        (
            "treadle_frames",
            "      deflection: {from: sample.deflection}",
            "      deflection: {from: sample.deflection, scale: 0}",
        ),
        ("treadle_frames", "host_loss: 15 ms", "host_los: 100 ms"),
        ("treadle_frames", "from: MOTION.SHAFT_TORQUE", "from: MOTION.SHAFT_TORQ"),
    ],
)
def test_the_very_line_is_named(tmp_path, name, old, new) -> None:
    line, found = examined(tmp_path, name, old, new)
    assert [error.line for error in found.errors] == [line]


MOTOR_FRAMES = {
    "port": {"path": "/dev/x"},
    "framing": {"cobs": True, "head": ["identifier"]},
    "frames": {
        "state": {"identifier": 1, "layout": "<fB", "fields": ["angle", "flags"], "every": "1 ms"},
        "demand": {"identifier": 2, "layout": "<hB", "fields": ["torque", "mode"]},
    },
    "gives": {"position": {"from": "state.angle"}, "status": {"from": "state.flags"}},
    "takes": {"torque": {"to": "demand.torque", "scale": 0.001}},
    "status": {"energised": {"mask": 1, "equals": 1}},
    "sequences": {
        "energise": [{"send": "demand", "with": {"mode": 1}}],
        "de_energise": [{"send": "demand", "with": {"mode": 0}}],
    },
    "host_loss": "100 ms",
    "rated_torque": "1 N*m",
    "peak_torque": "2 N*m",
}


@pytest.mark.parametrize(
    ("part", "key", "value", "words"),
    [
        (
            "takes",
            "torque",
            {"to": "demand.torque", "scale": 1e-5},
            "range is -0.3277 to 0.3277 N·m",
        ),
        ("takes", "torque", {"to": "demand.mode"}, "range is 0 to 255 N·m"),
        ("sequences", "energise", [{"send": "demand", "with": {"mode": 256}}], "write 0 to 255"),
        ("frames", "other", {"identifier": 300, "layout": "<h", "fields": ["a"]}, "does not fit"),
        ("takes", "position", {"to": "state.angle"}, "in one message"),
        ("takes", "velocity", {"to": "demand.torque"}, "torque and velocity do not define which"),
    ],
)
def test_a_frame_that_cannot_say_it_is_refused(part, key, value, words) -> None:
    DeclaredFramesOptions.model_validate(MOTOR_FRAMES)
    before: Any = MOTOR_FRAMES[part]
    wrong = {**MOTOR_FRAMES, part: {**before, key: value}}
    with pytest.raises(ValidationError, match=words):
        DeclaredFramesOptions.model_validate(wrong)


def test_a_quantity_given_twice_is_taken_where_it_is_said(tmp_path: Path) -> None:
    text = (SHIPPED / "drives" / "treadle_frames.yaml").read_text()
    text = text.replace(
        "velocity: {from: PROBE.SHAFT_SPEED}",
        "velocity: {from: PROBE.SHAFT_SPEED}\n      deflection: {from: PROBE.PROBE_COUNTS}",
    )
    text += "quantities: {deflection: probe}\n"
    (tmp_path / "board.yaml").write_text(text.replace("treadle_board.dbc", DBC))
    rig = (SHIPPED / "treadle_frames.yaml").read_text()
    (tmp_path / "rig.yaml").write_text(rig.replace("drives/treadle_frames.yaml", "board.yaml"))
    assert [str(problem) for problem in examine_profile(tmp_path / "rig.yaml").problems] == []


@pytest.mark.parametrize("name", ["treadle_can", "treadle_lines", "treadle_frames"])
def test_the_shipped_ones_load_without_a_word(name: str) -> None:
    assert [str(problem) for problem in examine_profile(name).problems] == []
