"""Record what passes on the wires of a rig, and replay it. Every wire is opened through here."""

from drivers.capture.wire_log import WireRecorder
from drivers.capture.wire_replay import Cycle, WireRecording

__all__ = ["Cycle", "WireRecorder", "WireRecording"]
