"""Recording and replay of the wires of a rig. Every wire is opened through here."""

from drivers.capture.wire_log import WireRecorder
from drivers.capture.wire_replay import Cycle, WireRecording

__all__ = ["Cycle", "WireRecorder", "WireRecording"]
