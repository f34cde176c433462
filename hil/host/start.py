"""Start of a bench: simulated rig, rig host and recorder, each after those it needs."""

from __future__ import annotations

import contextlib
import json
import os
import tempfile
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from hil.bench import Rehearsal
from hil.core import SessionCap, write_private
from hil.host.processes import BenchProcesses
from hil.link import claimed_link_directory
from hil.profile import Profile, load_profile, profile_to_dict, rig_parameters, simulated_wires

LET_SLEEP = "HOOKELINE_LET_SLEEP"  # set in the environment: no process keeps the processor awake


def _say_nothing(_text: str) -> None:
    pass


@dataclass(frozen=True, kw_only=True)
class BenchOptions:
    """Options of a bench to be started.

    Attributes:
        runs_directory: where the recorder keeps runs.
        link_directory: where clients connect; None for a temporary one.
        tcp: address that the rig host serves as well, ``HOST:PORT``.
        keys: directory of the rig host's keys, needed for ``tcp``.
        recorder: False for a bench that records nothing.
        profile: replaces the contents of the profile's file, for a simulated rig with injected
            faults; None to read the file.
        log_wire: record the drive's wires; :meth:`BenchProcesses.keep_wire_log` puts the
            recording into a run's folder when the bench has ended.
        rehearsal: faults to rehearse on a simulated rig.
        tell: takes a line for each fault of the rehearsal.
        unverified: confirmation that the operator typed to open the limits of a rig that no
            bring-up has verified.
        at_lower_end: the operator stated that the output rests on its lower end.
        cap: limits of this session, narrower than the profile's.
    """

    runs_directory: Path
    link_directory: Path | None = None
    tcp: str | None = None
    keys: Path | None = None
    recorder: bool = True
    profile: Profile | None = None
    log_wire: bool = False
    rehearsal: Rehearsal | None = None
    tell: Callable[[str], None] = _say_nothing
    unverified: str = ""
    at_lower_end: bool = False
    cap: SessionCap | None = None


def start_bench(profile_path: str | Path, options: BenchOptions) -> BenchProcesses:
    """Start everything the profile needs; the simulated rig only if the profile has one.

    Raises:
        ProfileError: the profile is not valid.
        BenchError: a process did not come up.
    """
    profile = load_profile(profile_path) if options.profile is None else options.profile
    bench = bench_of(options)
    try:
        processor = bench.claim_processor()
        control = None
        if profile.simulation is not None:
            control = start_simulated_rig(bench, profile, processor)
        host = _host_command(bench, profile_path, profile, processor)
        host += host_options(options)
        if control is not None:
            host += ["--wires", str(bench.link_directory), "--environment", control]
            host += ["--rig", str(bench.processes["rig"].pid)]
        if processor is not None and not os.environ.get(LET_SLEEP):
            host += bench.start_keep_awake(processor)
        if options.log_wire:
            host += ["--log-wire", str(wire_log_folder(bench))]
        bench.start("host", host, held=True)
        recording = start_recorder(bench, bench.link_directory) if options.recorder else []
        _let_go(bench, recording)
        if control is None:
            heat_keeper = ["hil.host.heat_keeper", "--link", str(bench.link_directory)]
            bench.start("heat_keeper", heat_keeper)
        elif options.rehearsal is not None:
            bench.rehearse(options.rehearsal, control, profile.control.rate, options.tell)
    except BaseException:
        bench.close()
        raise
    return bench


def start_rig(profile: Profile) -> BenchProcesses:
    """Start the simulated rig alone, without power; its wires are in the link directory.

    Raises:
        ProfileError: the rig is not possible.
        BenchError: it did not come up.
    """
    owned = contextlib.ExitStack()
    directory = Path(owned.enter_context(tempfile.TemporaryDirectory(prefix="hookeline-")))
    bench = BenchProcesses(directory, directory, owned)
    try:
        start_simulated_rig(bench, profile, bench.claim_processor())
        bench.await_ready("rig")
    except BaseException:
        bench.close()
        raise
    return bench


def bench_of(options: BenchOptions) -> BenchProcesses:
    """Return the bench with its link directory, and no process yet.

    Raises:
        LinkError: the directory is not private, or another bench uses it.
    """
    owned = contextlib.ExitStack()
    if options.link_directory is not None:
        owned.enter_context(claimed_link_directory(options.link_directory))
        return BenchProcesses(options.link_directory, options.runs_directory, owned)
    parent = os.environ.get("XDG_RUNTIME_DIR")
    if parent is not None and not os.access(parent, os.W_OK):
        parent = None
    folder = owned.enter_context(tempfile.TemporaryDirectory(prefix="hookeline-", dir=parent))
    return BenchProcesses(Path(folder), options.runs_directory, owned)


def _host_command(
    bench: BenchProcesses, profile_path: str | Path, profile: Profile, processor: int | None
) -> list[str]:
    """Return the rig host's command; it runs with the profile that was checked here."""
    checked = write_checked(bench.link_directory, profile)
    command = ["hil.host", "--hold", "--checked", str(checked), "--profile", str(profile_path)]
    command += ["--link", str(bench.link_directory)]
    if processor is not None:
        command += ["--processor", str(processor)]
    return command


def write_checked(directory: Path, profile: Profile) -> Path:
    """Write the profile that was checked here into a private directory; return the file."""
    checked = directory / "profile.json"
    write_private(checked, json.dumps(profile_to_dict(profile)))
    return checked


def host_options(options: BenchOptions) -> list[str]:
    """Return the rig host's arguments for these options."""
    given = ["--unverified", options.unverified] if options.unverified else []
    if options.at_lower_end:
        given.append("--reference-at-lower-end")
    if options.cap is not None:
        given += ["--cap", options.cap.model_dump_json()]
    if options.tcp is not None:
        given += ["--tcp", options.tcp]
    if options.keys is not None:
        given += ["--keys", str(options.keys)]
    return given


def wire_log_folder(bench: BenchProcesses) -> Path:
    """Make the folder in which the wires are recorded, next to the runs, to be moved into one."""
    bench.runs_directory.mkdir(parents=True, exist_ok=True)
    bench.wire_log = Path(tempfile.mkdtemp(prefix=".wire-", dir=bench.runs_directory))
    return bench.wire_log


def start_recorder(bench: BenchProcesses, link: Path, name: str = "recorder") -> list[str]:
    """Start a recorder at a link directory, held; return its command."""
    bench.runs_directory.mkdir(parents=True, exist_ok=True)
    command = ["hil.recorder", "--link", str(link)]
    command += ["--runs", str(bench.runs_directory), "--hold"]
    bench.start(name, command, held=True)
    return command


def _let_go(bench: BenchProcesses, recording: list[str]) -> None:
    """Release each process once those it needs are ready; ``recording`` may be empty."""
    if "rig" in bench.processes:
        bench.await_ready("rig")
    bench.let_go("host")
    bench.await_ready("host")
    bench.notices.append(bench.said("host"))
    if recording:
        bench.let_go("recorder")
        bench.await_ready("recorder")
        bench.keep_recorder(recording)


def simulation_control(directory: Path) -> str:
    """Return the address of the simulation control of the simulated rig with this directory."""
    return f"ipc://{directory / 'environment.ipc'}"


def start_simulated_rig(
    bench: BenchProcesses,
    profile: Profile,
    processor: int | None,
    *,
    name: str = "rig",
    at: Path | None = None,
    wires: Path | None = None,
    joins: bool = False,
) -> str:
    """Start the simulated rig; return the address of its simulation control.

    Args:
        at: its directory, and ``wires`` that of its wires; None for the link directory.
        joins: its bus is that of another simulated rig, which runs.
    """
    assert profile.simulation is not None
    directory = at or bench.link_directory
    control = simulation_control(directory)
    configuration = directory / "rig.json"
    drive = simulated_wires(profile, wires or directory)
    if joins:
        drive["bus"] = drive["bus"] | {"role": "member"}
    written = {
        "protocol": profile.drive["protocol"],
        "options": drive,
        "parameters": json.loads(rig_parameters(profile).to_json()),
        "environment": control,
        "seed": profile.simulation.seed,
        "processor": processor,
    }
    write_private(configuration, json.dumps(written))
    bench.start(name, ["drivers.simulated.process", "--config", str(configuration)])
    return control
