"""``hookeline bench``: the dashboard on a rig."""

from __future__ import annotations

import argparse
from dataclasses import replace
from pathlib import Path
from typing import Any

from hil.host import start_axes, start_bench
from hil.link import ClientKeys, links_of_axes
from hil.profile import Axes, find_profile, load_profile
from ui.commands.answers import BAD_INPUT, FAILED, OK, CommandError, add_command, answer, say
from ui.commands.axes import axes_given, bench_of_axes, options_of_axes
from ui.commands.bench_asked import bench_asked
from ui.commands.disturb import add_disturb, rehearsal_of
from ui.commands.ineffective import OF_ITS_START, refuse_ineffective
from ui.commands.screen import Opening, has_display, operate, operate_axes
from ui.commands.session_cap import add_cap, cap_given, refuse_cap
from ui.commands.springs import add_springs, choice_of, fitted_profile
from ui.commands.stated import add_reference
from ui.commands.unverified import add_unverified
from ui.commands.visitors import add_open_house, check_open_house
from ui.commands.wire import add_wire, last_run

IN_THE_DASHBOARD = "the bench of --link is already running. Fix: set its cap on the Operate page"


def add(commands: Any) -> None:
    parser = add_command(
        commands,
        "bench",
        "operate a rig from the dashboard",
        "Start rig host and recorder for a profile and open the dashboard on them. If the\n"
        "profile has a 'simulation' part, a simulated rig is started as well. With --link the\n"
        "dashboard opens on a bench that 'hookeline serve' runs, here or over the network.\n\n"
        "Closing the window stops the rig and ends what was started here. If the window hangs\n"
        "or dies, the rig host stops the rig by itself.",
        "  hookeline bench --profile my_rig.yaml\n"
        "  hookeline bench --link tcp://bench-pc:7700 --keys ~/keys\n",
        motion=True,
    )
    which = parser.add_mutually_exclusive_group(required=True)
    which.add_argument("--profile", help="profile or axes file, or the name of a shipped one")
    which.add_argument("--link", help="link directory or tcp://HOST:PORT of a running bench")
    parser.add_argument("--keys", type=Path, help="client's key directory, for tcp://")
    parser.add_argument(
        "--runs",
        type=Path,
        default=Path("runs"),
        metavar="DIR",
        help="directory of runs (default: runs)",
    )
    parser.add_argument("--watch", action="store_true", help="do not take control")
    add_springs(parser)
    add_unverified(parser)
    add_reference(parser)
    add_cap(parser)
    add_open_house(parser)
    add_wire(parser, replay=False)
    add_disturb(parser)
    parser.set_defaults(run=run)


def run(options: argparse.Namespace) -> int:
    if not has_display():
        raise CommandError(
            "no display here (neither DISPLAY nor WAYLAND_DISPLAY is set): use "
            "'hookeline serve' on this machine and 'hookeline bench --link' on one with a "
            "screen, or 'hookeline perform SEQUENCE --headless'",
            BAD_INPUT,
        )
    check_open_house(options)
    opening = Opening(open_house=options.open_house or "", attract=options.attract)
    axes = axes_given(options)
    if options.link is None:
        refuse_ineffective(options, ["keys"], "without --link")
    keys = ClientKeys.load(options.keys) if options.keys is not None else None
    served = links_of_axes(options.link, keys) if options.link is not None else {}
    if axes is not None or served:
        code = _on_axes(options, axes, served, keys)
        answer(options, {"exit_code": code, "runs": options.runs})
        return OK if code == 0 else FAILED
    if options.link is not None:
        refuse_cap(options, IN_THE_DASHBOARD)
        refuse_ineffective(
            options, ("log-wire", *OF_ITS_START), "with --link: that bench is already running"
        )
        if options.springs is not None:
            fitted_profile(options)
        code = operate(
            options.link, keys=keys, watch=options.watch, runs=options.runs, opening=opening
        )
    else:
        options.profile = fitted_profile(options)
        while True:
            code, chosen = _on_a_bench(options, opening)
            if chosen is None:
                break
            say(options, f"another set of springs was chosen: the bench restarts with {chosen}")
            # The typed name and the stated reference applied to the previous set.
            options.profile, options.unverified = str(chosen), None
            options.reference_at_lower_end = False
    answer(options, {"exit_code": code, "runs": options.runs})
    return OK if code == 0 else FAILED


def _on_axes(
    options: argparse.Namespace,
    axes: Axes | None,
    served: dict[str, str | Path],
    keys: ClientKeys | None,
) -> int:
    """Run the dashboard of several axes; return its exit code."""
    if axes is None:
        if options.open_house:
            raise CommandError("--open-house is for one axis: leave it out", BAD_INPUT)
        refuse_cap(options, IN_THE_DASHBOARD)
        refuse_ineffective(options, OF_ITS_START, "with --link: that bench is already running")
        title = Path(options.link).name
        return operate_axes(title, served, keys=keys, watch=options.watch, runs=options.runs)
    each = options_of_axes(options, axes)
    with start_axes(axes, bench_of_axes(options, axes, options.runs), each) as bench:
        for notice in bench.notices:
            say(options, notice)
        code = operate_axes(
            axes.name,
            bench.axis_links,
            watch=options.watch,
            runs=options.runs,
            opening=Opening(record_as="bench"),
            files=axes.paths,
        )
    bench.keep_wire_log(last_run(options.runs))
    return code


def _on_a_bench(options: argparse.Namespace, opening: Opening) -> tuple[int, Path | None]:
    """Run a bench and the dashboard on it; return its exit code, and the set chosen to follow."""
    profile = load_profile(options.profile)
    rehearsal = rehearsal_of(options, profile)
    asked = replace(
        bench_asked(options, profile, options.runs),
        log_wire=options.log_wire,
        rehearsal=rehearsal,
        cap=cap_given(options, profile),
    )
    # A recorded wire, and rehearsed faults, belong to one bench.
    alone = bool(options.log_wire) or rehearsal is not None or options.watch
    springs = None if alone else choice_of(str(options.profile))
    for left_out in springs.left_out if springs is not None else ():
        say(options, f"springs: {left_out}")
    with start_bench(options.profile, asked) as bench:
        for notice in bench.notices:
            say(options, notice)
        code = operate(
            bench.link_directory,
            watch=options.watch,
            runs=options.runs,
            opening=replace(opening, record_as="bench"),
            profile_file=Path(find_profile(options.profile)),
            springs=springs,
        )
    bench.keep_wire_log(last_run(options.runs))
    return code, springs.chosen if springs is not None else None
