"""``stop.py`` on a bench that does not obey: what was measured is kept and the reason is told."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

HERE = str(Path(__file__).parent)


def test_a_window_that_loses_control_cuts_its_part_short(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.syspath_prepend(HERE)
    for name in ("stop", "seat", "table", "link_attack"):
        monkeypatch.delitem(sys.modules, name, raising=False)
    import seat
    import stop

    measured = stop.Measured()
    with measured.part("key to wire", 5):
        measured.of("key to wire").append(0.003)
        raise seat.StateError("not STANDBY within 20 s: STOPPED heartbeat late")
    (told,) = measured.cut_short
    assert told.startswith("key to wire: 1 of 5 measured, then not STANDBY within 20 s: STOPPED")
    assert "(load " in told and told in capsys.readouterr().err
    with pytest.raises(ZeroDivisionError), measured.part("script to wire", 2):
        raise ZeroDivisionError  # a defect of the program is not covered
    assert measured.seconds == {"key to wire": [0.003], "script to wire": []}
