"""``hookeline perform``: a sequence on the rig of a profile."""

from __future__ import annotations

import argparse
import contextlib
from dataclasses import replace
from pathlib import Path
from typing import Any

from drivers.motion import speak
from hil.host import start_axes, start_bench
from hil.link import Client, ClientKeys, links_of_axes
from hil.profile import Axes, load_profile, profile_from_dict
from hil.sequences import load_sequence
from ui.commands.answers import BAD_INPUT, CommandError, add_command, answer, number, say
from ui.commands.axes import (
    axes_of_sequence,
    bench_of_axes,
    finish_axes,
    load_session,
    options_of_axes,
    perform_axes_live,
    perform_axes_lockstep,
    perform_axes_replay,
    served_axes,
)
from ui.commands.bench_asked import bench_asked
from ui.commands.disturb import add_disturb, rehearsal_of
from ui.commands.ineffective import OF_ITS_START, refuse_ineffective
from ui.commands.screen import has_display, watching_dashboard
from ui.commands.session import (
    add_set,
    finish,
    fit,
    perform_live,
    perform_lockstep,
    require_person,
    values_given,
)
from ui.commands.session_cap import add_cap, cap_given, refuse_cap
from ui.commands.stated import add_reference
from ui.commands.unverified import add_unverified
from ui.commands.wire import add_wire, check_wire, perform_replay


def add(commands: Any) -> None:
    parser = add_command(
        commands,
        "perform",
        "perform a sequence file on a rig, recorded",
        "Perform a sequence: a short YAML file that powers the rig on, applies behaviours for\n"
        "given times, names the loads to hang and what to measure, and powers off. It runs on\n"
        "the rig of the profile, simulated or real, with every limit and stop active.\n"
        "The run is recorded; a report with the figures is saved in the run's folder.\n\n"
        "On a simulated rig the program hangs and pushes the loads. On a real rig you are\n"
        "prompted for each at the terminal; with --headless there are no prompts, so confirm\n"
        "with --confirm-loads that everything is in place.",
        "  hookeline perform demo --profile footplate_trainer\n"
        "  hookeline perform my.yaml --profile my_rig.yaml --headless --confirm-loads --json\n",
        motion=True,
    )
    parser.add_argument("sequence", help="sequence file, or the name of a shipped one: demo")
    parser.add_argument(
        "--profile",
        help="profile or axes file, or shipped name; default: the one the sequence names",
    )
    parser.add_argument(
        "--link",
        help="perform on a bench that 'hookeline serve' runs: link directory or "
        "tcp://HOST:PORT; the profile is then that bench's",
    )
    parser.add_argument("--keys", type=Path, help="client's key directory, for tcp://")
    parser.add_argument(
        "--out",
        type=Path,
        default=Path("runs"),
        metavar="DIR",
        help="directory of runs (default: runs); with --link, the one its recorder uses",
    )
    add_set(parser)
    parser.add_argument("--seconds", type=number, help="scale to this total length in s")
    parser.add_argument("--headless", action="store_true", help="no dashboard, no prompts")
    parser.add_argument(
        "--confirm-loads",
        action="store_true",
        help="confirm that every load of the sequence is in place and supported",
    )
    parser.add_argument(
        "--lockstep",
        action="store_true",
        help="simulated rig in this process, faster than real time, same samples for one seed",
    )
    parser.add_argument("--seed", type=int, default=1, help="seed of the simulated rig in lockstep")
    add_unverified(parser)
    add_reference(parser)
    add_cap(parser)
    add_wire(parser)
    add_disturb(parser)
    parser.set_defaults(run=run)


def run(options: argparse.Namespace) -> int:
    check_wire(options)
    axes = axes_of_sequence(options)
    if axes is not None:
        return _on_axes(options, axes)
    if options.profile is not None:
        load_profile(options.profile)  # its kind of motion has the units of the sequence
    if options.link is not None:
        _refuse_beside_link(options)
        keys = ClientKeys.load(options.keys) if options.keys is not None else None
        links = links_of_axes(options.link, keys)
        if links:
            return _on_running_axes(options, links, keys)
        sequence = fit(load_sequence(options.sequence, values_given(options)), options.seconds)
        return _on_running_bench(options, sequence, keys)
    sequence = fit(load_sequence(options.sequence, values_given(options)), options.seconds)
    refuse_ineffective(options, ["keys"], "without --link")
    name = options.profile or sequence.profile
    if name is None:
        raise CommandError("the sequence names no profile: add --profile P", BAD_INPUT)
    profile = load_profile(name)
    rehearsal = rehearsal_of(options, profile)
    cap = cap_given(options, profile)
    if options.replay is not None:
        refuse_cap(options, "a replay uses the recorded cap. Fix: leave it out")
        performed = perform_replay(options, sequence, profile, options.out)
    elif options.lockstep:
        performed = perform_lockstep(
            options, sequence, name, options.out, options.seed, rehearsal, cap
        )
    else:
        simulated = profile.simulation is not None
        require_person(sequence, simulated, options.confirm_loads, options.headless)
        asked = replace(
            bench_asked(options, profile, options.out, ask=not options.headless),
            log_wire=options.log_wire,
            rehearsal=rehearsal,
            cap=cap,
        )
        with contextlib.ExitStack() as stack:
            bench = stack.enter_context(start_bench(name, asked))
            if not options.headless and has_display():
                stack.enter_context(watching_dashboard(bench.link_directory, options.out))
            performed = perform_live(
                options, sequence, bench.link_directory, options.out, options.confirm_loads
            )
        bench.keep_wire_log(performed.run)
    code, data = finish(options, sequence, profile, performed)
    answer(options, data)
    return code


def _on_axes(options: argparse.Namespace, axes: Axes) -> int:
    sequence = load_session(options, options.sequence, axes)
    if options.replay is not None:
        performed = perform_axes_replay(options, sequence, axes, options.out)
    elif options.lockstep:
        performed = perform_axes_lockstep(options, sequence, axes, options.out)
    else:
        each = options_of_axes(options, axes)
        with start_axes(axes, bench_of_axes(options, axes, options.out), each) as bench:
            performed = perform_axes_live(
                options, sequence, axes, bench.axis_links, options.out, options.confirm_loads
            )
        bench.keep_wire_log(next(iter(performed.values())).run)
    code, data = finish_axes(options, sequence, axes, performed)
    answer(options, data)
    return code


def _refuse_beside_link(options: argparse.Namespace) -> None:
    """Refuse options of the start of a bench: that of ``--link`` runs already."""
    refuse_cap(options, "the bench of --link is already running. Fix: give the cap where it starts")
    if options.log_wire or options.replay is not None:
        raise CommandError(
            "--link performs on a running bench, whose wires belong to another process: leave "
            "--log-wire and --replay out",
            BAD_INPUT,
        )
    refuse_ineffective(options, OF_ITS_START, "with --link: that bench is already running")
    if options.profile is not None or options.lockstep:
        raise CommandError(
            "--link performs on a running bench with its own profile: leave --profile and "
            "--lockstep out",
            BAD_INPUT,
        )


def _on_running_axes(
    options: argparse.Namespace, links: dict[str, str | Path], keys: ClientKeys | None
) -> int:
    axes = served_axes(options, links, keys)
    sequence = load_session(options, options.sequence, axes)
    say(options, f"performing on {', '.join(links)} at {options.link}")
    performed = perform_axes_live(
        options, sequence, axes, links, options.out, options.confirm_loads, keys
    )
    code, data = finish_axes(options, sequence, axes, performed)
    answer(options, data)
    return code


def _on_running_bench(options: argparse.Namespace, sequence: Any, keys: ClientKeys | None) -> int:
    with Client.connect(options.link, name="profile query", keys=keys) as client:
        description = client.description
    profile = profile_from_dict(description["profile"])
    speak(profile.motion)
    require_person(
        sequence, bool(description["simulated"]), options.confirm_loads, options.headless
    )
    say(options, f"performing on '{profile.name}' at {options.link}")
    performed = perform_live(
        options, sequence, options.link, options.out, options.confirm_loads, keys
    )
    code, data = finish(options, sequence, profile, performed)
    answer(options, data)
    return code
