"""Questions to the person before a sequence of several axes, on rigs that count as real."""

from __future__ import annotations

import contextlib
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import Any

import pytest

from hil.host import BenchOptions, start_axes
from hil.host.start import start_rig
from hil.profile import load_axes
from tests.ui.person_at_axes import KEY, Seat
from ui.dashboard.widgets import StatusLabel

pytestmark = [pytest.mark.real_time, pytest.mark.pages("Operate")]


def shows(status: StatusLabel, texts: set[str]) -> bool:
    return status.text() in texts


@pytest.mark.usefixtures("own_state")
def test_on_real_rigs_each_axis_asks_for_its_load_before_any_has_power(
    qtbot: Any, tmp_path: Path
) -> None:
    axes = load_axes("two_axes")
    (tmp_path / "sequences").mkdir()
    text = "name: on\naxes: two_axes\nsteps:\n  - power_on\n  - power_off\n"
    (tmp_path / "sequences" / "on.yaml").write_text(text)
    with contextlib.ExitStack() as stack:
        profiles = {}
        for axis, profile in axes.profiles.items():
            rig = stack.enter_context(start_rig(profile))  # on a bus of its own
            bus = profile.drive["bus"] | {"channel": str(rig.link_directory / "can.sock")}
            drive = profile.drive | {"bus": bus}
            profiles[axis] = profile.model_copy(update={"simulation": None, "drive": drive})
        options = BenchOptions(runs_directory=tmp_path / "runs", recorder=False)
        bench = stack.enter_context(start_axes(replace(axes, profiles=profiles), options))
        seat = Seat(bench, qtbot)
        stack.callback(seat.window.close)
        seat.press(KEY.Key_S)
        seat.pick("heel", "on")
        seat.until(seat.panel("heel").begin_button.isEnabled)
        seat.press(KEY.Key_G)
        asked = {
            f"{axis}: {one.stop.load} Is the load supported?" for axis, one in profiles.items()
        }
        status = seat.panel("heel").status
        while asked:  # both on the page shown, one after the other
            seat.until(partial(shows, status, asked))
            assert not any(model.powered for model in seat.models)
            asked.remove(status.text())
            seat.press(KEY.Key_Y)
        seat.until(lambda: not seat.sequences("heel").running)
        assert [seat.sequences(axis).text[:8] for axis in profiles] == ["Finished"] * 2
