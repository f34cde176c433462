"""``hookeline calibrate --profile P``: the guided calibration of a rig."""

from __future__ import annotations

import argparse
import contextlib
import math
import shlex
from dataclasses import replace
from typing import Any

import numpy as np

from drivers.motion import FORCE, LENGTH, PER_COUNT, STIFFNESS
from hil.bench import LockstepBench, drive_facts, facts_from_dict
from hil.calibration import (
    LAWS,
    Accuracy,
    CalibrationFile,
    CalibrationResult,
    Options,
    Progress,
    calibrate,
    keep_calibration,
    kind_of_loads,
    planned_loads,
)
from hil.host import start_bench
from hil.link import Client
from hil.procedures import Ended, LockstepRunner, ProcedureFailed, Runner, SimulatedOperator
from hil.profile import Profile, TwoSlopes, load_profile, varied_simulation
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
from ui.commands.bench_asked import bench_asked
from ui.commands.calibrations_kept import beside, is_shipped, put_into_profile, require_writable
from ui.commands.disturb import rehearsal_of
from ui.commands.person_at_rig import require_somebody, runner_of_person

MOST_SERIES = 20
PICTURE_S = 0.3  # of samples after it, from which the page's numbers are taken
SHOWN = (0.0, 0.25, 0.5, 0.75, 1.0)  # of the range, where the band is printed


def calibrate_rig(options: argparse.Namespace) -> int:
    """Run the command; return its exit code."""
    profile = load_profile(options.profile)
    _check(options, profile)
    if options.varied:
        profile = varied_simulation(profile, options.seed)
    wanted = Options(
        weights_kg=options.weights,
        series=options.series,
        laws=LAWS if options.law == "auto" else (options.law,),
        gravity_m_s2=options.gravity,
        loads=options.loads,
        forces_N=tuple(FORCE.inside(force) for force in options.forces),
        pull=options.pull,
        accuracy=_accuracy(options),
    )
    try:
        if kind_of_loads(profile, wanted.loads) == "cell":
            planned_loads(profile, wanted)
    except ProcedureFailed as refused:
        raise CommandError(str(refused), BAD_INPUT) from None
    say(options, profile.stop.load)
    say(
        options,
        "A software stop is not a safety function: keep the hard-wired emergency stop within reach.",
    )
    session = _lockstep if options.lockstep else _live
    ended, drive = session(options, profile, wanted)
    return _finish(options, profile, ended, drive)


def _accuracy(options: argparse.Namespace) -> Accuracy:
    if options.loads == "cell":
        if options.cell_u is None:
            raise CommandError(
                "--loads cell needs --cell-u, the cell's standard uncertainty (half of the "
                "expanded one, k = 2, on its certificate), such as --cell-u '0.1 %'",
                BAD_INPUT,
            )
        for word in ("weights", "gravity"):
            if getattr(options, word):
                raise CommandError(
                    f"--{word}: no weights hang with --loads cell; leave it out", BAD_INPUT
                )
        relative, newtons = options.cell_u
        return Accuracy(cell=relative, cell_N=FORCE.inside(newtons))
    for word in ("cell_u", "forces", "pull"):
        if getattr(options, word):
            raise CommandError(f"--{word.replace('_', '-')} belongs to --loads cell", BAD_INPUT)
    return Accuracy()


def _check(options: argparse.Namespace, profile: Profile) -> None:
    if not 1 <= options.series <= MOST_SERIES:
        raise CommandError(
            f"--series {options.series}: give 1 to {MOST_SERIES}; three or more "
            "show how well loads repeat",
            BAD_INPUT,
        )
    if options.gravity is not None and not 9.7 < options.gravity < 9.9:
        raise CommandError(
            f"--gravity {options.gravity:g}: on Earth it is 9.76 to 9.84 m/s²", BAD_INPUT
        )
    if options.room is not None and not math.isfinite(options.room):
        raise CommandError("--room: give a temperature in °C", BAD_INPUT)
    require_writable(options.out or beside(options.profile))  # else a calibration would be lost
    if options.picture is not None and not options.lockstep:
        raise CommandError(
            "--picture goes with --lockstep; the dashboard shows the page while it runs", BAD_INPUT
        )
    if options.picture is not None and not options.picture.parent.is_dir():
        raise CommandError(
            f"--picture {options.picture}: the folder '{options.picture.parent}' does not exist; make "
            "it first, or name another",
            BAD_INPUT,
        )
    for word in ("lockstep", "simulated_operator", "varied"):
        if getattr(options, word) and profile.simulation is None:
            raise CommandError(
                f"'{profile.name}' describes a real rig: a person must be present; leave "
                f"--{word.replace('_', '-')} out",
                BAD_INPUT,
            )
    require_somebody(options)


def _lockstep(options: argparse.Namespace, profile: Profile, wanted: Options) -> tuple[Ended, str]:
    bench = LockstepBench(profile, options.seed)
    rehearsal = rehearsal_of(options, profile)
    if rehearsal is not None:
        bench.rehearse(rehearsal, lambda text: say(options, text))
    person = SimulatedOperator(bench.environment, bench.drive.core.parameters)
    runner = LockstepRunner(bench, tell=lambda text: say(options, text), operator=person)
    ended = _run(runner, options, profile, wanted)
    if options.picture is not None and isinstance(ended.value, CalibrationResult):
        _draw(options, ended.value, bench)
    return ended, drive_facts(bench.drive.capabilities, profile).identity


def _draw(options: argparse.Namespace, result: CalibrationResult, bench: LockstepBench) -> None:
    try:
        from ui.dashboard.calibrate_picture import save_calibrate_picture
    except ImportError as error:
        raise CommandError(
            f"the dashboard does not load ({error}): install the system packages that README.md "
            "names, or leave --picture out",
            FAILED,
        ) from None
    rows = np.array(bench.run(PICTURE_S))
    save_calibrate_picture(result, rows, options.picture)
    say(options, f"picture {options.picture}")


def _live(options: argparse.Namespace, profile: Profile, wanted: Options) -> tuple[Ended, str]:
    folder = options.out or beside(options.profile)
    with contextlib.ExitStack() as stack:
        rehearsal = rehearsal_of(options, profile)
        asked = replace(
            bench_asked(options, profile, folder, ask=True),
            recorder=False,
            profile=profile,
            rehearsal=rehearsal,
        )
        bench = stack.enter_context(start_bench(options.profile, asked))
        client = stack.enter_context(Client.connect(bench.link_directory, name="calibrate"))
        runner = runner_of_person(options, stack, client, profile, _teller(options))
        ended = _run(runner, options, profile, wanted)
        return ended, facts_from_dict(client.description["drive_facts"]).identity


def _teller(options: argparse.Namespace) -> Any:
    return lambda text: say(options, text)


def _run(runner: Runner, options: argparse.Namespace, profile: Profile, wanted: Options) -> Ended:
    def tell(progress: Progress) -> None:
        point = progress.point
        if progress.kind == "point" and point is not None:
            way = "rising" if point.direction > 0 else "falling"
            side = "below" if point.approach > 0 else "above"
            say(
                options,
                f"  {progress.done:3}/{progress.total}  {point.label:13} {way}, from "
                f"{side}: {FORCE(point.load_N):7.1f}{FORCE}, {point.reading_counts:8.1f} counts"
                f"{'' if point.settled else ', not settled'}",
            )
        elif progress.kind in ("sensor", "law"):
            say(options, f"  {progress.text}")

    return runner.run(calibrate(profile, wanted, tell))


def _finish(options: argparse.Namespace, profile: Profile, ended: Ended, drive: str) -> int:
    data: dict[str, Any] = {
        "profile": profile.name,
        "ended": ended.how,
        "text": ended.text,
        "acceptable": False,
        "findings": [],
        "file": None,
        "certificate": None,
        "in_profile": False,
    }
    result = ended.value
    if not isinstance(result, CalibrationResult):
        say(
            options,
            f"{ended.how}: {ended.text}; the rig was left without power and nothing was calibrated",
        )
        answer(options, data)
        codes = {"interrupted": INTERRUPTED, "lost": NOT_REACHED}
        return codes.get(ended.how, FAILED)
    _tell_findings(options, result)
    data |= _as_data(result)
    if result.calibration is None:
        say(options, "no force law was found: nothing is kept")
        answer(options, data)
        return FAILED
    conditions: dict[str, str | float] = {}
    if options.room is not None:
        conditions["room_degC"] = options.room
    if options.gravity is not None:
        conditions["gravity_m_s2"] = options.gravity
    file = keep_calibration(
        options.out or beside(options.profile),
        result,
        profile_file=options.profile,
        drive=drive,
        simulated=profile.simulation is not None,
        note=options.note,
        conditions=conditions,
    )
    data |= {
        "file": file.path,
        "certificate": file.path.with_suffix(".html"),
        "identity": file.identity,
        "sha256": file.sha256,
    }
    _tell_law(options, result, file)
    if result.acceptable:
        data["in_profile"] = _accept(options, file)
    else:
        say(options, "It is kept as evidence and must not be used.")
    answer(options, data)
    return OK if result.acceptable else FAILED


def _accept(options: argparse.Namespace, file: CalibrationFile) -> bool:
    own = not is_shipped(options.profile)
    if options.accept and own:
        return bool(put_into_profile(options, file))
    if options.accept:
        say(
            options,
            "Not written into the profile, which ships with the program: copy it to a "
            "directory of your own, and use the calibration there.",
        )
    profile = options.profile if own else "COPY_OF_IT.yaml"
    say(
        options,
        f"use it with: hookeline calibrate --use {shlex.quote(str(file.path))} "
        f"--profile {shlex.quote(str(profile))}",
    )
    return False


def _tell_findings(options: argparse.Namespace, result: CalibrationResult) -> None:
    for found in result.findings:
        word = "found" if found.severity == "error" else "warning"
        say(options, f"{word}: {found.sentence} [{found.code}]\n  fix: {found.fix}")


def _tell_law(
    options: argparse.Namespace, result: CalibrationResult, file: CalibrationFile
) -> None:
    assert result.calibration is not None and result.fit is not None
    law = file.calibration.spring_law
    say(
        options,
        f"zero {file.calibration.zero:.2f} counts, "
        f"{PER_COUNT(file.calibration.deflection_per_count):+.4f}{PER_COUNT}"
        + (", sensor by a table" if file.calibration.sensor_table else ""),
    )
    if isinstance(law, TwoSlopes):
        u = result.u_knee_m
        known = (
            f" ±{LENGTH(2 * u):.2g}{LENGTH}" if u < law.knee else " (not known from these loads)"
        )
        say(
            options,
            f"springs {STIFFNESS(law.inner_rate):.2f}{STIFFNESS} up to {LENGTH(law.knee):.3f}{LENGTH}"
            f"{known}, {STIFFNESS(law.outer_rate):.2f}{STIFFNESS} beyond",
        )
    else:
        say(options, f"springs by a polynomial of degree {len(law.coefficients) - 1}")
    low, high = file.range_N
    forces = [low + share * (high - low) for share in SHOWN]
    listed = ", ".join(
        f"±{FORCE(file.law.u95(force)):.2g}{FORCE} at {FORCE(round(force)):g}{FORCE}"
        for force in forces
    )
    say(options, f"known to {listed} (k = 2)")
    merit = result.merit
    if merit is not None:
        names = ("repeatability", "reproducibility", "reversibility", "interpolation")
        worst = {name: merit.worst(name) for name in names}
        listed = ", ".join(
            f"{name} {value:.2g} %" for name, value in worst.items() if math.isfinite(value)
        )
        say(options, f"at worst (ISO 376): {listed}")
    say(options, f"certificate {file.path.with_suffix('.html')}\nkept as {file.path}")


def _as_data(result: CalibrationResult) -> dict[str, Any]:
    budget, calibration = result.budget, result.calibration
    return {
        "acceptable": result.acceptable,
        "loads": result.loads,
        "findings": [
            {
                "code": f.code,
                "sentence": f.sentence,
                "fix": f.fix,
                "severity": f.severity,
                "points": list(f.points),
            }
            for f in result.findings
        ],
        "points": len(result.points),
        "outliers": sum(point.outlier for point in result.points),
        "law": result.fit.law if result.fit else None,
        "knee_mm": 1e3 * result.knee_m,
        "u_knee_mm": 1e3 * result.u_knee_m,
        "dead_zone_mm": 1e3 * result.dead_zone_m,
        "uncertainty": [list(row) for row in budget.table] if budget else [],
        "calibration": calibration.model_dump(mode="json") if calibration else None,
    }
