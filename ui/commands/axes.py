"""Commands on an axes file: permitted options, and sessions of all axes at once."""

from __future__ import annotations

import argparse
import contextlib
import queue
import signal
import threading
from collections.abc import Callable, Iterator, Mapping
from functools import partial
from pathlib import Path
from typing import Any

from drivers.motion import speak
from hil.bench import LockstepAxes
from hil.host import AxisOptions, BenchOptions, replay_axes
from hil.link import Client, ClientKeys
from hil.procedures import Ended, InTurn, LiveRunner
from hil.profile import Axes, is_axes_file, load_axes, profile_from_dict
from hil.sequences import AxesSequence, Meeting, axes_named, load_axes_sequence
from ui.commands.answers import BAD_INPUT, FAILED, INTERRUPTED, OK, CommandError, say
from ui.commands.disturb import rehearsal_of_axes
from ui.commands.session import (
    InLockstep,
    OneOfSeveral,
    Performed,
    check_fit,
    finish,
    fit,
    perform_live,
    record_lockstep,
    require_person,
    values_given,
)
from ui.commands.session_cap import cap_given, refuse_cap
from ui.commands.unverified import confirmed_of_axes

# Options of one axis only, by attribute.
_OF_ONE = {"springs": "--springs", "open_house": "--open-house", "scripted": "--scripted"}
DEMO = "demo_two_axes"


def axes_given(options: argparse.Namespace, named: str | None = None) -> Axes | None:
    """Return the axes of ``--profile``, or of the name given in its place; None for one rig.

    Raises:
        CommandError: an option is for one axis only.
        ProfileError: the axes file is invalid.
    """
    given = options.profile or named
    if given is None or not is_axes_file(given):
        return None
    axes = load_axes(given)
    for attribute, option in _OF_ONE.items():
        if getattr(options, attribute, None):
            raise CommandError(
                f"{option} is for one axis, and '{given}' has {len(axes.profiles)}. Fix: leave it "
                f"out, or start one axis by itself: {_profiles(axes)}",
                BAD_INPUT,
            )
    return axes


def _profiles(axes: Axes) -> str:
    return ", ".join(f"--profile {path}" for path in axes.paths.values())


def axes_of_sequence(options: argparse.Namespace) -> Axes | None:
    """Return the axes on which ``perform`` runs; None for one rig, or for a running bench.

    Raises:
        CommandError, ProfileError: as :func:`axes_given`.
    """
    if options.link is not None:
        return None
    return axes_given(options, axes_named(options.sequence))


def served_axes(
    options: argparse.Namespace, links: Mapping[str, str | Path], keys: ClientKeys | None
) -> Axes:
    """Return the axes of a running bench, as their rig hosts describe them.

    Raises:
        CommandError: the sequence is for one rig.
        LinkError: an axis cannot be reached.
        ProfileError: the sequence cannot be read.
    """
    if axes_named(options.sequence) is None:
        one = next(iter(links.values()))
        raise CommandError(
            f"the bench at {options.link} has the axes {', '.join(links)}, and this sequence is for "
            f"one rig. Fix: name the axis that performs it, such as --link {one}",
            BAD_INPUT,
        )
    profiles = {}
    for axis, link in links.items():
        with Client.connect(link, name="profile query", keys=keys) as client:
            profiles[axis] = profile_from_dict(client.description["profile"])
    speak(next(iter(profiles.values())).motion)
    name = str(options.link)
    return Axes(name, "", Path(name), {}, profiles)


def load_session(options: argparse.Namespace, name: str, axes: Axes) -> AxesSequence:
    """Return a sequence for these axes, stretched to ``--seconds``.

    Raises:
        CommandError, ProfileError: the sequence is invalid, or too long for ``--seconds``.
    """
    given = values_given(options) if hasattr(options, "set") else {}
    sequence = load_axes_sequence(name, tuple(axes.profiles), axes.leader.motion, given)
    sequence = fit(sequence, options.seconds)
    for axis, profile in axes.profiles.items():
        check_fit(sequence.sequences[axis], profile)
    return sequence


def options_of_axes(options: argparse.Namespace, axes: Axes) -> dict[str, AxisOptions]:
    """Return the options of each axis: typed confirmation of an unverified rig, and session cap.

    Raises:
        CommandError: as :func:`confirmed_of_axes` and :func:`cap_given`.
    """
    confirmed = confirmed_of_axes(options, axes.profiles) if hasattr(options, "unverified") else {}
    capped = hasattr(options, "cap_force")
    return {
        axis: AxisOptions(
            confirmed.get(axis, ""), cap_given(options, profile, axis) if capped else None
        )
        for axis, profile in axes.profiles.items()
    }


def bench_of_axes(options: argparse.Namespace, axes: Axes, runs: Path) -> BenchOptions:
    """Return the bench options that the commands on axes share."""
    stated = bool(getattr(options, "reference_at_lower_end", False))
    return BenchOptions(
        runs_directory=runs,
        tell=lambda text: say(options, text),
        at_lower_end=stated,
        log_wire=bool(getattr(options, "log_wire", False)),
        rehearsal=rehearsal_of_axes(options, axes),
    )


def perform_axes_replay(
    options: argparse.Namespace, sequence: AxesSequence, axes: Axes, runs: Path
) -> dict[str, Performed]:
    """Replay a recording of all axes; raises as :func:`hil.host.replay_axes`.

    Raises:
        CommandError: a session cap was given.
    """
    refuse_cap(options, "a replay uses the recorded cap. Fix: leave it out")
    about = f"replay of {options.replay.name}"
    found = replay_axes(axes, options.replay, runs, f"{sequence.name}-replay", about)
    return {axis: Performed(Ended("finished"), run, about) for axis, run in found.items()}


def perform_axes_lockstep(
    options: argparse.Namespace, sequence: AxesSequence, axes: Axes, runs: Path
) -> dict[str, Performed]:
    """Perform on simulated rigs in this process; one seed always gives the same samples.

    Raises:
        CommandError: the axes are real.
    """
    if not axes.simulated:
        raise CommandError(
            f"'{axes.name}' describes real rigs; lockstep needs profiles with a 'simulation' part",
            BAD_INPUT,
        )
    joint = LockstepAxes(axes, options.seed)
    for axis, own in options_of_axes(options, axes).items():
        if own.cap is not None:
            joint.benches[axis].request(own.cap)
    rehearsal = rehearsal_of_axes(options, axes)
    if rehearsal is not None:
        joint.rehearse(rehearsal, lambda text: say(options, text))
    turn = InTurn(tuple(axes.profiles), joint.step)
    meeting = Meeting(axes.profiles)

    def work(axis: str) -> Performed:
        bench, part = joint.benches[axis], meeting.part_of(axis)
        step = partial(turn.step, axis)
        within = InLockstep(options.seed, _teller(options, axis), part, step)
        try:
            return record_lockstep(bench, sequence.sequences[axis], axes.paths[axis], runs, within)
        except BaseException as error:
            part.end(str(error))  # so that no other axis waits for this one
            raise

    done = turn.run({axis: partial(work, axis) for axis in axes.profiles})
    return {axis: done[axis] for axis in axes.profiles}


def perform_axes_live(
    options: argparse.Namespace,
    sequence: AxesSequence,
    axes: Axes,
    links: Mapping[str, str | Path],
    runs: Path,
    confirmed: bool,
    keys: ClientKeys | None = None,
) -> dict[str, Performed]:
    """Perform on a running bench, each axis in a thread with its own client.

    Raises:
        LinkError: the rig host cannot be reached or another client holds control.
    """
    meeting = Meeting(links)
    runners: list[LiveRunner] = []
    news: queue.SimpleQueue[str | None] = queue.SimpleQueue()  # an axis has ended; None: Ctrl-C
    interrupted = threading.Event()
    done: dict[str, Performed] = {}
    errors: dict[str, BaseException] = {}
    prompt = threading.Lock()

    def made(runner: LiveRunner) -> None:
        runners.append(runner)
        if interrupted.is_set():  # before this axis was connected
            runner.interrupt()

    def work(axis: str) -> None:
        part = meeting.part_of(axis)
        try:
            done[axis] = perform_live(
                options,
                sequence.sequences[axis],
                links[axis],
                runs,
                confirmed,
                keys,
                axis=OneOfSeveral(part, _teller(options, axis), prompt, made),
            )
        except BaseException as error:
            part.end(str(error))
            errors[axis] = error
        news.put(axis)

    for axis in links:
        require_person(sequence.sequences[axis], axes.simulated, confirmed, options.headless)
    with _interrupts_put(news):
        for axis in links:
            threading.Thread(target=work, args=(axis,), daemon=True).start()
        left = set(links)
        while left:
            ended = news.get()
            if ended is not None:
                left.remove(ended)
                continue
            interrupted.set()
            for runner in runners:
                runner.interrupt()
    for axis in links:
        if axis in errors:
            raise errors[axis]
    return {axis: done[axis] for axis in links}


@contextlib.contextmanager
def _interrupts_put(news: queue.SimpleQueue[str | None]) -> Iterator[None]:
    """Put None for each Ctrl-C and SIGTERM.

    As an exception they could break off the start of a thread, and a join that they break off marks
    its thread as ended in Python 3.11, though it runs.
    """
    numbers = [n for n in (signal.SIGINT, signal.SIGTERM) if signal.getsignal(n) != signal.SIG_IGN]
    before = {number: signal.signal(number, lambda *_: news.put(None)) for number in numbers}
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


def _teller(options: argparse.Namespace, axis: str) -> Callable[[str], None]:
    return lambda text: say(options, f"{axis}: {text}")


def finish_axes(
    options: argparse.Namespace,
    sequence: AxesSequence,
    axes: Axes,
    performed: Mapping[str, Performed],
) -> tuple[int, dict[str, Any]]:
    """Measure the run of each axis and save its report; return exit code and JSON data."""
    codes: list[int] = []
    data: dict[str, Any] = {"sequence": sequence.name, "axes": {}}
    for axis, profile in axes.profiles.items():
        say(options, f"axis {axis}:")
        code, data["axes"][axis] = finish(
            options, sequence.sequences[axis], profile, performed[axis]
        )
        codes.append(code)
    code = OK if not any(codes) else INTERRUPTED if INTERRUPTED in codes else FAILED
    data["figures_good"] = code == OK
    return code, data


def demo_sequence(options: argparse.Namespace, axes: Axes) -> AxesSequence:
    """Return the shipped session of two axes.

    Raises:
        CommandError: the axes are real, or not those of the shipped session.
    """
    if not axes.simulated:
        raise CommandError(
            f"'{axes.name}' describes real rigs; a demo needs profiles with a 'simulation' part. "
            "For real rigs: hookeline perform SEQUENCE --profile AXES",
            BAD_INPUT,
        )
    if set(axes.profiles) != {"heel", "toe"}:
        raise CommandError(
            f"the shipped session '{DEMO}' is for the axes heel and toe, not for "
            f"{', '.join(axes.profiles)}. Fix: hookeline perform SEQUENCE --profile "
            f"{options.profile}",
            BAD_INPUT,
        )
    return load_session(options, DEMO, axes)
