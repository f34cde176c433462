"""What this process does with its wires beside using them: record them, or replay a recording.

Set before a drive is opened; everything that opens a wire asks here.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    import can

    from drivers.wire_log import WireRecorder
    from drivers.wire_replay import WireRecording

_recorder: WireRecorder | None = None
_recording: WireRecording | None = None


def record(recorder: WireRecorder | None) -> None:
    """Every wire that is opened from now on is recorded; None ends that."""
    global _recorder
    _recorder = recorder


def replay(recording: WireRecording | None) -> None:
    """Every wire that is opened from now on is the next of a recording; None ends that."""
    global _recording
    _recording = recording


def replayed() -> WireRecording | None:
    """The recording that takes the place of the wires."""
    return _recording


def opened_bus(bus: can.BusABC, name: str) -> None:
    """A bus was opened."""
    if _recorder is not None:
        _recorder.tap_bus(bus, name)


def opened_port(port: Any, name: str) -> None:
    """A serial port was opened: an object with ``read(until_s)`` and ``write(data)``."""
    if _recorder is not None:
        _recorder.tap_port(port, name)
