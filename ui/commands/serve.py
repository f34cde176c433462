"""``hookeline serve``: rig host and recorder without a dashboard."""

from __future__ import annotations

import argparse
import contextlib
import time
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from types import MappingProxyType
from typing import Any

from hil.host import BenchError, BenchProcesses, start_axes, start_bench
from hil.link import (
    ServerKeys,
    axis_addresses,
    default_directory,
    make_client_keys,
    make_server_keys,
)
from hil.profile import load_profile
from ui.commands.answers import BAD_INPUT, OK, CommandError, add_command, answer, say
from ui.commands.axes import axes_given, bench_of_axes, options_of_axes
from ui.commands.bench_asked import bench_asked
from ui.commands.session_cap import add_cap, cap_given
from ui.commands.springs import add_springs, fitted_profile
from ui.commands.stated import add_reference
from ui.commands.unverified import add_unverified

LOOK_S = 0.2


def add(commands: Any) -> None:
    parser = add_command(
        commands,
        "serve",
        "run a rig for dashboards, scripts and notebooks elsewhere",
        "Start rig host and recorder (and the simulated rig, if the profile has one) and keep\n"
        "them running until Ctrl-C. Clients connect through the link directory, which only\n"
        "your own user can enter, or with --tcp over the network, which needs keys: nothing\n"
        "passes in the clear, and only clients listed in the key directory are accepted.\n\n"
        "One client at a time holds control; the others watch; anyone may stop. If the holder\n"
        "goes silent, the rig stops.",
        "  hookeline serve --profile my_rig.yaml\n"
        "  hookeline serve --make-keys ~/keys --client laptop\n"
        "  hookeline serve --profile my_rig.yaml --tcp 0.0.0.0:7700 --keys ~/keys\n",
        motion=True,
    )
    parser.add_argument("--profile", help="profile or axes file, or the name of a shipped one")
    parser.add_argument(
        "--link", type=Path, metavar="DIR", help="link directory (default: a private one)"
    )
    parser.add_argument(
        "--runs",
        type=Path,
        default=Path("runs"),
        metavar="DIR",
        help="directory of runs (default: runs)",
    )
    parser.add_argument("--tcp", metavar="HOST:PORT", help="serve on the network as well")
    parser.add_argument("--keys", type=Path, metavar="DIR", help="key directory, for --tcp")
    parser.add_argument("--no-recorder", action="store_true", help="record nothing")
    parser.add_argument(
        "--make-keys", type=Path, metavar="DIR", help="make the rig host's keys in DIR and exit"
    )
    parser.add_argument(
        "--client",
        metavar="NAME",
        help="with --make-keys: also keys for this client, in DIR/for-NAME",
    )
    add_springs(parser)
    add_unverified(parser)
    add_reference(parser)
    add_cap(parser)
    parser.set_defaults(run=run)


def run(options: argparse.Namespace) -> int:
    if options.make_keys is not None:
        return _make_keys(options)
    if options.profile is None:
        raise CommandError("serve needs --profile P, or --make-keys DIR", BAD_INPUT)
    if options.client is not None:
        raise CommandError("--client goes with --make-keys", BAD_INPUT)
    if (options.tcp is None) != (options.keys is None):
        raise CommandError(
            "--tcp and --keys go together: nothing is served in the clear; make keys with "
            "'hookeline serve --make-keys DIR --client NAME'",
            BAD_INPUT,
        )
    if options.keys is not None:
        ServerKeys.load(options.keys)  # the rig host would report it seconds later
    axes = axes_given(options)
    if axes is not None:
        asked = replace(
            bench_of_axes(options, axes, options.runs),
            link_directory=options.link or default_directory(),
            tcp=options.tcp,
            keys=options.keys,
            recorder=not options.no_recorder,
        )
        addresses = axis_addresses(options.tcp, axes.profiles) if options.tcp else {}
        each = options_of_axes(options, axes)
        return _serve(options, start_axes(axes, asked, each), addresses)
    options.profile = fitted_profile(options)
    profile = load_profile(options.profile)
    asked = replace(
        bench_asked(options, profile, options.runs),
        link_directory=options.link or default_directory(),
        tcp=options.tcp,
        keys=options.keys,
        recorder=not options.no_recorder,
        cap=cap_given(options, profile),
    )
    return _serve(options, start_bench(options.profile, asked))


def _serve(
    options: argparse.Namespace,
    started: BenchProcesses,
    addresses: Mapping[str, str] = MappingProxyType({}),
) -> int:
    with started as bench:
        for notice in bench.notices:
            say(options, notice)
        say(options, f"serving at {bench.link_directory}; Ctrl-C ends it")
        for axis, link in bench.axis_links.items():
            over = f", and at tcp://{addresses[axis]}" if axis in addresses else ""
            say(options, f"axis {axis} at {link}{over}")
        of_axes = {axis: str(link) for axis, link in bench.axis_links.items()}
        answer(
            options,
            {"link": bench.link_directory, "tcp": options.tcp, "runs": options.runs}
            | ({"axes": of_axes} if of_axes else {})
            | ({"axes_tcp": dict(addresses)} if addresses else {}),
        )
        with contextlib.suppress(KeyboardInterrupt):
            while (failed := bench.wait_failed()) is None:
                time.sleep(LOOK_S)
            raise BenchError(failed)
    return OK


def _make_keys(options: argparse.Namespace) -> int:
    directory: Path = options.make_keys
    make_server_keys(directory)
    data: dict[str, Any] = {"server": directory, "client": None}
    say(options, f"the rig host's keys are in {directory}: give it --keys {directory}")
    if options.client is not None:
        client = directory / f"for-{options.client}"
        make_client_keys(client, directory, options.client)
        data["client"] = client
        say(
            options,
            f"take {client} to the client's machine and keep it secret; it connects with --keys",
        )
    answer(options, data)
    return OK
