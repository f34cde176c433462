"""Work with a running bench from a notebook or a script.

Start one with ``hookeline serve --profile footplate_trainer`` and run this program with the link
directory that it prints: ``python example_notebook.py DIRECTORY``. In a notebook, paste it cell by
cell; you need neither a thread nor an event loop.
"""

from __future__ import annotations

import sys

import numpy as np

from hil.core.requests import (
    Apply,
    Float,
    HoldPosition,
    Marker,
    PowerOff,
    PowerOn,
    StartRun,
    VirtualSpring,
)
from hil.core.samples import INDEX, State
from hil.link.client import Block, Client, Event, Refused


def rows_of(bench: Client, seconds: float) -> np.ndarray:
    """Return the samples of the next seconds, shape (n, columns), and print every event."""
    blocks = []
    for item in bench.watch(seconds):
        if isinstance(item, Block):
            blocks.append(item.rows)
        elif item.kind != "heartbeat":
            print(f"  {item['time_s']:7.3f} s  {item.kind}: {told(item)}")
    return np.concatenate(blocks)


def told(event: Event) -> object:
    return {k: v for k, v in event.items() if k not in ("kind", "time_s", "wall", "cycle")}


def until(bench: Client, state: State) -> None:
    for item in bench.watch(10.0):
        if isinstance(item, Block) and item.rows[-1, INDEX["state"]] == state:
            return
    raise SystemExit(f"the bench did not come to {state.name}")


with Client.connect(sys.argv[1], name="notebook") as bench:
    # Anyone may watch.
    profile = bench.description["profile"]
    print(f"{profile['name']} at {bench.description['rate_hz']:g} Hz")
    force = rows_of(bench, 0.5)[:, INDEX["spring_force_N"]]
    print(f"force at rest {force.mean():.1f} N, noise {force.std():.2f} N")

    # One client at a time has control, and it must send heartbeats all the time. Watching and
    # polling send them; keep_control does so while a cell computes or its author thinks.
    bench.take_control()
    with bench.keep_control():
        bench.request(StartRun(name="notebook", note="a virtual spring, looked at by hand"))
        # Refused requests raise an error with the reason.
        try:
            bench.request(PowerOn(load_supported=False))
        except Refused as reason:
            print("refused:", reason)
        bench.request(PowerOn(load_supported=True))
        until(bench, State.STANDBY)
        bench.request(Apply(behaviour=HoldPosition(position_m=0.025, speed_m_s=0.05)))
        rows_of(bench, 0.8)
        spring = VirtualSpring(rest_m=0.025, stiffness_N_m=15e3, damping_N_s_m=400.0)
        bench.request(Apply(behaviour=spring))
        bench.request(Marker(text="spring applied", values={"stiffness_N_m": 15e3}))
        rows = rows_of(bench, 0.8)
        print(
            f"it holds {rows[-200:, INDEX['spring_force_N']].mean():.0f} N "
            f"at {1e3 * rows[-200:, INDEX['output_position_m']].mean():.1f} mm"
        )

        bench.request(Apply(behaviour=Float(), load_may_move=True))
        bench.request(PowerOff())
        until(bench, State.DE_ENERGISED)

        # Any client may stop the rig at any time, whichever client has control.
        bench.stop("end of the example")
        rows_of(bench, 0.2)
    print(f"{bench.lost_samples} samples lost on the way")
