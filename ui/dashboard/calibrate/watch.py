"""Watch on the calibration in force while the window is open. No Qt."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

import numpy as np

from hil.calibration import NO_LOAD, NO_LOAD_S, DriftWarning, DriftWatch
from hil.core import INDEX
from ui.dashboard.bench import OperateModel, behaviour_forms

_TIME = INDEX["time_s"]


class CalibrationWatch:
    """Feeder of a ``DriftWatch``, whose warnings it reports to the window.

    The model's profile follows the calibration that is in force.

    Attributes:
        zero_asked: a check of the zero is under way.
        zero_text: result of the last one.
    """

    def __init__(self, model: OperateModel) -> None:
        self._model = model
        self._watch = DriftWatch(model.profile)
        self._until_s = -np.inf
        self.zero_asked = False
        self.zero_text = ""
        model.drift = self.warnings

    @property
    def warnings(self) -> list[DriftWarning]:
        return list(self._watch.warnings.values())

    def feed(self, items: Iterable[Any]) -> None:
        """Take what the link delivered."""
        for item in items:
            if isinstance(item, Mapping):
                self._event(item)
                continue
            rows = np.asarray(item.rows)
            if not len(rows):
                continue
            for found in self._watch.rows(rows):
                self._model.say(f"{found.sentence}; {found.fix}")
            if self.zero_asked and rows[-1, _TIME] >= self._until_s:
                self.zero_asked = False
                moved = self._watch.warnings.get("zero_moved")
                self.zero_text = moved.sentence if moved else "no sign that the zero has moved"
        self._model.drift = self.warnings

    def _event(self, event: Mapping[str, Any]) -> None:
        before = self._watch.profile
        self._watch.event(event)
        if self._watch.profile is not before:
            self._model.profile = self._watch.profile
            _renew_ranges(self._model)
            identity = self._watch.profile.calibration.identity or "an unnamed one"
            self._model.say(f"calibration in force: {identity}")
            self.zero_text = ""
        if event.get("kind") == "marker" and event.get("text") == NO_LOAD:
            self.zero_asked = True
            self._until_s = float(event.get("time_s") or 0.0) + NO_LOAD_S


def _renew_ranges(model: OperateModel) -> None:
    """Update the ranges for the calibration; what was set stays inside them."""
    for form, fresh in zip(model.forms, behaviour_forms(model.profile), strict=True):
        for entry, new in zip(form.fields, fresh.fields, strict=True):
            entry.low, entry.high, entry.step = new.low, new.high, new.step
            entry.bound, entry.bound_text = new.bound, new.bound_text
            entry.value = min(max(entry.value, entry.low), entry.high)
