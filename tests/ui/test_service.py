"""Wear found in recorded runs, as the window reports it."""

from __future__ import annotations

import time
from pathlib import Path

from hil.wear import Entry, History
from ui.dashboard.bench import OperateModel, health
from ui.dashboard.operate import OperateView

PATIENCE_S = 20.0


def test_the_operate_page_says_what_needs_service(description: dict, tmp_path: Path) -> None:
    history = History(tmp_path)
    model = OperateModel(description)
    for number in range(30):
        name, started = f"{number:04d}-cycle", f"2026-03-{number + 1:02d}T09:00:00+00:00"
        signs = {"friction_N": 2.0 + 0.1 * (number % 2) + max(0, number - 18)}
        actuator = f"{model.profile.name} · drive"
        history.entries[name] = Entry(name, actuator, started, 5.0, signs)
    history.save()
    view = OperateView(model, None, tmp_path)
    until_s = time.monotonic() + PATIENCE_S
    while not model.service and time.monotonic() < until_s:
        view.feed([], 0.0)
        time.sleep(0.01)
    [word] = [word for word in health(model) if word.text == "needs service"]
    assert not word.well and "friction: 2" in word.tooltip and "since 2026-03-" in word.tooltip
    [said] = [text for _, text in model.notices if text.startswith("Needs service: friction")]
    view.feed([], 0.0)
    assert said  # reported once
