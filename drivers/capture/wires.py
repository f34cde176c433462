"""Recording and replay of this process's wires, beside their use.

Set before a drive is opened; everything that opens a wire asks here.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    import can

    from drivers.capture.wire_log import WireRecorder
    from drivers.capture.wire_replay import WireRecording

_recorder: WireRecorder | None = None
_recording: WireRecording | None = None
_now: Callable[[], float] = time.monotonic
_received_at: Callable[[], float] = time.monotonic


def now() -> float:
    """``time.monotonic()``; on record, and in a replay the same again.

    For what the samples depend on: each cycle asks for it as often as every other. Waiting goes
    by the real clock.
    """
    return _now()


def received_at() -> float:
    """Time of the latest reception, read right after it; recorded and replayed."""
    return _received_at()


def record(recorder: WireRecorder | None) -> None:
    """Every wire that is opened from now on is recorded; None ends that."""
    global _recorder, _now, _received_at
    _recorder = recorder
    _now = time.monotonic if recorder is None else recorder.now
    _received_at = time.monotonic if recorder is None else recorder.received_at


def replay(recording: WireRecording | None, timed: bool = False) -> None:
    """Every wire that is opened from now on is the next of a recording; None ends that.

    ``timed``: what happened then tells the time as well.
    """
    global _recording, _now, _received_at
    _recording = recording
    _now = recording.now if recording is not None and timed else time.monotonic
    _received_at = recording.received_at if recording is not None and timed else time.monotonic


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
