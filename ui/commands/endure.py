"""``hookeline endure``: a sequence repeated, counted, and monitored for wear."""

from __future__ import annotations

import argparse
import contextlib
import hashlib
from collections.abc import Callable
from pathlib import Path
from typing import Any

from pydantic_core import PydanticCustomError

from drivers.motion import FORCE
from drivers.quantities import dimension
from hil.bench import LockstepBench
from hil.control import profile_in_force
from hil.host import start_bench
from hil.link import Client
from hil.procedures import Ended, LiveRunner, LockstepRunner, open_environment
from hil.profile import Profile, load_profile
from hil.sequences import MEASURED_VALUES, Sequence, load_sequence
from hil.wear import (
    Callbacks,
    Enough,
    Journal,
    JournalError,
    Plan,
    SpringLife,
    Until,
    endure,
    words_of,
    write_summary,
)
from ui.commands.answers import (
    BAD_INPUT,
    FAILED,
    INTERRUPTED,
    OK,
    CommandError,
    add_command,
    answer,
    number,
    say,
)
from ui.commands.bench_asked import bench_asked
from ui.commands.session import (
    add_set,
    ask_person,
    check_fit,
    require_person,
    values_given,
    verdict,
)
from ui.commands.stated import add_reference
from ui.commands.unverified import add_unverified


def add(commands: Any) -> None:
    parser = add_command(
        commands,
        "endure",
        "repeat a sequence for hours or millions of cycles, and watch for wear",
        "Repeat a sequence until a number of cycles, a time or a measured value is reached. Every\n"
        "cycle is counted in a journal on disk: after a fault, a restart or a power failure the\n"
        "same command with --go-on continues the count. At intervals friction, stiffness and zero\n"
        "are computed from a cycle's samples and monitored by a cumulative sum: a trend ends the run\n"
        "and is reported with the count at which it began. A hot motor rests without power.\n\n"
        "A stop, a fault or a refusal ends it; only you can start it again. Load and clamps must be\n"
        "safe to leave unattended.",
        "  hookeline endure lift.yaml --profile my_rig.yaml --cycles 100000 --confirm-loads\n"
        "  hookeline endure lift.yaml --profile my_rig.yaml --cycles 100000 --confirm-loads --go-on\n",
        motion=True,
    )
    parser.add_argument("sequence", help="sequence file, or the name of a shipped one")
    parser.add_argument("--profile", help="profile; default: the one the sequence names")
    add_set(parser)
    parser.add_argument(
        "--out",
        type=Path,
        default=Path("endurance"),
        metavar="DIR",
        help="directory of journal, summary page and runs (default: endurance)",
    )
    parser.add_argument(
        "--go-on", action="store_true", help="continue the count of the journal in DIR"
    )
    enough = parser.add_argument_group("until")
    enough.add_argument("--cycles", type=int, metavar="N", help="total number of cycles")
    enough.add_argument("--time", metavar="TIME", help="total time, such as '8 h'")
    enough.add_argument(
        "--until",
        metavar="VALUE",
        choices=sorted(MEASURED_VALUES),
        help="a measured value leaves its range: " + ", ".join(sorted(MEASURED_VALUES)),
    )
    enough.add_argument("--above", metavar="LIMIT", help="of --until, with its unit")
    enough.add_argument("--below", metavar="LIMIT", help="of --until, with its unit")
    parser.add_argument(
        "--measure-every",
        type=int,
        default=1000,
        metavar="N",
        help="measure wear, and record, every N cycles (default: 1000)",
    )
    parser.add_argument(
        "--rest-above",
        type=number,
        default=80.0,
        metavar="PERCENT",
        help="rest above this share of the continuously permitted motor heat (default: 80)",
    )
    parser.add_argument(
        "--rest-below",
        type=number,
        default=50.0,
        metavar="PERCENT",
        help="continue below this share (default: 50)",
    )
    parser.add_argument(
        "--note-trends",
        action="store_true",
        help="record a trend and continue; the limits remain active",
    )
    life = parser.add_argument_group("life (the share used is counted if these are known)")
    life.add_argument("--spring-range", metavar="FORCE", help="range of spring force endured for …")
    life.add_argument("--spring-cycles", type=number, metavar="N", help="… this number of cycles")
    life.add_argument(
        "--spring-exponent",
        type=number,
        default=8.0,
        metavar="M",
        help="exponent of that S-N line (default: 8)",
    )
    life.add_argument("--screw-rating", metavar="FORCE", help="dynamic load rating C (ISO 3408-5)")
    parser.add_argument("--headless", action="store_true", help="no prompts")
    parser.add_argument(
        "--confirm-loads", action="store_true", help="confirm every load of the sequence"
    )
    simulated = parser.add_argument_group("simulated rig in lockstep")
    simulated.add_argument("--lockstep", action="store_true", help="faster than real time")
    simulated.add_argument("--seed", type=int, default=1, help="seed of the simulated rig")
    simulated.add_argument(
        "--stands-for",
        type=int,
        default=1,
        metavar="N",
        help="each simulated cycle counts for N; those in between are not simulated",
    )
    simulated.add_argument(
        "--friction-grows",
        type=number,
        default=0.0,
        metavar="X",
        help="by this share per million cycles",
    )
    simulated.add_argument(
        "--springs-soften",
        type=number,
        default=0.0,
        metavar="X",
        help="by this share per million cycles",
    )
    simulated.add_argument(
        "--wear-from", type=int, default=0, metavar="N", help="cycle at which the wear begins"
    )
    add_unverified(parser)
    add_reference(parser)
    parser.set_defaults(run=run)


def run(options: argparse.Namespace) -> int:
    sequence = load_sequence(options.sequence, values_given(options))
    name = options.profile or sequence.profile
    if name is None:
        raise CommandError("the sequence names no profile: add --profile P", BAD_INPUT)
    profile = load_profile(name)
    check_fit(sequence, profile)
    plan = plan_of(options)
    if not options.lockstep:
        if options.stands_for != 1 or options.friction_grows or options.springs_soften:
            raise CommandError(
                "--stands-for, --friction-grows and --springs-soften need the simulated rig in "
                "lockstep: add --lockstep, or omit them",
                BAD_INPUT,
            )
        require_person(
            sequence, profile.simulation is not None, options.confirm_loads, options.headless
        )
    elif profile.simulation is None:
        raise CommandError(
            f"'{profile.name}' describes a real rig; lockstep needs a 'simulation' part", BAD_INPUT
        )
    with contextlib.closing(_journal(options, sequence, profile)) as journal:
        if journal.count:
            say(options, f"continuing from {journal.count} cycles")
        callbacks = Callbacks()
        page = options.out / "summary.html"
        callbacks.change = lambda change: say(options, words_of(change))
        callbacks.summary = lambda: write_summary(
            page, f"{sequence.name} on {profile.name}", journal, callbacks.trends
        )
        if options.lockstep:
            ended = _in_lockstep(options, sequence, profile, plan, journal, callbacks)
        else:
            ended = _live(options, name, sequence, profile, plan, journal, callbacks)
        enough = ended.value if isinstance(ended.value, Enough) else None
        text = f"Done: {enough.text}." if enough is not None else verdict(ended)
        say(options, text)
        say(options, f"{journal.count} cycles, {journal.seconds / 3600:.2f} h; summary {page}")
        for part, share in journal.damage.items():
            say(options, f"  life of {part} used: {100 * share:.3g} %")
        answer(
            options,
            {
                "ended": enough.why if enough is not None else ended.how,
                "text": text,
                "cycles": journal.count,
                "seconds": journal.seconds,
                "damage": journal.damage,
                "changes": [vars(change) for change in enough.changes] if enough else [],
                "summary": page,
            },
        )
    if ended.how == "interrupted":
        return INTERRUPTED
    return OK if enough is not None and not enough.changes else FAILED


def plan_of(options: argparse.Namespace) -> Plan:
    """Return the plan of the options.

    Raises:
        CommandError: an invalid option.
    """

    def quantity(option: str, text: str | None, unit: str) -> float | None:
        if text is None:
            return None
        try:
            value = dimension(unit).parse(text)
        except PydanticCustomError as error:
            raise CommandError(f"{option} {text}: {error.message()}", BAD_INPUT) from None
        return value

    for option in ("cycles", "measure_every", "stands_for", "spring_cycles"):
        value = getattr(options, option)
        if value is not None and not value >= 1:
            raise CommandError(f"--{option.replace('_', '-')} {value}: at least 1", BAD_INPUT)
    if not 0.0 < options.rest_below < options.rest_above <= 100.0:
        raise CommandError(
            f"--rest-above {options.rest_above:g} and --rest-below {options.rest_below:g}: write "
            "0 < below < above ≤ 100 (percent)",
            BAD_INPUT,
        )
    until = None
    if options.until is not None:
        unit = MEASURED_VALUES[options.until][0]
        high = quantity("--above", options.above, unit)
        low = quantity("--below", options.below, unit)
        if high is None and low is None:
            raise CommandError("--until needs --above or --below", BAD_INPUT)
        parts = [f"above {options.above}"] if options.above else []
        parts += [f"below {options.below}"] if options.below else []
        until = Until(
            options.until,
            float("-inf") if low is None else low,
            float("inf") if high is None else high,
            f"{options.until.replace('_', ' ')} {' or '.join(parts)}",
        )
    elif options.above or options.below:
        raise CommandError("--above and --below belong to --until VALUE", BAD_INPUT)
    seconds = quantity("--time", options.time, "s")
    if options.cycles is None and seconds is None and until is None:
        raise CommandError("name the goal: --cycles, --time or --until", BAD_INPUT)
    spring_range = quantity("--spring-range", options.spring_range, "N")
    rating = quantity("--screw-rating", options.screw_rating, "N")
    if (spring_range is None) != (options.spring_cycles is None):
        raise CommandError("--spring-range and --spring-cycles belong together", BAD_INPUT)
    for option, value in (("--spring-range", spring_range), ("--screw-rating", rating)):
        if value is not None and not value > 0.0:
            raise CommandError(f"{option}: must be above 0{FORCE}", BAD_INPUT)
    spring = None
    if spring_range is not None:
        spring = SpringLife(spring_range, options.spring_cycles, options.spring_exponent)
    return Plan(
        cycles=options.cycles,
        seconds=seconds,
        until=until,
        measure_every=options.measure_every,
        rest_above=options.rest_above / 100.0,
        rest_below=options.rest_below / 100.0,
        stands_for=options.stands_for,
        stop_on_trend=not options.note_trends,
        spring=spring,
        screw_rating_N=rating,
    )


def _journal(options: argparse.Namespace, sequence: Sequence, profile: Profile) -> Journal:
    steps = repr([step.model_dump() for step in sequence.steps]).encode()
    head = {
        "sequence": sequence.name,
        "steps": hashlib.sha256(steps).hexdigest()[:16],
        "profile": profile.name,
        "in_lockstep": bool(options.lockstep),
    }
    file = options.out / "journal.jsonl"
    if options.go_on and not file.exists():
        say(options, f"--go-on: no journal in '{options.out}' yet: the count begins at 0")
    try:
        return Journal(file, head, options.go_on)
    except JournalError as error:
        raise CommandError(str(error), BAD_INPUT) from None


def wear_of(options: argparse.Namespace, bench: LockstepBench) -> Callable[[int], None]:
    """Return a function that wears the simulated rig with the count."""

    def wear(count: int) -> None:
        million = max(0, count - options.wear_from) / 1e6
        bench.environment.disturb("friction_factor", 1.0 + options.friction_grows * million)
        softened = max(0.05, 1.0 - options.springs_soften * million)
        bench.environment.disturb("spring_factor", softened)

    return wear


def _in_lockstep(
    options: argparse.Namespace,
    sequence: Sequence,
    profile: Profile,
    plan: Plan,
    journal: Journal,
    callbacks: Callbacks,
) -> Ended:
    bench = LockstepBench(profile, options.seed)
    callbacks.before = wear_of(options, bench)
    runner = LockstepRunner(bench)
    return runner.run(endure(sequence, profile, plan, journal, callbacks))


def _live(
    options: argparse.Namespace,
    name: str,
    sequence: Sequence,
    profile: Profile,
    plan: Plan,
    journal: Journal,
    callbacks: Callbacks,
) -> Ended:
    asked = bench_asked(options, profile, options.out / "runs", ask=not options.headless)
    with contextlib.ExitStack() as stack:
        bench = stack.enter_context(start_bench(name, asked))
        client = stack.enter_context(Client.connect(bench.link_directory, name="endure"))
        description = client.description
        environment = open_environment(stack, description)
        runner = LiveRunner(client, environment, ask_person(options, options.confirm_loads))
        in_force = profile_in_force(description)
        return runner.run(endure(sequence, in_force, plan, journal, callbacks))
