"""Perform a sequence, live or in lockstep, and save run, picture and report."""

from __future__ import annotations

import argparse
import contextlib
import sys
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any, TypeVar

from hil.analysis import Measured, figure_line, measure
from hil.bench import EPOCH, LockstepBench, Rehearsal
from hil.control import cap_data, capped_profile, profile_in_force
from hil.core import Sample, SessionCap
from hil.link import Client
from hil.procedures import Ended, LiveRunner, LockstepRunner, open_environment
from hil.profile import Profile, ProfileError, load_profile, profile_to_dict
from hil.recorder import Run, RunError, RunWriter, load_run, named_run_folder, run_name
from hil.sequences import AxesSequence, MeetingPart, Sequence, perform, unfit
from ui.commands.answers import BAD_INPUT, FAILED, INTERRUPTED, OK, CommandError, say

RECORDED_WAIT_S = 60.0
Fitted = TypeVar("Fitted", Sequence, AxesSequence)


@dataclass(frozen=True)
class Performed:
    """Results of performing a sequence."""

    ended: Ended
    run: Path | None
    about: str = ""


@dataclass(frozen=True)
class OneOfSeveral:
    """Performance of one axis among several.

    Attributes:
        part: part of this axis in the meeting of all.
        tell: called with progress lines.
        prompt: lock held while a person answers.
        made: called with the runner, which may be interrupted.
    """

    part: MeetingPart
    tell: Callable[[str], None]
    prompt: contextlib.AbstractContextManager[Any]
    made: Callable[[LiveRunner], None]


@dataclass(frozen=True)
class InLockstep:
    """Performance in lockstep.

    Attributes:
        seed: seed of the simulated rig, or of all rigs.
        tell: called with progress lines.
        part: part in the meeting of several axes; None for a single one.
        step: function for one cycle, of all axes if there are several; None for the bench's own.
    """

    seed: int
    tell: Callable[[str], None]
    part: MeetingPart | None = None
    step: Callable[[], Sample] | None = None


def fit(sequence: Fitted, seconds: float | None) -> Fitted:
    """Return the sequence stretched or shortened to ``seconds``.

    Raises:
        CommandError: the duration is too short for the sequence's measurements.
    """
    if seconds is None:
        return sequence
    try:
        return sequence.fitted(seconds)
    except ValueError as error:
        raise CommandError(f"--seconds: {error}", BAD_INPUT) from None


def values_given(options: argparse.Namespace) -> dict[str, object]:
    """Return the values of ``--set``.

    Raises:
        CommandError: an option is not written as NAME=VALUE.
    """
    values: dict[str, object] = {}
    for text in options.set:
        name, equals, value = text.partition("=")
        if not (name and equals and value):
            raise CommandError(
                f"--set {text}: not a name and a value; write for instance --set load='20 N'",
                BAD_INPUT,
            )
        values[name.strip()] = int(value) if value.strip().isdecimal() else value.strip()
    return values


def add_set(parser: argparse.ArgumentParser) -> None:
    """Add the option that ``values_given`` reads."""
    parser.add_argument(
        "--set",
        action="append",
        default=[],
        metavar="NAME=VALUE",
        help="value of a parameter of the sequence, with its unit; may be given several times",
    )


def check_fit(sequence: Sequence, profile: Profile) -> None:
    """Raise ProfileError if the rig cannot perform the sequence."""
    problems = unfit(sequence, profile)
    if problems:
        raise ProfileError(problems)


def ask_person(
    options: argparse.Namespace, confirmed: bool, axis: str = ""
) -> Callable[[str], bool]:
    """Return a prompt at the terminal; ``confirmed``: the command line gave the answer."""

    def ask(question: str) -> bool:
        question = f"{axis}: {question}" if axis else question
        if confirmed:
            say(options, f"{question} (confirmed on the command line)")
            return True
        print(f"{question} [y/N] ", end="", file=sys.stderr, flush=True)
        return sys.stdin.readline().strip().lower() in ("y", "yes")

    return ask


def require_person(sequence: Sequence, simulated: bool, confirmed: bool, headless: bool) -> None:
    """Require a person who answers for the loads of a real rig.

    Raises:
        CommandError: no person can be prompted.
    """
    if simulated or confirmed or not sequence.needs_person:
        return
    if headless or not sys.stdin.isatty():
        raise CommandError(
            f"the sequence '{sequence.name}' hangs loads or energises a real rig, and no one can "
            "be prompted: run it at a terminal without --headless, or state with --confirm-loads "
            "that every load it names is in place and supported",
            BAD_INPUT,
        )


def perform_live(
    options: argparse.Namespace,
    sequence: Sequence,
    where: str | Path,
    runs_directory: Path,
    confirmed: bool,
    keys: Any = None,
    axis: OneOfSeveral | None = None,
) -> Performed:
    """Perform on a running bench; return when the recorder has finished the run.

    Raises:
        LinkError: the rig host cannot be reached or another client holds control.
    """
    with contextlib.ExitStack() as stack:
        client = stack.enter_context(
            Client.connect(where, name=f"sequence {sequence.name}", keys=keys)
        )
        description = client.description
        profile = profile_in_force(description)
        check_fit(sequence, profile)
        environment = open_environment(stack, description)
        if environment is None and description["simulated"]:
            raise CommandError(
                "this client has no access to the simulated rig's simulation control", FAILED
            )
        tell = axis.tell if axis else lambda text: say(options, text)
        notice = str(description["realtime"].get("notice", ""))
        if notice:
            tell(notice.splitlines()[0])
        person = ask_person(options, confirmed, str(description.get("axis") or ""))

        def ask(question: str) -> bool:
            with axis.prompt if axis else contextlib.nullcontext():
                return person(question)

        runner = LiveRunner(client, environment, ask, tell)
        if axis is not None:
            axis.made(runner)
        ended = runner.run(perform(sequence, profile, part=axis.part if axis else None))
        if axis is not None and ended.how != "finished":
            axis.part.end(ended.text)
        name = runner.wait_recorded(RECORDED_WAIT_S)
        about = f"{description['drive']} · host {description['host']}"
    return Performed(ended, named_run_folder(runs_directory, name), about)


def perform_lockstep(
    options: argparse.Namespace,
    sequence: Sequence,
    profile_path: str,
    runs: Path,
    seed: int,
    rehearsal: Rehearsal | None = None,
    cap: SessionCap | None = None,
) -> Performed:
    """Perform on the simulated rig in this process, faster than real time.

    Raises:
        ProfileError: the profile is invalid or cannot perform the sequence.
    """
    profile = load_profile(profile_path)
    if profile.simulation is None:
        raise CommandError(
            f"'{profile.name}' describes a real rig; lockstep needs a profile with a "
            "'simulation' part",
            BAD_INPUT,
        )
    check_fit(sequence, profile)
    bench = LockstepBench(profile, seed)
    if cap is not None:
        bench.request(cap)
    if rehearsal is not None:
        bench.rehearse(rehearsal, lambda text: say(options, text))
    within = InLockstep(seed, lambda text: say(options, text))
    return record_lockstep(bench, sequence, Path(profile_path), runs, within)


def record_lockstep(
    bench: LockstepBench, sequence: Sequence, profile_file: Path, runs: Path, within: InLockstep
) -> Performed:
    """Perform on a bench in lockstep and record the run."""
    part, cap = within.part, bench.bench.cap
    axis = part.axis if part is not None else ""
    writer = RunWriter(
        runs,
        run_name(sequence.name, axis),
        {
            "profile": profile_to_dict(bench.profile),
            "profile_path": profile_file.name,
            "rate_hz": bench.profile.control.rate,
            "simulated": True,
            "drive": bench.drive.capabilities.identity,
            "session_cap": cap_data(cap),
        }
        | ({"axis": axis} if axis else {}),
        note=f"lockstep, seed {within.seed}",
        started=EPOCH.isoformat(timespec="milliseconds"),
    )
    with writer:
        runner = LockstepRunner(bench, writer, within.tell, step=within.step)
        ended = runner.run(perform(sequence, capped_profile(bench.profile, cap), part=part))
        if part is not None and ended.how != "finished":
            part.end(ended.text)
        path = writer.close(verdict(ended))
    return Performed(ended, path, f"simulated rig in lockstep, seed {within.seed}")


def finish(
    options: argparse.Namespace, sequence: Sequence, profile: Profile, performed: Performed
) -> tuple[int, dict[str, Any]]:
    """Measure the run, save picture and report in it; return exit code and JSON data."""
    # Plotting libraries load slowly: import them after the session.
    from hil.analysis import ReportFrame, write_report

    ended = performed.ended
    data: dict[str, Any] = {
        "sequence": sequence.name,
        "ended": ended.how,
        "cause": ended.cause,
        "text": ended.text,
        "run": None,
    }
    if performed.run is None:
        say(options, verdict(ended))
        say(options, "The recorder did not report where the run is.")
        return (INTERRUPTED if ended.how == "interrupted" else FAILED), data
    run = load_run(performed.run)
    keep_signs(run)
    measured = measure(run, sequence.figures)
    data["run"] = performed.run
    data |= measured.as_data()
    picture = _picture(options, profile, run, measured, performed.run / "operate.png")
    report = performed.run / "report.html"
    text = verdict(ended, measured)
    data["verdict"] = text
    frame = ReportFrame(
        title=f"{profile.name}: {performed.run.name}",
        lead=sequence.description.strip(),
        verdict=text,
        good=ended.how == "finished" and measured.good,
        picture=picture,
        about=performed.about,
    )
    write_report(report, run, profile, measured, frame)
    data["picture"] = picture
    data["report"] = report
    for figure in measured.figures:
        say(options, "  " + figure_line(figure))
    for missing in measured.missing:
        say(options, f"  not measured: {missing}")
    timing = measured.timing
    say(
        options,
        f"  {timing['cycles']} cycles at {timing['rate_hz']:.2f} Hz, "
        f"{timing['late_cycles']} late, {timing['lost_samples']} samples lost",
    )
    say(options, text)
    say(options, f"run {performed.run}")
    say(options, f"report {report}")
    return exit_code(ended, measured), data


def keep_signs(run: Run) -> None:
    """Store a run's signs of wear for ``hookeline health``; on a full disk they are lost."""
    from hil.wear import History

    with contextlib.suppress(OSError, RunError):
        history = History(run.path.parent)
        history.take(run)
        history.save()


def exit_code(ended: Ended, measured: Measured) -> int:
    """Return 0 only for a session that finished with every claimed figure measured and good."""
    if ended.how == "interrupted":
        return INTERRUPTED
    return OK if ended.how == "finished" and measured.good else FAILED


def verdict(ended: Ended, measured: Measured | None = None) -> str:
    """Return the end of the session and the figures that are not good, in a sentence or two."""
    if ended.how == "finished":
        if measured is None or measured.good:
            return "Finished as requested; the rig is without power."
        parts = [f"'{figure.name}' is {figure.verdict.text}" for figure in measured.not_good]
        parts += [f"{missing} (not measured)" for missing in measured.missing]
        return f"Finished, but it does not show what it claims: {'. '.join(parts)}."
    if ended.how == "stopped":
        return f"Stopped: {ended.cause}. {ended.text}"
    if ended.how == "interrupted":
        return "Interrupted; the rig was stopped."
    if ended.how == "lost":
        return f"Contact lost: {ended.text}"
    return f"Failed, and the rig was stopped: {ended.text}"


def _picture(
    options: argparse.Namespace, profile: Profile, run: Run, measured: Measured, path: Path
) -> Path | None:
    """Draw the dashboard as in mid-run; a missing screen library is reported, not fatal."""
    try:
        from ui.dashboard.picture import save_picture

        springs = [f.section.end for f in measured.figures if f.kind == "virtual_spring"]
        # Shortly before the end of the spring: its last cycle may already request the next step.
        at_s = float(run.column("time_s")[springs[-1] - 1]) - 0.05 if springs else None
        save_picture(profile, run, path, at_s=at_s)
    except ImportError as error:
        say(options, f"no picture: {error}; install the system packages that README.md names")
        return None
    return path
