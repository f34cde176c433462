"""``hookeline reference``: obtain the zero of positions on a running bench, or measure it."""

from __future__ import annotations

import argparse
import contextlib
import math
from pathlib import Path
from typing import Any

from drivers.motion import LENGTH, restated, speak
from hil.bench import EPOCH, LockstepBench
from hil.core import ConfirmReference, EndRun, SeekReference, StartRun
from hil.host import BenchOptions, start_bench
from hil.link import Client, ClientKeys
from hil.procedures import (
    Ask,
    Confirm,
    Ended,
    LockstepRunner,
    Pause,
    Procedure,
    ProcedureFailed,
    SimulatedOperator,
    Sought,
    find_reference,
    send_requests,
)
from hil.profile import Profile, load_profile, profile_from_dict, profile_to_dict
from hil.recorder import RunWriter, named_run_folder
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
from ui.commands.ineffective import refuse_ineffective
from ui.commands.person_at_rig import add_simulated_person, require_somebody, runner_of_person

SEEKS = ("lower", "upper", "switch")
STATES = ("lower-end", "mark")
NAME = "reference"
EXIT = {"finished": OK, "interrupted": INTERRUPTED, "lost": NOT_REACHED}
FIRST_SAMPLES_S = 0.3
BREATH_S = 0.05  # the host answers within a cycle or two
RECORDED_WAIT_S = 10.0


def add(commands: Any) -> None:
    parser = add_command(
        commands,
        "reference",
        "obtain the zero of positions: an end, a home switch, a mark",
        "Until the zero of positions is verified the force loop stays open. Seek an end or the\n"
        "profile's home switch, slowly and at low force while the space bar is held, or state\n"
        "that the output rests on its lower end or is at the profile's mark.\n\n"
        "With --link on a bench that 'hookeline serve' runs, which then uses that reference.\n"
        "With --profile on a separate bench: the repeatability is measured, and the result is\n"
        "kept for the next start as a guess, which one end then confirms.\n\n"
        "Repeatability is unidirectional, R = 4 s of the touches (ISO 230-2).",
        "  hookeline reference --link ~/bench --seek lower\n"
        "  hookeline reference --link ~/bench --state mark\n"
        "  hookeline reference --profile bench_slide --lockstep --seek switch --times 5\n",
        motion=True,
    )
    which = parser.add_mutually_exclusive_group(required=True)
    which.add_argument("--link", help="link directory or tcp://HOST:PORT of a running bench")
    which.add_argument("--profile", help="profile file or shipped name: starts a bench")
    parser.add_argument("--keys", type=Path, help="client's key directory, for tcp://")
    how = parser.add_mutually_exclusive_group()
    how.add_argument(
        "--seek", choices=SEEKS, default="lower", help="end or switch to seek (default: lower)"
    )
    how.add_argument("--state", choices=STATES, help="state the output's position; no motion")
    parser.add_argument(
        "--times", type=int, default=3, metavar="N", help="touches, 2 to 50 (default: 3)"
    )
    parser.add_argument(
        "--out",
        type=Path,
        default=Path("runs"),
        metavar="DIR",
        help="directory of runs (default: runs); with --link, the one its recorder uses",
    )
    add_simulated_person(parser)
    parser.set_defaults(run=run)


def run(options: argparse.Namespace) -> int:
    if not 2 <= options.times <= 50:
        raise CommandError(f"--times {options.times}: write 2 to 50", BAD_INPUT)
    if options.lockstep and options.profile is None:
        raise CommandError("--lockstep goes with --profile", BAD_INPUT)
    if options.link is None:
        refuse_ineffective(options, ["keys"], "without --link")
    if options.lockstep:
        profile = load_profile(options.profile)
        _require_simulated(profile)
        bench = LockstepBench(profile)
        person = SimulatedOperator(bench.environment, bench.drive.core.parameters)
        procedure = _recorded(_procedure(options, profile))
        about = {
            "profile": profile_to_dict(profile),
            "profile_path": Path(options.profile).name,
            "rate_hz": profile.control.rate,
            "simulated": True,
            "drive": bench.drive.capabilities.identity,
            "reference": bench.bench.reference,
        }
        started = EPOCH.isoformat(timespec="milliseconds")
        with RunWriter(options.out, NAME, about, note="lockstep", started=started) as writer:
            lockstep = LockstepRunner(bench, writer, lambda text: say(options, text), person)
            ended = lockstep.run(procedure)
            folder = writer.close(f"{ended.how}: {ended.text}")
        return _finish(options, ended, folder)
    require_somebody(options)
    with contextlib.ExitStack() as stack:
        link = options.link
        if link is None:
            own = start_bench(options.profile, BenchOptions(runs_directory=options.out))
            link = stack.enter_context(own).link_directory
        keys = ClientKeys.load(options.keys) if options.keys is not None else None
        client = stack.enter_context(Client.connect(link, name="reference", keys=keys))
        profile = profile_from_dict(client.description["profile"])
        speak(profile.motion)
        runner = runner_of_person(options, stack, client, profile, lambda text: say(options, text))
        ended = runner.run(_recorded(_procedure(options, profile)))
        # A bench without a recorder reports no run.
        name = runner.wait_recorded(RECORDED_WAIT_S) if runner.recording else ""
    return _finish(options, ended, named_run_folder(options.out, name))


def _procedure(options: argparse.Namespace, profile: Profile) -> Procedure:
    if options.state is not None:
        return _state(profile, options.state == "mark")
    by_switch = options.seek == "switch"
    if by_switch and profile.reference.home_switch is None:
        raise CommandError(
            f"'{profile.name}' names no home switch. Fix: write reference.home_switch", BAD_INPUT
        )
    if by_switch:
        return find_reference(profile, SeekReference(by="home_switch", touches=options.times))
    return find_reference(profile, SeekReference(end=options.seek, touches=options.times))


def _recorded(procedure: Procedure) -> Procedure:
    """Record a procedure as a run, as every other command that moves the rig does."""
    yield from send_requests([StartRun(name=NAME)])
    yield Pause(BREATH_S)
    found = yield from procedure
    yield from send_requests([EndRun()])
    return found


def _state(profile: Profile, mark: bool) -> Procedure:
    place = profile.reference.mark
    if mark and place is None:
        raise CommandError(f"'{profile.name}' names no mark. Fix: write reference.mark", BAD_INPUT)
    where = f"at '{place.name}'" if mark and place else "on its lower end"
    return _confirm(where, mark)


def _confirm(where: str, mark: bool) -> Procedure:
    yield Pause(FIRST_SAMPLES_S)
    seen = yield Confirm(f"Is the output {where}, at rest, without power?")
    if not seen.accepted:
        raise ProcedureFailed("not confirmed: the reference is unchanged")
    seen = yield Ask(ConfirmReference(mark=mark))
    if not seen.accepted:
        raise ProcedureFailed(seen.text)
    return seen.text


def _finish(options: argparse.Namespace, ended: Ended, run: Path | None) -> int:
    found = ended.value
    data: dict[str, Any] = {"ended": ended.how, "text": ended.text, "found": False}
    data["run"] = run
    if isinstance(found, Sought):
        touches = [round(1e3 * at, 4) for at in found.touches_m]
        data |= {
            "found": True,
            "text": found.text,
            "touches_mm": touches,
            "shift_mm": 1e3 * found.shift_m,
            "repeatability_um": 1e6 * found.repeatability_m,
        }
        say(options, found.text)
        say(
            options,
            "touched at " + ", ".join(f"{restated(at, 'mm'):.3f}" for at in touches) + f"{LENGTH}",
        )
        if abs(found.shift_m) > 0.0 and math.isfinite(found.shift_m):
            say(options, f"zero moved by {LENGTH(found.shift_m):+.3f}{LENGTH}")
    elif ended.how == "finished":
        data |= {"found": True, "text": str(found)}
        say(options, str(found))
    else:
        say(options, f"{ended.how}: {ended.text}; the rig was left without power")
    if run is not None:
        say(options, f"run {run}")
    answer(options, data)
    return EXIT.get(ended.how, FAILED)


def _require_simulated(profile: Profile) -> None:
    if profile.simulation is None:
        raise CommandError(
            f"'{profile.name}' describes a real rig: a person must be present; leave --lockstep out",
            BAD_INPUT,
        )
