"""``hookeline measure``: from "it moves" to a data sheet."""

from __future__ import annotations

import argparse
import contextlib
import multiprocessing
import os
import shlex
from collections.abc import Iterable, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace
from pathlib import Path
from typing import Any

from hil.bench import Rehearsal
from hil.control import profile_in_force
from hil.host import start_bench
from hil.link import Client
from hil.measure import (
    MEASURED,
    RUNS,
    TESTS,
    EndOfTest,
    GuardedTest,
    Sheet,
    SheetError,
    assemble,
    chosen,
    duration_words,
    finished_runs,
    measure_all,
    measure_in_lockstep,
    new_measurement_folder,
    shown,
    tests_length_s,
    write_sheet,
)
from hil.procedures import Ended
from hil.profile import Profile, load_profile, varied_simulation
from ui.commands.answers import (
    BAD_INPUT,
    FAILED,
    INTERRUPTED,
    NOT_REACHED,
    OK,
    CommandError,
    add_command,
    answer,
    say,
)
from ui.commands.bench_asked import bench_asked
from ui.commands.disturb import add_disturb, rehearsal_of
from ui.commands.ineffective import refuse_ineffective
from ui.commands.person_at_rig import add_simulated_person, require_fitting_person, runner_of_person
from ui.commands.redesign import redesign
from ui.commands.sheets_compared import compare
from ui.commands.stated import add_reference
from ui.commands.unverified import add_unverified
from ui.dashboard.priority import favour, give_way

RECORDED_WAIT_S = 60.0


def add(commands: Any) -> None:
    parser = add_command(
        commands,
        "measure",
        "characterise a rig: guarded tests, figures with uncertainty, data sheet",
        "Measure the performance of this rig. The plan is made from the profile: each test states\n"
        "its purpose, risk, set-up and duration (--list). Nothing moves unless the hold-to-run\n"
        "control is held; power is off between tests. A stopped test ends the plan; continue with\n"
        "--resume.\n\n"
        "Each test is a recorded run. Figures are computed from the runs alone, with expanded\n"
        "uncertainty (k = 2), next to the design's prediction and, on a simulated rig in lockstep,\n"
        "the simulation's truth. --again computes them again from the same runs.",
        "  hookeline measure --profile my_rig.yaml\n"
        "  hookeline measure --profile footplate_trainer --lockstep --only force_response --json\n"
        "  hookeline measure --again measured/DIR\n"
        "  hookeline measure --propose measured/DIR\n"
        "  hookeline measure --propose measured/DIR --profile my_rig.yaml --try --apply\n"
        "  hookeline measure --compare measured/BEFORE measured/AFTER\n",
        motion=True,
    )
    parser.add_argument("--profile", help="profile file or shipped name")
    parser.add_argument(
        "--out", type=Path, metavar="DIR", help="folder (default: measured/ and the date)"
    )
    parser.add_argument(
        "--resume", type=Path, metavar="DIR", help="run the unfinished tests of DIR"
    )
    parser.add_argument(
        "--again",
        type=Path,
        metavar="DIR",
        help="compute the figures again from the runs in DIR; no motion",
    )
    parser.add_argument(
        "--propose",
        type=Path,
        metavar="DIR",
        help="propose a force loop designed for the plant measured in DIR; with --profile and "
        "--apply write its values into that file; no motion",
    )
    parser.add_argument(
        "--try",
        dest="trial",
        action="store_true",
        help="with --propose and --profile: run force_response with the redesign, compare it with "
        "the present gains, and keep the result in DIR/redesign",
    )
    parser.add_argument(
        "--apply",
        action="store_true",
        help="with --propose: write the values; with --try only if the redesign passes",
    )
    parser.add_argument(
        "--compare",
        type=Path,
        nargs=2,
        metavar=("A", "B"),
        help="compare two data sheets (folders, or their JSON files); no motion",
    )
    parser.add_argument(
        "--only",
        metavar="TEST",
        action="append",
        default=[],
        choices=[test.key for test in TESTS],
        help="this test; may be given several times. drift (an hour) runs only if named",
    )
    parser.add_argument("--list", action="store_true", help="list the plan")
    add_simulated_person(parser)
    parser.add_argument("--seed", type=int, default=1, help="seed of the simulated rig in lockstep")
    parser.add_argument(
        "--varied",
        action="store_true",
        help="vary simulated friction, noise and springs by up to 20 %%, by the seed",
    )
    add_unverified(parser)
    add_reference(parser)
    add_disturb(parser)
    parser.set_defaults(run=run)


def run(options: argparse.Namespace) -> int:
    try:
        if options.compare is not None:
            return compare(options)
        if options.again is not None:
            return _finish(options, options.again, [], None)
        if options.propose is not None:
            return redesign(options, lambda *what: _run(options, *what))
        refuse_ineffective(options, ["try", "apply"], "without --propose")
        if options.profile is None and not options.list:
            raise CommandError("name the rig: --profile P", BAD_INPUT)
        if options.resume is not None and options.out is not None:
            raise CommandError("--resume continues in its own folder: omit --out", BAD_INPUT)
        profile = None if options.profile is None else load_profile(options.profile)
        tests = chosen(options.only)
        if options.list:
            return _list(options, tests if options.only else TESTS, profile)
        assert profile is not None
        if options.varied:
            profile = varied_simulation(profile, options.seed)
        return _measure(options, profile, tests)
    except SheetError as error:
        raise CommandError(str(error), BAD_INPUT) from None


def _measure(options: argparse.Namespace, profile: Profile, tests: list[GuardedTest]) -> int:
    require_fitting_person(options, profile)
    folder = options.resume or options.out or new_measurement_folder(Path(MEASURED), profile.name)
    if options.resume is not None:
        if not (folder / RUNS).is_dir():
            raise CommandError(f"--resume: '{folder}' holds no runs of a measurement", BAD_INPUT)
        done = finished_runs(folder)
        tests = [test for test in tests if test.key not in done]
    elif (folder / RUNS).exists():
        raise CommandError(
            f"'{folder}' already holds runs: continue with --resume, or name another folder",
            BAD_INPUT,
        )
    (folder / RUNS).mkdir(parents=True, exist_ok=True)
    say(options, profile.stop.load)
    say(
        options,
        "A software stop is not a safety function: keep the hard-wired emergency stop within reach.",
    )
    say(
        options,
        f"{len(tests)} tests, about {duration_words(tests_length_s(tests, profile))} without manual work",
    )
    return _finish(options, folder, *_run(options, profile, tests, folder))


def _run(
    options: argparse.Namespace, profile: Profile, tests: list[GuardedTest], folder: Path
) -> tuple[list[EndOfTest], Ended | None]:
    if options.lockstep:
        return _lockstep(options, profile, tests, folder), None
    return _live(options, profile, tests, folder)


# -- lockstep ---------------------------------------------------------------------------


def _lockstep(
    options: argparse.Namespace, profile: Profile, tests: list[GuardedTest], folder: Path
) -> list[EndOfTest]:
    """Run each test on its own rig, so that none depends on which others are run."""
    rehearsal = rehearsal_of(options, profile)
    jobs = {
        test.key: (profile, test.key, options.seed, folder / RUNS / test.key, rehearsal)
        for test in tests
    }
    ends: list[EndOfTest] = []
    workers = min(len(tests), os.cpu_count() or 1)
    with contextlib.ExitStack() as stack:
        if workers > 1:
            context = multiprocessing.get_context("spawn")
            pool = stack.enter_context(ProcessPoolExecutor(workers, mp_context=context))
            # Longest first: started last, it would leave the other processors idle.
            longest = sorted(tests, key=lambda test: -test.lasts_s(profile))
            begun = {test.key: pool.submit(_one_in_lockstep, jobs[test.key]) for test in longest}
            results: Iterable[EndOfTest] = (begun[test.key].result() for test in tests)
        else:
            results = map(_one_in_lockstep, jobs.values())
        for number, (test, end) in enumerate(zip(tests, results, strict=True), 1):
            ends.append(end)
            _show_end(options, number, len(tests), test, end)
    return ends


def _one_in_lockstep(job: tuple[Profile, str, int, Path, Rehearsal | None]) -> EndOfTest:
    return measure_in_lockstep(*job)[0]


# -- live -------------------------------------------------------------------------------


def _live(
    options: argparse.Namespace, profile: Profile, tests: list[GuardedTest], folder: Path
) -> tuple[list[EndOfTest], Ended]:
    asked = replace(
        bench_asked(options, profile, folder / RUNS, ask=not options.simulated_operator),
        profile=profile,
        rehearsal=rehearsal_of(options, profile),
    )
    ends: list[EndOfTest] = []
    with contextlib.ExitStack() as stack:
        bench = stack.enter_context(start_bench(options.profile, asked))
        client = stack.enter_context(Client.connect(bench.link_directory, name="measure"))
        in_force = profile_in_force(client.description)

        def on_start(test: GuardedTest) -> None:
            number = tests.index(test)
            left = duration_words(tests_length_s(tests[number:], in_force))
            say(
                options,
                f"\n--- {test.title} ({test.key}); {left} left without manual work\n"
                f"What could go wrong: {test.risk}",
            )

        def on_end(end: EndOfTest) -> None:
            ends.append(end)
            _show_end(options, len(ends), len(tests), tests[len(ends) - 1], end)

        runner = runner_of_person(options, stack, client, profile, lambda text: say(options, text))
        favour()  # a late hold-to-run signal stops the rig
        stack.callback(give_way)
        ended = runner.run(measure_all(tests, in_force, on_start, on_end))
        runner.wait_recorded(RECORDED_WAIT_S)
    return ends, ended


# -- output -----------------------------------------------------------------------------


def _show_end(
    options: argparse.Namespace, number: int, count: int, test: GuardedTest, end: EndOfTest
) -> None:
    reason = f": {end.text}" if end.text else ""
    say(options, f"{number:2}/{count}  {test.key:20} {end.how.upper()}{reason}")


def _finish(
    options: argparse.Namespace, folder: Path, ends: list[EndOfTest], ended: Ended | None
) -> int:
    right = all(end.how == "finished" for end in ends) and (
        ended is None or ended.how == "finished"
    )
    data: dict[str, Any] = {
        "folder": folder,
        "ended": [{"test": e.key, "how": e.how, "text": e.text} for e in ends],
        "figures": [],
    }
    try:
        sheet = assemble(folder, TESTS)
    except SheetError:
        if right:
            raise
    else:
        data |= sheet.as_data()
        _show(options, sheet)
        html, pdf, *_ = write_sheet(sheet, folder)
        data |= {"html": html, "pdf": pdf}
        say(options, f"data sheet {html} and {pdf.name}")
        right = right and not data["problems"]
    if ended is not None and ended.how != "finished":
        say(options, f"{ended.how}: {ended.text}; the rig was left without power")
    if not right and options.again is None:
        say(
            options,
            "continue with: hookeline measure --profile "
            f"{shlex.quote(str(options.profile))} --resume {shlex.quote(str(folder))}",
        )
    say(options, f"folder {folder}")
    answer(options, data)
    if ended is not None and ended.how == "interrupted":
        return INTERRUPTED
    if ended is not None and ended.how == "lost":
        return NOT_REACHED
    return OK if right else FAILED


def _show(options: argparse.Namespace, sheet: Sheet) -> None:
    for tested in sheet.tested:
        say(options, f"\n{tested.test.title} (run {tested.run.path.name})")
        for c in tested.shown:
            predicted = shown(c.predicted, c.predicted_u95) if c.predicted == c.predicted else ""
            unit = "" if c.unit == "1" else c.unit
            beside = f"  predicted {predicted}" if predicted else ""
            say(options, f"  {c.title:52} {shown(c.value, c.u95):>18} {unit:6}{beside}")
        for note in tested.notes:
            say(options, f"  note: {note}")
        if tested.problem:
            say(options, f"  no figures: {tested.problem}")
    for sentence in sheet.differences:
        say(options, f"differs from its prediction: {sentence}")
    if sheet.missing:
        say(options, f"not measured: {', '.join(sheet.missing)}")


def _list(
    options: argparse.Namespace, tests: Sequence[GuardedTest], profile: Profile | None
) -> int:
    listed = []
    for number, test in enumerate(tests, 1):
        lasts = test.lasts_s(profile) if profile is not None else None
        long = f"; {lasts:.0f} s" if lasts is not None else ""
        if test.on_request:
            long += "; only if named with --only"
        fitted = ", ".join(test.fitting)
        say(
            options,
            f"{number:2}  {test.key:20} {test.title} (set-up: {fitted}{long})\n"
            f"    purpose: {test.purpose}\n    risk: {test.risk}",
        )
        listed.append(
            {
                "test": test.key,
                "title": test.title,
                "purpose": test.purpose,
                "risk": test.risk,
                "fitting": list(test.fitting),
                "lasts_s": lasts,
                "on_request": test.on_request,
            }
        )
    answer(options, {"tests": listed})
    return OK
