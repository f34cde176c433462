"""Events of the recorder, as the view model of the bench takes them."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any


class RecordingEvents:
    """Recording under way, and the recorder's state.

    Attributes:
        recording: name of the run being recorded, or ''; ``recording_since``: when it began.
        recorder_lost: the recorder has fallen silent.
    """

    def __init__(self) -> None:
        self.recording = ""
        self.recorder_lost = False
        self.recording_since: float | None = None

    @property
    def time_s(self) -> float:
        """Time of the latest sample, s."""
        raise NotImplementedError

    def _notice(self, event: Mapping[str, Any], text: str) -> None:
        raise NotImplementedError

    def _on_recording(self, event: Mapping[str, Any]) -> None:
        self.recording = str(event.get("run", ""))
        self.recording_since = float(event.get("time_s", self.time_s))
        self._notice(event, f"recording run {self.recording}")

    def _on_recorded(self, event: Mapping[str, Any]) -> None:
        if event.get("run") == self.recording:
            self.recording = ""
            self.recording_since = None
        self._notice(event, f"recorded run {event.get('run', '')}")

    def _on_recorder_lost(self, event: Mapping[str, Any]) -> None:
        self.recorder_lost = True
        self.recording = ""
        self.recording_since = None
        self._notice(event, str(event.get("text", "")))

    def _on_recorder_back(self, event: Mapping[str, Any]) -> None:
        self.recorder_lost = False
        self._notice(event, str(event.get("text", "")))
