"""``hookeline bringup``: from "unpowered, nothing trusted" to a verified rig."""

from __future__ import annotations

import argparse
import contextlib
import os
import shlex
import sys
from pathlib import Path
from typing import Any

from drivers.motion import in_words
from drivers.simulated import INJECTED_FAULTS
from hil.bench import DriveFacts, LockstepBench, drive_facts, facts_from_dict
from hil.bringup import (
    HTML,
    RECORDS,
    STEPS,
    BringUpRecord,
    RecordError,
    Result,
    Step,
    Verdict,
    bring_up,
    first_finding,
    new_record_folder,
)
from hil.host import BenchOptions, start_bench
from hil.link import Client
from hil.procedures import Ended, LockstepRunner, Runner, SimulatedOperator, open_environment
from hil.profile import Profile, load_profile, varied_simulation, with_simulated_faults, write_back
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
from ui.commands.disturb import add_disturb, rehearsal_of
from ui.commands.person_at_rig import add_simulated_person, require_fitting_person, runner_of_person

NICE = -5  # of -20 to 19
SWITCH_INTERVAL_S = 0.0005


def add(commands: Any) -> None:
    parser = add_command(
        commands,
        "bringup",
        "first power-up: verify a new rig one guarded step at a time",
        "Bring up a rig that has never moved under this program: wiring, signs, scales, limits\n"
        "and stops are verified one step at a time, first by hand, then under power once everything\n"
        "a step relies on is verified. Nothing moves unless the hold-to-run control is held. A failed\n"
        "step names the fault and the fix, and no later step is energised.\n\n"
        "A record is kept in a folder: bringup.html to read and sign, bringup.yaml, and each\n"
        "step's samples. After an interruption or a failed step continue with --resume: whatever may\n"
        "have changed is verified again first. --apply writes measured values into the profile.\n\n"
        "At a terminal you are prompted; holding the space bar is the hold-to-run control. With\n"
        "--lockstep a simulated person answers, faster than real time.",
        "  hookeline bringup --profile my_rig.yaml\n"
        "  hookeline bringup --profile my_rig.yaml --resume bring-up/DIR --only first_motion\n"
        "  hookeline bringup --profile footplate_trainer --lockstep --inject phases_swapped "
        "--json\n",
        motion=True,
    )
    parser.add_argument("--profile", help="profile file or shipped name")
    parser.add_argument(
        "--out",
        type=Path,
        metavar="DIR",
        help="folder of the record (default: bring-up/ and the date)",
    )
    parser.add_argument("--resume", type=Path, metavar="DIR", help="continue the record in DIR")
    parser.add_argument(
        "--only",
        metavar="STEP",
        choices=[step.key for step in STEPS],
        help="only this step, after unverified steps that it needs",
    )
    parser.add_argument(
        "--apply",
        action="store_true",
        help="write the changes that the record proposes into the profile's files (a copy of "
        "each is kept); with --resume alone, nothing else is done",
    )
    parser.add_argument("--list", action="store_true", help="list steps and injectable faults")
    add_simulated_person(parser)
    parser.add_argument(
        "--inject",
        action="append",
        default=[],
        metavar="NAME",
        help="build the simulated rig with this fault; may be given several times",
    )
    parser.add_argument("--seed", type=int, default=1, help="seed of the simulated rig")
    parser.add_argument(
        "--varied",
        action="store_true",
        help="vary simulated friction, noise and springs by up to 20 %%, by the seed",
    )
    add_disturb(parser)
    parser.set_defaults(run=run)


def run(options: argparse.Namespace) -> int:
    if options.list:
        return _list(options)
    if options.profile is None:
        raise CommandError("name the rig: --profile P", BAD_INPUT)
    if options.resume is not None and options.out is not None:
        raise CommandError("--resume continues in its own folder: omit --out", BAD_INPUT)
    profile = load_profile(options.profile)
    if options.inject:
        profile = with_simulated_faults(profile, options.inject)
    if options.varied:
        profile = varied_simulation(profile, options.seed)
    try:
        if options.apply and options.resume is not None and options.only is None:
            record = BringUpRecord.load(options.resume, profile, STEPS)
            with contextlib.closing(record):
                _apply(options, record)
            answer(options, {"record": options.resume, "applied": record.data["applied_changes"]})
            return OK
        return _bring_up(options, profile)
    except RecordError as error:
        raise CommandError(str(error), BAD_INPUT) from None


def _bring_up(options: argparse.Namespace, profile: Profile) -> int:
    require_fitting_person(options, profile)
    session = _Session(options, profile)
    if options.lockstep:
        return session.lockstep()
    return session.live()


class _Session:
    """One run of the command: record, runner, output and result."""

    def __init__(self, options: argparse.Namespace, profile: Profile) -> None:
        self.options, self.profile = options, profile
        self.results: list[Result] = []
        self.folder = (
            options.resume or options.out or new_record_folder(Path(RECORDS), profile.name)
        )

    def lockstep(self) -> int:
        bench = LockstepBench(self.profile, self.options.seed)
        rehearsal = rehearsal_of(self.options, self.profile)
        if rehearsal is not None:
            bench.rehearse(rehearsal, self._tell)
        person = SimulatedOperator(bench.environment, bench.drive.core.parameters)
        runner = LockstepRunner(bench, tell=self._tell, operator=person)
        facts = drive_facts(bench.drive.capabilities, self.profile)
        with contextlib.closing(self._record(facts)) as record:
            ended = self._run(runner, record, facts)
            peaks = bench.environment.state()
        return self._finish(record, ended, peaks)

    def live(self) -> int:
        _favour()
        with contextlib.ExitStack() as stack:
            bench = stack.enter_context(
                start_bench(
                    self.options.profile,
                    BenchOptions(
                        runs_directory=self.folder,
                        recorder=False,
                        profile=self.profile,
                        rehearsal=rehearsal_of(self.options, self.profile),
                        tell=self._tell,
                    ),
                )
            )
            client = stack.enter_context(Client.connect(bench.link_directory, name="bring-up"))
            description = client.description
            facts = facts_from_dict(description["drive_facts"])
            control = open_environment(stack, description)
            runner = runner_of_person(self.options, stack, client, self.profile, self._tell)
            # Started before control is taken: its page template loads slowly.
            record = stack.enter_context(contextlib.closing(self._record(facts)))
            ended = self._run(runner, record, facts)
            peaks: dict[str, float] = {}
            if control is not None:
                # The simulated rig may be gone.
                with contextlib.suppress(Exception):
                    peaks = control.state()
        return self._finish(record, ended, peaks)

    def _record(self, facts: DriveFacts) -> BringUpRecord:
        if self.options.resume is not None:
            return BringUpRecord.load(self.folder, self.profile, STEPS)
        return BringUpRecord.begin(
            self.folder,
            self.profile,
            self.options.profile,
            facts,
            STEPS,
            self.profile.simulation is not None,
        )

    def _run(self, runner: Runner, record: BringUpRecord, facts: DriveFacts) -> Ended:
        only = self.options.only
        steps = record.to_reach(only) if only else record.to_run()
        context = record.context(
            self.profile, facts, self.options.lockstep or self.options.simulated_operator
        )
        say(self.options, self.profile.stop.load)
        say(
            self.options,
            "A software stop is not a safety function: keep the hard-wired emergency "
            "stop within reach.",
        )

        def on_start(step: Step) -> None:
            record.on_start(step)
            say(
                self.options,
                f"\n--- {in_words(step.title)} ({step.key})\n"
                f"What could go wrong: {in_words(step.wrong)}\n"
                f"Must be clear: {in_words(step.clear)}",
            )

        def on_result(step: Step, result: Result) -> None:
            record.on_result(step, result)
            self.results.append(result)
            self._show(step, result)

        return runner.run(
            record.watch(bring_up(steps, context, record.passed, on_start, on_result))
        )

    def _show(self, step: Step, result: Result) -> None:
        number = STEPS.index(step) + 1
        say(
            self.options,
            f"{number:2}/{len(STEPS)}  {step.key:16} {result.verdict.upper():14} {result.text}",
        )
        for found in result.findings:
            say(
                self.options,
                f"      found: {found.sentence} [{found.code}]\n      fix:  {found.fix}",
            )
        for measured in result.measured:
            if not measured.good:
                say(
                    self.options,
                    f"      {measured.name}: {measured.value} {measured.unit}, "
                    f"expected {measured.expected}: {measured.why}",
                )

    def _tell(self, text: str) -> None:
        say(self.options, text)

    def _finish(self, record: BringUpRecord, ended: Ended, peaks: dict[str, float]) -> int:
        options = self.options
        verdicts = {e["step"]: e["verdict"] for e in record.data["steps"]}
        done = list(verdicts.values()).count(Verdict.PASS)
        right = ended.how == "finished" and all(r.verdict is Verdict.PASS for r in self.results)
        say(options, "")
        if ended.how != "finished":
            say(options, f"{ended.how}: {ended.text}; the rig was left without power")
        say(options, f"{done} of {len(verdicts)} steps are verified; record {self.folder / HTML}")
        if done == len(verdicts) and not record.data["simulated"]:
            say(
                options,
                "the rig is verified: a bench applies the profile's own limits when it starts; a "
                "running bench, at its next power-on",
            )
        if done < len(verdicts):
            say(
                options,
                "continue with: hookeline bringup --profile "
                f"{shlex.quote(str(options.profile))} --resume "
                f"{shlex.quote(str(self.folder))}",
            )
        applied = False
        changes = record.data["proposed_changes"]
        for key, value in changes.items():
            say(options, f"proposed for the profile: {key}: {value}")
        if options.apply and changes and ended.how == "finished":
            applied = _apply(options, BringUpRecord.load(self.folder, self.profile, STEPS))
        elif changes:
            say(options, "write them with --apply and --resume")
        answer(
            options,
            {
                "profile": self.profile.name,
                "ended": ended.how,
                "text": ended.text,
                "passed": done == len(verdicts),
                "steps": [
                    {
                        "step": r.step,
                        "verdict": str(r.verdict),
                        "text": r.text,
                        "findings": [
                            {"code": f.code, "sentence": f.sentence, "fix": f.fix}
                            for f in r.findings
                        ],
                    }
                    for r in self.results
                ],
                "finding": first_finding(self.results),
                "injected_faults": list(options.inject),
                "peak_force_N": peaks.get("peak_driven_force_N", record.peak_force_N),
                "peak_speed_mm_s": 1e3 * peaks.get("peak_speed_m_s", record.peak_speed_m_s),
                "peak_end_speed_mm_s": 1e3 * peaks.get("peak_end_speed_m_s", float("nan")),
                "energised_closed_loop": any(r.closed_loop for r in self.results),
                "proposed_changes": changes,
                "applied": applied,
                "record": self.folder,
            },
        )
        if ended.how == "interrupted":
            return INTERRUPTED
        if ended.how == "lost":
            return NOT_REACHED
        return OK if right else FAILED


def _apply(options: argparse.Namespace, record: BringUpRecord) -> bool:
    """Write the changes that the record proposes into the profile, and report them."""
    changes = dict(record.data["proposed_changes"])
    if not changes:
        say(options, "the record proposes no change")
        return False
    with contextlib.closing(record):
        for written in write_back(options.profile, changes):
            say(options, f"changed {written.file}; previous file: {written.backup}")
        record.applied(load_profile(options.profile), changes)
    return True


def _list(options: argparse.Namespace) -> int:
    for number, step in enumerate(STEPS, 1):
        needs = f"; needs {', '.join(step.needs)}" if step.needs else ""
        power = "under power, hold-to-run" if step.energises else "power off"
        say(options, f"{number:2}  {step.key:16} {step.title} ({power}{needs})\n    {step.happens}")
    say(options, "\nFaults of the simulated rig (--inject):")
    for mistake in INJECTED_FAULTS.values():
        say(options, f"  {mistake.code:24} {mistake.sentence}")
    answer(
        options,
        {
            "steps": [
                {"step": s.key, "title": s.title, "energises": s.energises, "needs": list(s.needs)}
                for s in STEPS
            ],
            "injected_faults": {m.code: m.sentence for m in INJECTED_FAULTS.values()},
        },
    )
    return OK


def _favour() -> None:
    """Raise the priority of this process above those that only compute.

    A late hold-to-run signal stops the rig. Without the permission nothing changes.
    """
    with contextlib.suppress(OSError, AttributeError):
        os.setpriority(os.PRIO_PROCESS, 0, NICE)
    sys.setswitchinterval(SWITCH_INTERVAL_S)  # writing the record must not delay it either
