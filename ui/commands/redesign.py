"""``hookeline measure --propose``: a force loop for the measured plant, tried and written on request."""

from __future__ import annotations

import argparse
from collections.abc import Callable
from pathlib import Path
from typing import Any

from hil.control import safety_fingerprint
from hil.core import free_path
from hil.measure import (
    TESTS,
    TRIED,
    EndOfTest,
    GuardedTest,
    Proposal,
    Sheet,
    Trial,
    assemble,
    chosen,
    judge_trial,
    proposal_of,
    shown,
)
from hil.procedures import Ended
from hil.profile import Profile, load_profile, on_the_same_rig, write_back
from ui.commands.answers import (
    BAD_INPUT,
    FAILED,
    INTERRUPTED,
    NOT_REACHED,
    OK,
    CommandError,
    answer,
    say,
)
from ui.commands.person_at_rig import require_fitting_person

PLANT = "plant"  # the test
FOLDER = "redesign"  # in that of the measurement
ENDED_BADLY = {"interrupted": INTERRUPTED, "lost": NOT_REACHED}
Run = Callable[[Profile, list[GuardedTest], Path], tuple[list[EndOfTest], Ended | None]]


def redesign(options: argparse.Namespace, run: Run) -> int:
    """Propose a redesign; try it and write its values on request.

    Args:
        run: runs tests on the rig of a profile and saves their runs in a folder.

    Raises:
        SheetError: the folder has no data sheet.
        CommandError: the profile is not that of the measurement, or is not named.
    """
    sheet = assemble(options.propose, TESTS)
    measured = _measured_profile(options, sheet)
    if not any(tested.test.key == PLANT and not tested.problem for tested in sheet.tested):
        raise CommandError(
            f"'{options.propose}' holds no result of the test Plant, on which a redesign rests. Fix: "
            f"hookeline measure --resume {options.propose} --only {PLANT} --profile "
            f"{options.profile or 'P'}",
            BAD_INPUT,
        )
    proposal = proposal_of(measured, sheet.characteristics)
    say(options, proposal.sentence)
    trial, code = None, OK
    if options.trial and proposal.changes:
        trial, code = _tried(options, sheet, measured, proposal, run)
    written: list[str] = []
    if options.apply and proposal.changes and code == OK:
        written = [str(w.file) for w in write_back(options.profile, proposal.changes)]
        again = "" if trial is not None else "; measure force_response again"
        say(options, f"written: {', '.join(written)}{again}")
    answer(options, _data(proposal, trial, written))
    return code


def _measured_profile(options: argparse.Namespace, sheet: Sheet) -> Profile:
    """Return the measured profile, read from its file again if it is to be written or tried."""
    if not (options.apply or options.trial):
        return sheet.profile
    if options.profile is None:
        why = "--try moves the rig" if options.trial else "--apply writes into a file"
        raise CommandError(f"{why}: name it with --profile", BAD_INPUT)
    profile = load_profile(options.profile)
    if safety_fingerprint(profile) != safety_fingerprint(sheet.profile):
        raise CommandError(
            f"'{options.profile}' is not the profile that was measured, or has been changed "
            "since. Fix: measure again",
            BAD_INPUT,
        )
    # The rig that was measured may have been varied.
    return profile.model_copy(update={"simulation": sheet.profile.simulation})


def _tried(
    options: argparse.Namespace, sheet: Sheet, measured: Profile, proposal: Proposal, run: Run
) -> tuple[Trial | None, int]:
    """Run the force response with the redesign; return its trial and the exit code."""
    profile = on_the_same_rig(proposal.profile, measured)
    require_fitting_person(options, profile)
    folder = free_path(options.propose / FOLDER)
    folder.mkdir(parents=True)
    say(options, profile.stop.load)
    say(
        options,
        "The redesigned force loop runs under hold-to-run. Be ready to release it. A software stop is "
        "not a safety function: keep the hard-wired emergency stop within reach.",
    )
    ends, ended = run(profile, chosen([TRIED]), folder)
    if ended is not None and ended.how != "finished":
        say(options, f"{ended.how}: {ended.text}; the rig was left without power")
        return None, ENDED_BADLY.get(ended.how, FAILED)
    if any(end.how != "finished" for end in ends) or not ends:
        say(options, "The trial did not finish: keep the gains in force.")
        return None, FAILED
    after = assemble(folder, TESTS)
    trial = judge_trial(sheet, after)
    before = {c.name: c for c in sheet.shown}
    for c in after.shown:
        beside = (
            f"  predicted {shown(c.predicted, c.predicted_u95)}"
            if c.predicted == c.predicted
            else ""
        )
        if c.name in before:
            beside += f"  before {shown(before[c.name].value, before[c.name].u95)}"
        say(options, f"  {c.title:44} {shown(c.value, c.u95):>16} {c.unit:4}{beside}")
    say(options, f"{trial.sentence} Its data sheet: hookeline measure --again {folder}")
    return trial, OK if trial.accepted else FAILED


def _data(proposal: Proposal, trial: Trial | None, written: list[str]) -> dict[str, Any]:
    kept, new = proposal.kept, proposal.redesigned
    return {
        "changes": proposal.changes,
        "kept": {"bandwidth_Hz": kept.bandwidth_Hz, "margin_deg": kept.phase_margin_deg},
        "redesigned": {"bandwidth_Hz": new.bandwidth_Hz, "margin_deg": new.phase_margin_deg},
        "tried": None
        if trial is None
        else {
            "accepted": trial.accepted,
            "problems": list(trial.problems),
            "figures": [pair.as_data() for pair in trial.pairs],
        },
        "written": written,
    }
