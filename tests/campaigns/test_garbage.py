"""A small garbage campaign runs, and notices violations."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))

from garbage import PROTOCOLS
from garbage_common import crc


def test_the_checksum_that_judges_is_that_of_the_catalogue() -> None:
    # Check values of "123456789": CRC-8/SAE-J1850 0x4B, CRC-16/CCITT-FALSE 0x29B1.
    assert crc(b"123456789", 8, 0x1D, 0xFF, 0xFF) == 0x4B
    assert crc(b"123456789", 16, 0x1021, 0xFFFF, 0) == 0x29B1


@pytest.mark.parametrize("name", list(PROTOCOLS))
def test_a_few_thousand(name: str) -> None:
    result = PROTOCOLS[name](3000, 7)
    assert result.damaged == 3000
    assert result.short() == []


def test_a_board_that_does_not_look_at_checksums_is_found(monkeypatch: pytest.MonkeyPatch) -> None:
    from drivers.declared.can import messages as can_messages
    from drivers.declared.serial import framing, line_templates

    monkeypatch.setattr(
        line_templates.LineSeal, "take", lambda self, line: line.rpartition(b"*")[0] or None
    )
    assert "wrong checksum" in "".join(PROTOCOLS["declared_lines"](1500, 7).short())
    monkeypatch.setattr(
        framing.Framer,
        "_checked",
        lambda self, frame: frame[self._payload_at : len(frame) - self._check_bytes],
    )
    assert "wrong checksum" in "".join(PROTOCOLS["declared_frames"](1500, 7).short())
    checks = can_messages._checks
    monkeypatch.setattr(
        can_messages,
        "_checks",
        lambda message, scope: checks(message.model_copy(update={"checksum": None}), scope),
    )
    assert "wrong checksum" in "".join(PROTOCOLS["declared_can"](1500, 7).short())


def test_an_exception_and_a_jam_are_found(monkeypatch: pytest.MonkeyPatch) -> None:
    from drivers.cia402.reception import Reception
    from drivers.transport.serial_line_bus import SerialLineBus

    def raises(self: Reception, message: object) -> int:
        raise IndexError("beyond the end")

    monkeypatch.setattr(Reception, "take", raises)
    found = "".join(PROTOCOLS["cia402"](50, 7).short())
    assert "beyond the end" in found and "good ones until" in found
    monkeypatch.setattr(SerialLineBus, "_take", lambda self, chunk, now_s: None)
    assert "good ones until" in "".join(PROTOCOLS["serial_line"](50, 7).short())
