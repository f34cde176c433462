"""The rig host's process: open the drive and the link, run, and close everything in order."""

from __future__ import annotations

import argparse
import json
import logging
import os
import signal
import sys
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from importlib.metadata import version
from pathlib import Path
from types import FrameType

from drivers.base import Drive, DriverError
from drivers.capture import WireRecorder, wires
from drivers.motion import speak
from hil.control import Standing, keeping_designs, standing
from hil.core import SessionCap, begin_log, read_private
from hil.host.awake_process import AwakeProcess
from hil.host.description import describe
from hil.host.design_files import DesignFiles
from hil.host.host import Host
from hil.host.kept_heat import HeatFiles, begin_heat
from hil.host.kept_reference import keep_reference, take_reference
from hil.host.known_rig import KnownRig
from hil.host.last_look import POWER_STAYED_ON
from hil.host.pauses import PauseWitness
from hil.host.processor_share import ShareWatch
from hil.host.realtime import RealtimeGrant, own_processor, prepare_realtime, processors_given
from hil.host.verification_watch import VerificationWatch
from hil.link import CurveKeyError, LinkError, LinkServer, ServerKeys
from hil.profile import Profile, ProfileError, load_profile, make_drive, profile_from_dict


def main(arguments: list[str] | None = None) -> int:
    """Run the process; return the exit code.

    Exit codes: 0 ended as requested, 2 bad input, 3 hardware not reached, 4 the drive still
    reported power at the end.
    """
    options = parser().parse_args(arguments)
    opened = Opened()

    def run() -> int:
        host = _open(options, os.getppid(), opened)
        return _run(host) if host is not None else 0

    return exit_code(run, (opened,))


def exit_code(run: Callable[[], int], opened: Iterable[Opened]) -> int:
    """Return the result of ``run``, or print its error and return the error's code; close everything."""
    try:
        return run()
    except (ProfileError, LinkError, CurveKeyError) as error:
        print(error, file=sys.stderr)
        return 2
    except DriverError as error:
        print(error, file=sys.stderr)
        return 3
    finally:
        for one in opened:
            one.close()


def parser() -> argparse.ArgumentParser:
    """Return the parser of this process's arguments."""
    parser = argparse.ArgumentParser(prog="hookeline rig host", description=__doc__)
    parser.add_argument("--profile", required=True)
    parser.add_argument("--keep-awake", type=int, help="process that keeps the processor awake")
    parser.add_argument("--rig", type=int, help="process of the simulated rig")
    parser.add_argument("--checked", type=Path, help="the profile, checked, as JSON in SI")
    parser.add_argument("--unverified", default="", help="typed confirmation: open the limits")
    parser.add_argument(
        "--reference-at-lower-end", action="store_true", help="the output rests on its lower end"
    )
    parser.add_argument("--cap", help="limits of the session: a request as JSON")
    parser.add_argument("--hold", action="store_true", help="wait for a line on standard input")
    parser.add_argument("--link", required=True, type=Path, help="link directory")
    parser.add_argument("--wires", type=Path, help="directory of a simulated rig's wires")
    parser.add_argument("--environment", help="simulation control of the simulated rig")
    parser.add_argument("--tcp", help="also serve on this address, HOST:PORT")
    parser.add_argument("--keys", type=Path, help="directory of CURVE keys, needed for --tcp")
    parser.add_argument("--log-wire", type=Path, help="record the wires into this directory")
    parser.add_argument("--priority", type=int, default=60)
    parser.add_argument("--processor", type=int, default=own_processor(), help="stay on this one")
    return parser


@dataclass
class Opened:
    """Devices, sockets and files of a rig host, as far as they are open."""

    drive: Drive | None = None
    link: LinkServer | None = None
    wire: WireRecorder | None = None
    files: HeatFiles | None = None
    host: Host | None = None

    def close(self) -> None:
        """Close everything, the drive first and the records last."""
        host = self.host
        if self.drive is not None:
            self.drive.close()
        if self.files is not None and host is not None:
            host.keep_heat(self.files)
        if host is not None and (doubt := keep_reference(host.bench.own_profile, host.bench)):
            print(doubt, file=sys.stderr, flush=True)
        if self.link is not None:
            self.link.close()
        if self.wire is not None:
            self.wire.close()


@dataclass(frozen=True)
class Loaded:
    """Profile and drive of one axis, or of the only rig; the drive is not open."""

    profile: Profile
    verified: Standing
    drive: Drive


@dataclass(frozen=True)
class Prepared:
    """Rights and processors of this process, obtained once for all its axes."""

    grant: RealtimeGrant
    given: frozenset[int]  # processors that the process was given before it stayed on one
    parent: int | None


def load(options: argparse.Namespace, opened: Opened) -> Loaded:
    """Load the profile and make its drive.

    Raises:
        ProfileError: bad input.
    """
    if options.checked is None:
        profile = load_profile(options.profile)
    else:
        profile = profile_from_dict(json.loads(read_private(options.checked)))
        speak(profile.motion)
    verified = standing(profile, options.unverified)
    drive = opened.drive = make_drive(profile, options.wires)
    return Loaded(profile, verified, drive)


def prepare(options: argparse.Namespace, parent: int) -> Prepared:
    """Prepare this process for a paced loop."""
    given = processors_given()
    grant = prepare_realtime(options.priority, options.processor)
    print(grant.notice, file=sys.stderr, flush=True)
    return Prepared(grant, given, parent if options.hold else None)


def open_host(
    options: argparse.Namespace,
    loaded: Loaded,
    prepared: Prepared,
    opened: Opened,
    axis: str = "",
    axes: Sequence[str] = (),
) -> Host:
    """Open the link and return the rig host; the drive must be open.

    Args:
        axis: name of the axis among several, '' for a single rig; ``axes``: the names of all.

    Raises:
        ProfileError, LinkError, CurveKeyError: bad input.
    """
    profile, drive, grant = loaded.profile, loaded.drive, prepared.grant
    files, heat, notice = begin_heat(profile, simulated=profile.simulation is not None)
    opened.files = files
    kept, doubt = take_reference(profile)
    for text in filter(None, (notice, doubt)):
        print(text, file=sys.stderr, flush=True)
    known = KnownRig(
        verified=loaded.verified, at_lower_end=options.reference_at_lower_end, heat=heat, kept=kept
    )
    session = files.session if files is not None else ""
    described = describe(
        profile, options.profile, drive, grant, options.environment, known, session
    )
    link = opened.link = LinkServer(
        options.link,
        described | ({"axis": axis, "axes": list(axes)} if axis else {}),
        profile.link.control_heartbeat,
        tcp=options.tcp,
        keys=ServerKeys.load(options.keys) if options.keys else None,
    )
    log = begin_log(options.link, "host")
    log.info(
        "version %s, profile '%s', process %d", version("hookeline"), options.profile, os.getpid()
    )
    log.info(grant.notice)
    # The loop reads nothing from a disk: designs are kept until it begins, and a redesign finds loaded
    # what it needs.
    import scipy.linalg  # noqa: F401

    with keeping_designs(DesignFiles()):
        host = opened.host = Host(profile, drive, link, opened.wire, known, axis)
        host.bench.prepare_slower()
    if options.cap:
        host.begin_capped(SessionCap.model_validate_json(options.cap))
    host.verification = VerificationWatch(
        profile, loaded.verified, options.profile, options.unverified
    )
    host.parent = prepared.parent
    host.pauses = PauseWitness(options.rig)
    return host


def _open(options: argparse.Namespace, parent: int, opened: Opened) -> Host | None:
    """Open drive and link; return the rig host, or None if the process that started it is gone.

    Raises:
        ProfileError, LinkError, CurveKeyError: bad input.
        DriverError: the drive cannot be reached.
    """
    loaded = load(options, opened)
    if options.hold and not sys.stdin.readline():
        return None
    if options.log_wire is not None:
        opened.wire = WireRecorder(options.log_wire)
        wires.record(opened.wire)
    loaded.drive.open()
    prepared = prepare(options, parent)
    host = open_host(options, loaded, prepared, opened)
    host.awake = AwakeProcess(options.keep_awake)
    rigs = () if options.rig is None else (options.rig,)
    others = prepared.given - processors_given()
    host.share = ShareWatch(rigs, loaded.profile.control.rate, others)
    return host


def _run(host: Host) -> int:
    """Run until a signal ends it; return the exit code."""

    def end() -> None:
        host.ending = True

    obey_signals(end, (host,))
    print("ready", flush=True)
    host.run()
    return ended_code((host,))


def obey_signals(end: Callable[[], None], hosts: Sequence[Host]) -> None:
    """End on SIGTERM and SIGINT; note in every host that this process was continued."""

    def go_on(_signal: int, _frame: FrameType | None) -> None:
        for host in hosts:
            host.pauses.continued()

    def finish(_signal: int, _frame: FrameType | None) -> None:
        end()

    if hasattr(signal, "SIGCONT"):
        signal.signal(signal.SIGCONT, go_on)
    signal.signal(signal.SIGTERM, finish)
    signal.signal(signal.SIGINT, finish)


def ended_code(hosts: Sequence[Host]) -> int:
    """Return the exit code of hosts that have ended; print a warning if power stayed on."""
    pace = hosts[0].pace
    log = logging.getLogger("host")
    log.info("ended after %d cycles, %d late", hosts[0].bench.cycle, pace.late_cycles)
    looks = [host.last_look for host in hosts]
    on = [look for look in looks if look is not None and look.still_on]
    for look in on:
        print(look.text, file=sys.stderr, flush=True)
    return POWER_STAYED_ON if on else 0
