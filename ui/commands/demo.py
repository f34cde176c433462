"""``hookeline demo``: the simulated footplate trainer, at the screen or as a session."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Any

from hil.host import BenchOptions, start_axes, start_bench
from hil.profile import Axes, find_profile, load_profile
from hil.sequences import load_sequence
from hil.sizing import sequence_beside
from ui.commands.answers import (
    BAD_INPUT,
    FAILED,
    OK,
    CommandError,
    add_command,
    answer,
    number,
    say,
)
from ui.commands.axes import (
    DEMO,
    axes_given,
    bench_of_axes,
    demo_sequence,
    finish_axes,
    options_of_axes,
    perform_axes_live,
    perform_axes_lockstep,
    perform_axes_replay,
)
from ui.commands.disturb import add_disturb, rehearsal_of
from ui.commands.ineffective import refuse_ineffective
from ui.commands.screen import (
    Opening,
    has_display,
    has_platform,
    operate,
    operate_axes,
    watching_dashboard,
)
from ui.commands.session import finish, fit, perform_live, perform_lockstep
from ui.commands.session_cap import add_cap, cap_given, refuse_cap
from ui.commands.visitors import add_open_house, check_open_house
from ui.commands.wire import add_wire, check_wire, last_run, perform_replay

HINT = "Simulated rig: nothing real moves. G begins the tour, S leaves it, Esc stops."
AXES_HINT = "Simulated rigs: nothing real moves. Ctrl+Tab shows the next axis, Esc stops all."
TOUR = "tour"
PROFILE = "footplate_trainer"
SESSION = {"linear": "demo", "rotary": "demo_rotary"}  # shipped sequences


def add(commands: Any) -> None:
    parser = add_command(
        commands,
        "demo",
        "the simulated footplate trainer: try everything, break nothing",
        "Start a simulated lever rig as a separate process that speaks a real drive's wire\n"
        "protocol, and the bench around it.\n\n"
        "With a display the dashboard opens and you have control. With --scripted the shipped\n"
        "session 'demo' has control and you watch; Esc stops it. Without a display, or with\n"
        "--headless, the same session runs in the terminal and saves the run, a picture of the\n"
        "dashboard and a one-page report in DIR. Nothing real can move.",
        "  hookeline demo\n"
        "  hookeline demo --headless --seconds 30 --out /tmp/demo --json\n"
        "  hookeline demo --lockstep --seed 7        (same samples every time, no waiting)\n"
        "  hookeline demo --profile two_axes         (two actuators on one bus)\n",
    )
    parser.add_argument("--scripted", action="store_true", help="watch the scripted session")
    parser.add_argument(
        "--headless", action="store_true", help="in the terminal, without dashboard"
    )
    parser.add_argument("--seconds", type=number, help="approximate length of the session in s")
    parser.add_argument(
        "--out",
        type=Path,
        default=Path("runs"),
        metavar="DIR",
        help="directory of runs (default: runs)",
    )
    parser.add_argument(
        "--lockstep",
        action="store_true",
        help="in this process, faster than real time; the same samples for one seed",
    )
    parser.add_argument("--seed", type=int, default=1, help="seed of the simulated rig in lockstep")
    parser.add_argument(
        "--profile",
        default=PROFILE,
        help=f"simulated rig to use (default: {PROFILE}), or axes such as two_axes",
    )
    add_cap(parser)
    add_open_house(parser)
    add_wire(parser)
    add_disturb(parser)
    parser.set_defaults(run=run)


def run(options: argparse.Namespace) -> int:
    check_wire(options)
    check_open_house(options)
    shown = has_display() or (options.scripted and has_platform())
    if options.lockstep or options.headless or options.scripted or options.replay or not shown:
        refuse_ineffective(options, ["open-house", "attract"], "where no visitor operates")
    else:
        refuse_ineffective(options, ["seconds"], "while you operate: it scales a session")
    axes = axes_given(options)
    if axes is not None:
        return _on_axes(options, axes)
    profile = load_profile(options.profile)
    beside = sequence_beside(find_profile(options.profile))  # as 'hookeline size' writes it
    sequence = fit(
        load_sequence(beside if beside.exists() else SESSION[profile.motion]), options.seconds
    )
    if profile.simulation is None:
        raise CommandError(
            f"'{profile.name}' describes a real rig; a demo needs a profile with a 'simulation' "
            "part. For a real rig: hookeline perform demo --profile P",
            BAD_INPUT,
        )
    rehearsal = rehearsal_of(options, profile)
    cap = cap_given(options, profile)
    live = BenchOptions(
        runs_directory=options.out,
        log_wire=options.log_wire,
        rehearsal=rehearsal,
        tell=lambda text: say(options, text),
        cap=cap,
    )
    if options.replay is not None:
        refuse_cap(options, "a replay uses the recorded cap. Fix: leave it out")
        performed = perform_replay(options, sequence, profile, options.out)
    elif options.lockstep:
        performed = perform_lockstep(
            options, sequence, options.profile, options.out, options.seed, rehearsal, cap
        )
    elif options.headless or not shown:
        if not options.headless:
            say(options, "No display: the session runs here, in the terminal.")
        with start_bench(options.profile, live) as bench:
            performed = perform_live(options, sequence, bench.link_directory, options.out, True)
        bench.keep_wire_log(performed.run)
    elif options.scripted:
        with (
            start_bench(options.profile, live) as bench,
            watching_dashboard(bench.link_directory, options.out),
        ):
            performed = perform_live(options, sequence, bench.link_directory, options.out, True)
        bench.keep_wire_log(performed.run)
    else:
        with start_bench(options.profile, live) as bench:
            code = operate(
                bench.link_directory,
                runs=options.out,
                opening=Opening(
                    record_as="demo",
                    hint=HINT,
                    offer=TOUR if options.profile == PROFILE and not options.open_house else "",
                    open_house=options.open_house or "",
                    attract=options.attract,
                ),
            )
        bench.keep_wire_log(last_run(options.out))
        say(options, f"the run is in '{options.out}': hookeline runs --runs {options.out}")
        answer(options, {"exit_code": code, "runs": options.out})
        return OK if code == 0 else FAILED
    code, data = finish(options, sequence, profile, performed)
    answer(options, data)
    return code


def _on_axes(options: argparse.Namespace, axes: Axes) -> int:
    sequence = demo_sequence(options, axes)
    runs = options.out
    if options.replay is not None:
        performed = perform_axes_replay(options, sequence, axes, runs)
    elif options.lockstep:
        performed = perform_axes_lockstep(options, sequence, axes, runs)
    else:
        headless = options.headless or not has_display()
        if headless and not options.headless:
            say(options, "No display: the session runs here, in the terminal.")
        each = options_of_axes(options, axes)
        with start_axes(axes, bench_of_axes(options, axes, runs), each) as bench:
            if not headless:
                opening = Opening(record_as="demo", hint=AXES_HINT, offer=DEMO)
                code = operate_axes(axes.name, bench.axis_links, runs=runs, opening=opening)
            else:
                performed = perform_axes_live(options, sequence, axes, bench.axis_links, runs, True)
        if not headless:
            bench.keep_wire_log(last_run(runs))
            say(options, f"the runs are in '{runs}': hookeline runs --runs {runs}")
            answer(options, {"exit_code": code, "runs": runs})
            return OK if code == 0 else FAILED
        bench.keep_wire_log(next(iter(performed.values())).run)
    code, data = finish_axes(options, sequence, axes, performed)
    answer(options, data)
    return code
