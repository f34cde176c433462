"""Start of a bench of several axes: one rig host, and a simulated rig and a recorder for each axis."""

from __future__ import annotations

import json
import os
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from functools import partial

from hil.bench import Rehearsal
from hil.core import SessionCap, write_private
from hil.host.processes import BenchError, BenchProcesses
from hil.host.start import (
    LET_SLEEP,
    BenchOptions,
    bench_of,
    host_options,
    simulation_control,
    start_recorder,
    start_simulated_rig,
    wire_log_folder,
    write_checked,
)
from hil.link import axis_addresses, make_link_directory
from hil.profile import Axes, Profile

# Options of a bench of one rig that a bench of several axes refuses.
NOT_FOR_AXES = ("profile", "cap", "unverified")


@dataclass(frozen=True)
class AxisOptions:
    """Options of one axis.

    Attributes:
        unverified, cap: as of :class:`hil.host.BenchOptions`.
    """

    unverified: str = ""
    cap: SessionCap | None = None


def start_axes(
    axes: Axes, options: BenchOptions, each: Mapping[str, AxisOptions] | None = None
) -> BenchProcesses:
    """Start all processes of the axes; ``axis_links`` of the result has the link directory of each.

    Args:
        options: options for all axes; those of ``NOT_FOR_AXES`` are refused. On the network each
            axis takes two ports, from that of ``tcp`` on, in the order of the axes.
        each: options by axis; an axis without any has the defaults.

    Raises:
        BenchError: a process did not start, or an option is not for several axes.
    """
    _refuse(options)
    each = each or {}
    bench = bench_of(options)
    try:
        processor = bench.claim_processor()
        bench.axis_links = {name: bench.link_directory / name for name in axes.profiles}
        for directory in bench.axis_links.values():
            make_link_directory(directory)
        host = _host_command(bench, axes, options, each, processor)
        bench.start("host", host, held=True)
        recorders = {}
        for name, directory in bench.axis_links.items() if options.recorder else ():
            recorders[name] = start_recorder(bench, directory, f"recorder {name}")
        for name in bench.processes:
            if name.startswith("rig "):
                bench.await_ready(name)
        bench.let_go("host")
        bench.await_ready("host")
        bench.notices.append(bench.said("host"))
        for name, command in recorders.items():
            bench.let_go(f"recorder {name}")
            bench.await_ready(f"recorder {name}")
            bench.keep_recorder(command, f"recorder {name}")
        if not axes.simulated:
            for name, directory in bench.axis_links.items():
                bench.start(
                    f"heat_keeper {name}", ["hil.host.heat_keeper", "--link", str(directory)]
                )
        elif options.rehearsal is not None:
            _rehearse(bench, axes, options.rehearsal, options.tell)
    except BaseException:
        bench.close()
        raise
    return bench


def _rehearse(
    bench: BenchProcesses, axes: Axes, rehearsal: Rehearsal, tell: Callable[[str], None]
) -> None:
    """Inject faults on every axis; the first one's thread delays the rig host, which all share."""
    for name, directory in bench.axis_links.items():
        bench.rehearse(
            rehearsal.of_axis(name, late=name == next(iter(bench.axis_links))),
            simulation_control(directory),
            axes.rate_Hz,
            partial(_tell_of, name, tell),
        )


def _tell_of(axis: str, tell: Callable[[str], None], text: str) -> None:
    tell(f"{axis}: {text}")


def _refuse(options: BenchOptions) -> None:
    for name in NOT_FOR_AXES:
        if getattr(options, name):
            raise BenchError(
                f"'{name}' is not possible with several axes. Fix: leave it out, or start the axis "
                "by itself with its own profile",
                2,
            )


def _host_command(
    bench: BenchProcesses,
    axes: Axes,
    options: BenchOptions,
    each: Mapping[str, AxisOptions],
    processor: int | None,
) -> list[str]:
    """Start the simulated rigs; return the command of the rig host."""
    leaders = axes.buses()
    hosts = {}
    addresses = axis_addresses(options.tcp, axes.profiles) if options.tcp is not None else {}
    for name, profile in axes.profiles.items():
        own = each.get(name, AxisOptions())
        given = ["--profile", str(axes.paths[name]), "--link", str(bench.axis_links[name])]
        given += ["--checked", str(write_checked(bench.axis_links[name], profile))]
        given += host_options(
            replace(options, unverified=own.unverified, cap=own.cap, tcp=addresses.get(name))
        )
        if profile.simulation is not None:
            given += _rig_options(bench, name, leaders[name], profile, processor)
        hosts[name] = given
    file = bench.link_directory / "axes.json"
    write_private(file, json.dumps({"hosts": hosts, "leaders": leaders}))
    command = ["hil.host.axes_process", "--hold", "--axes", str(file)]
    if options.log_wire:
        command += ["--log-wire", str(wire_log_folder(bench))]
    if processor is not None:
        command += ["--processor", str(processor)]
        if not os.environ.get(LET_SLEEP):
            command += bench.start_keep_awake(processor)
    return command


def _rig_options(
    bench: BenchProcesses, name: str, leader: str, profile: Profile, processor: int | None
) -> list[str]:
    """Start the simulated rig of an axis; return the rig host's options for it."""
    wires = bench.axis_links[leader]
    process = f"rig {name}"
    joins = name != leader
    if joins:
        bench.await_ready(f"rig {leader}")  # the leader's rig is the hub of their bus
    control = start_simulated_rig(
        bench, profile, processor, wires=wires, name=process, at=bench.axis_links[name], joins=joins
    )
    rig = ["--rig", str(bench.processes[process].pid)]
    return ["--wires", str(wires), "--environment", control, *rig]
