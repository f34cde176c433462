"""The rig host: real-time pacing, processes of a bench, timing of this computer, replay."""

from hil.host.processes import BenchError, BenchProcesses
from hil.host.realtime import more_than_one_processor
from hil.host.replaying import Replayed, played, replay
from hil.host.replaying_axes import replay_axes
from hil.host.share_beforehand import measure_share
from hil.host.start import BenchOptions, start_bench, start_rig
from hil.host.start_axes import AxisOptions, start_axes
from hil.host.timing import measure_host

__all__ = [
    "AxisOptions",
    "BenchError",
    "BenchOptions",
    "BenchProcesses",
    "Replayed",
    "measure_host",
    "measure_share",
    "more_than_one_processor",
    "played",
    "replay",
    "replay_axes",
    "start_axes",
    "start_bench",
    "start_rig",
]
