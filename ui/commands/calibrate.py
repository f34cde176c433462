"""``hookeline calibrate``: from known loads to a force law, with its uncertainty."""

from __future__ import annotations

import argparse
import math
from pathlib import Path
from typing import Any

from hil.calibration import (
    FOLDER,
    LAWS,
    CalibrationFileError,
    Fit,
    FitError,
    Points,
    PointsError,
    choose_law,
    fit_law,
    read_points,
)
from ui.commands.answers import BAD_INPUT, OK, CommandError, add_command, answer, number, say
from ui.commands.disturb import add_disturb
from ui.commands.stated import add_reference
from ui.commands.unverified import add_unverified

MOST_CELL_U = 0.05  # the motor alone determines the springs this well


def add(commands: Any) -> None:
    parser = add_command(
        commands,
        "calibrate",
        "turn sensor counts into newtons with a stated uncertainty",
        "On a rig (--profile): you are prompted for what to hang next; the actuator goes to each point\n"
        "from below and from above, waits until the reading has settled, and takes it. The result is\n"
        "the law, its uncertainty (JCGM 100:2008) and figures of merit (ISO 376); mistakes are\n"
        "named with their fix. The loads are weights on the lever, dead weights on the rod of a\n"
        "vertical rig without lever, or (--loads cell) a reference load cell clamped in line with\n"
        "the rod: the actuator presses on it in steps, and you type its reading at each. Weights,\n"
        "arms and gravity play no part, so a horizontal rig can use it too. --cell-u is its\n"
        "standard uncertainty: half of the expanded one (k = 2) that its certificate states.\n\n"
        "Every calibration is kept as a dated file with a hash, its raw samples and a certificate\n"
        "to read and sign; --accept writes it into the profile as well.\n\n"
        "From a table (--points): known loads and readings in a CSV file. The law is fitted as\n"
        "reading over load, since the loads are the known quantity, and inverted for use. The header\n"
        "names the columns and may give units: load (N), reading (counts), series, direction.\n"
        "Two columns without units are load, then reading. Lines that begin with # are comments."
        "\n\n"
        "Earlier calibrations: --list, --compare, and --use, which writes one into its rig's profile\n"
        "or gives it to a running bench without a bump. One of another rig, or an altered one, is\n"
        "refused.",
        "  hookeline calibrate --profile my_rig.yaml --weights 2.5,5,7.5 --note 'new springs'\n"
        "  hookeline calibrate --profile footplate_trainer --lockstep --json\n"
        "  hookeline calibrate --profile my_rig.yaml --loads cell --cell-u '0.1 %' --pull\n"
        "  hookeline calibrate --list calibrations\n"
        "  hookeline calibrate --compare calibrations/A.yaml calibrations/B.yaml\n"
        "  hookeline calibrate --use calibrations/B.yaml --profile my_rig.yaml\n"
        "  hookeline calibrate --points loads.csv --law auto\n"
        "  hookeline calibrate --points loads.csv --law quadratic --at 250 --reading 1830 --json\n",
        motion=True,
    )
    what = parser.add_argument_group("what to do (one of these)")
    what.add_argument(
        "--profile",
        metavar="P",
        help="calibrate this rig: profile file or shipped "
        "name; with --use: the profile to write to",
    )
    what.add_argument(
        "--points", type=Path, metavar="FILE.csv", help="fit a table of load and reading"
    )
    what.add_argument(
        "--list",
        nargs="?",
        type=Path,
        const=Path(FOLDER),
        metavar="DIR",
        help=f"list the calibrations in DIR (default: {FOLDER})",
    )
    what.add_argument(
        "--compare",
        nargs=2,
        type=Path,
        metavar=("A", "B"),
        help="difference of B from A over force, with its uncertainty",
    )
    what.add_argument(
        "--use",
        type=Path,
        metavar="FILE",
        help="use an earlier calibration, with --profile or --link",
    )
    rig = parser.add_argument_group("on a rig")
    rig.add_argument(
        "--weights",
        metavar="KG,...",
        type=_weights,
        default=(),
        help="masses in kg, hung one at a time (default: rig.weights)",
    )
    rig.add_argument(
        "--loads",
        choices=("lever", "rod", "cell"),
        default="",
        help="weights on the "
        "lever, dead weights on the rod, or a reference load cell whose readings "
        "you type (default: weights, where the rig carries them)",
    )
    rig.add_argument(
        "--cell-u",
        metavar="U",
        type=_cell_u,
        help="with --loads cell: its standard "
        "uncertainty, such as '0.1 %%' of the reading or '0.5 N'",
    )
    rig.add_argument(
        "--forces",
        metavar="N,...",
        type=_forces,
        default=(),
        help="with --loads cell: forces to press with, in N (default: ten equal steps)",
    )
    rig.add_argument(
        "--pull",
        action="store_true",
        help="with --loads cell: also pull; cell and clamp must allow it",
    )
    rig.add_argument(
        "--series",
        type=int,
        default=3,
        metavar="N",
        help="number of series, loads up and down (default: 3)",
    )
    rig.add_argument(
        "--gravity",
        type=number,
        metavar="M_S2",
        help="local gravity in m/s² (default: the profile's)",
    )
    rig.add_argument(
        "--room", type=number, metavar="DEGC", help="room temperature, recorded with the conditions"
    )
    rig.add_argument("--note", default="", metavar="TEXT", help="recorded with the calibration")
    rig.add_argument(
        "--out", type=Path, metavar="DIR", help=f"folder (default: {FOLDER} next to the profile)"
    )
    rig.add_argument(
        "--accept",
        action="store_true",
        help="write it into the profile if there is no "
        "finding against it (a copy of the old file is kept)",
    )
    rig.add_argument(
        "--lockstep",
        action="store_true",
        help="simulated rig and person in this process, faster than real time",
    )
    rig.add_argument(
        "--simulated-operator",
        action="store_true",
        help="on a simulated rig in real time: a simulated person follows the prompts",
    )
    rig.add_argument(
        "--picture",
        type=Path,
        metavar="FILE.png",
        help="with --lockstep: draw the dashboard's Calibrate page with the result",
    )
    rig.add_argument("--seed", type=int, default=1, metavar="N", help="seed of the simulated rig")
    rig.add_argument(
        "--varied",
        action="store_true",
        help="vary simulated friction, noise and springs by up to 20 %%, by the seed",
    )
    law = parser.add_argument_group("law")
    law.add_argument(
        "--law",
        default="auto",
        choices=("auto", *LAWS),
        help="shape of the law; auto takes the one with the lowest corrected AIC",
    )
    law.add_argument(
        "--at", type=number, metavar="LOAD", help="with --points: also the reading at this load"
    )
    law.add_argument(
        "--reading", type=number, metavar="R", help="with --points: also the load for this reading"
    )
    parser.add_argument(
        "--link",
        metavar="DIR",
        help="with --use: link directory of a running bench, as 'hookeline serve' prints it",
    )
    add_disturb(parser)
    add_unverified(parser)
    add_reference(parser)
    parser.set_defaults(run=run)


def run(options: argparse.Namespace) -> int:
    given = [
        name for name in ("points", "list", "compare", "use") if getattr(options, name) is not None
    ]
    if len(given) > 1:
        raise CommandError(f"--{given[0]} and --{given[1]} exclude each other: give one", BAD_INPUT)
    do = given[0] if given else "rig"
    if do == "rig" and options.profile is None:
        raise CommandError(
            "choose one: --profile P (a rig), --points FILE.csv (a table), --list, "
            "--compare A B or --use FILE",
            BAD_INPUT,
        )
    if do in ("points", "compare") and options.profile is not None:
        raise CommandError(f"--{do} needs no rig: omit --profile", BAD_INPUT)
    if do != "points" and (options.at is not None or options.reading is not None):
        raise CommandError("--at and --reading belong to --points", BAD_INPUT)
    if do != "use" and options.link is not None:
        raise CommandError("--link belongs to --use", BAD_INPUT)
    # Each action loads only what it needs.
    try:
        if do == "points":
            return _offline(options)
        if do == "rig":
            from ui.commands.calibrate_rig import calibrate_rig

            return calibrate_rig(options)
        from ui.commands import calibrations_kept

        return int(getattr(calibrations_kept, f"{do}_kept")(options))
    except (PointsError, FitError, CalibrationFileError) as error:
        raise CommandError(str(error), BAD_INPUT) from None


def _weights(text: str) -> tuple[float, ...]:
    return _above_zero(
        text,
        "kg",
        "write masses in kg with commas between, such as 2.5,5,7.5",
        "every mass is above 0 kg",
    )


def _forces(text: str) -> tuple[float, ...]:
    return _above_zero(
        text,
        "N",
        "write forces in N with commas between, such as 100,200,300",
        "every force is above 0 N; --pull adds the same ones pulling",
    )


def _above_zero(text: str, unit: str, form: str, range_: str) -> tuple[float, ...]:
    try:
        values = tuple(
            float(part.removesuffix("*m").removesuffix("·m").removesuffix(unit))
            for part in text.split(",")
        )
    except ValueError:
        raise argparse.ArgumentTypeError(f"'{text}': {form}") from None
    if any(not 0.0 < value < math.inf for value in values):
        raise argparse.ArgumentTypeError(f"'{text}': {range_}")
    return values


def _cell_u(text: str) -> tuple[float, float]:
    """(relative, in N), one of them 0."""
    number, per = text.strip(), math.nan
    for unit, factor in (("%", 0.01), ("kN", 1e3), ("N*m", 1.0), ("N·m", 1.0), ("N", 1.0)):
        if number.endswith(unit):
            number, per = number.removesuffix(unit), factor
            break
    try:
        value = float(number) * per
    except ValueError:
        value = math.nan
    if not 0.0 < value < math.inf:
        raise argparse.ArgumentTypeError(
            f"'{text}': write a number above 0 with its unit, such as '0.1 %' (of the reading) or "
            "'0.5 N'"
        )
    if per == 0.01 and value > MOST_CELL_U:
        raise argparse.ArgumentTypeError(
            f"'{text}': a cell known no better than {100 * MOST_CELL_U:g} % is not a reference; "
            "give its standard uncertainty, half of the expanded one on its certificate"
        )
    return (value, 0.0) if per == 0.01 else (0.0, value)


def _offline(options: argparse.Namespace) -> int:
    points = read_points(options.points)
    for name in ("at", "reading"):
        given = getattr(options, name)
        if given is not None and not math.isfinite(given):
            raise CommandError(f"--{name} {given}: give a finite number", BAD_INPUT)
    compared: dict[str, Fit] = {}
    if options.law == "auto":
        fit, compared = choose_law(points)
    else:
        fit = fit_law(points, options.law)
    data: dict[str, Any] = {
        "points_file": options.points.name,
        "load": {"name": points.load_name, "unit": points.load_unit},
        "reading": {"name": points.reading_name, "unit": points.reading_unit},
        **fit.as_data(),
        "compared": {name: _finite(other.aicc) for name, other in compared.items()},
    }
    _tell(options, points, fit, compared)
    load_unit, reading_unit = _unit(points.load_unit), _unit(points.reading_unit)
    if options.at is not None:
        there = fit.at(options.at)
        data["at"] = {"load": options.at, "value": there.value, "u": there.u}
        say(
            options,
            f"  at {options.at:g}{load_unit}: {there.value:.9g}{reading_unit}, "
            f"standard uncertainty {there.u:.3g}{_beyond(fit, options.at)}",
        )
    if options.reading is not None:
        load = fit.load_for(options.reading)
        of_law = fit.load_for(options.reading, 0.0)
        data["inverse"] = {
            "reading": options.reading,
            "value": load.value,
            "u": load.u,
            "u_law": of_law.u,
        }
        say(
            options,
            f"  reading {options.reading:g}{reading_unit}: {load.value:.9g}{load_unit}, "
            f"standard uncertainty {load.u:.3g} (of the law alone {of_law.u:.3g})"
            f"{_beyond(fit, load.value)}",
        )
    answer(options, data)
    return OK


def _tell(options: argparse.Namespace, points: Points, fit: Fit, compared: dict[str, Fit]) -> None:
    say(
        options,
        f"{points.reading_name} = {fit.law.replace('_', ' ')} of {points.load_name}, "
        f"{len(points)} points, {fit.degrees_of_freedom} degrees of freedom",
    )
    for name, value, error in zip(fit.names, fit.coefficients, fit.standard_errors, strict=True):
        say(options, f"  {name:12} {value:+.9e}   standard error {error:.3e}")
    say(
        options,
        f"  residual standard deviation {fit.residual_sd:.6g}"
        f"{_unit(points.reading_unit)}, R² {fit.r_squared:.12g}",
    )
    for name, other in compared.items():
        mark = "  <- chosen" if other is fit else ""
        say(options, f"  corrected AIC of {name:12} {other.aicc:10.2f}{mark}")


def _unit(unit: str) -> str:
    return f" {unit}" if unit else ""


def _beyond(fit: Fit, load: float) -> str:
    low, high = fit.load_range
    return "" if low <= load <= high else "; outside the loads of the table"


def _finite(value: float) -> float | None:
    return value if math.isfinite(value) else None
