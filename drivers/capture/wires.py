"""Recording and replay of this process's wires.

Set before a drive is opened; all code that opens a wire checks here.
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


def _arrived(frame: can.Message | None) -> float:
    """Return the time at which a frame arrived, if its bus reports it, else the present time."""
    return getattr(frame, "received_s", 0.0) or time.monotonic()


_received_at: Callable[[can.Message | None], float] = _arrived


def now() -> float:
    """Return ``time.monotonic()``; recorded, and repeated in a replay.

    For times that affect the samples: every cycle calls it equally often. Waits use the real clock.
    """
    return _now()


def received_at(frame: can.Message | None = None) -> float:
    """Return the time of the latest reception, read right after it; recorded and replayed.

    ``frame``: the received one; a bus that reports when it arrived
    (``drivers.transport.StampedFrame``) is believed.
    """
    return _received_at(frame)


def record(recorder: WireRecorder | None) -> None:
    """Record every wire opened from now on; None ends recording."""
    global _recorder, _now, _received_at
    _recorder = recorder
    _now = time.monotonic if recorder is None else recorder.now
    _received_at = _arrived if recorder is None else recorder.received_at


def replay(recording: WireRecording | None, timed: bool = False) -> None:
    """Replace every wire opened from now on by the next of a recording; None ends that.

    ``timed``: the recording also supplies the time.
    """
    global _recording, _now, _received_at
    _recording = recording
    _now = recording.now if recording is not None and timed else time.monotonic
    _received_at = recording.received_at if recording is not None and timed else _arrived


def replayed() -> WireRecording | None:
    """Return the recording that replaces the wires."""
    return _recording


def opened_bus(bus: can.BusABC, name: str) -> None:
    """Note an opened bus."""
    if _recorder is not None:
        _recorder.tap_bus(bus, name)


def opened_port(port: Any, name: str) -> None:
    """Note an opened serial port: an object with ``read(until_s)`` and ``write(data)``."""
    if _recorder is not None:
        _recorder.tap_port(port, name)
