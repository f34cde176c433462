"""``hookeline size``: from requirements and a list of parts to the best combination."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Any

from drivers.motion import speaking
from hil.profile import examine_profile
from hil.sequences import load_sequence
from hil.sizing import (
    Chart,
    Figure,
    Sized,
    SizingError,
    force_over_frequency,
    force_over_speed,
    load_parts,
    load_requirements,
    named,
    profile_text,
    sensitivities,
    sequence_beside,
    sequence_text,
    shipped_requirements,
    size,
)
from ui.commands.answers import BAD_INPUT, FAILED, OK, CommandError, add_command, answer, say
from ui.commands.session import check_fit

SHOWN = 10
LISTED = 4  # of the figures that a property changes


def add(commands: Any) -> None:
    parser = add_command(
        commands,
        "size",
        "choose motor, screw or gear, and springs for the requirements",
        "Read the requirements (force, speed, stroke, duty, supply, bandwidth and so on) and a list\n"
        "of parts, combine every motor, screw and set of springs, and show the margin of each, what\n"
        "limits it and how the best meets each requirement. For a rotary actuator, gears and torsion\n"
        "springs take the place of screws and springs. The shipped parts are\n"
        "invented: copy the file and enter your own. Nothing is opened and nothing can move.\n\n"
        "With --write-profile the choice becomes a profile that runs on the simulated rig.",
        "  hookeline size footplate\n"
        "  hookeline size joint\n"
        "  hookeline size requirements.yaml --parts parts.yaml --choose M2/S10/K60 --sensitivity\n"
        "  hookeline size footplate --write-profile sized.yaml --plot sized.png\n",
    )
    parser.add_argument(
        "requirements",
        help=f"file of requirements, or a shipped one: {', '.join(shipped_requirements())}",
    )
    parser.add_argument(
        "--parts", default="parts", help="file of parts (default: the shipped, invented ones)"
    )
    parser.add_argument(
        "--choose",
        metavar="NAME",
        help="combination to show, as MOTOR/SCREW/SPRINGS or MOTOR/GEAR/SPRINGS, or its number",
    )
    parser.add_argument(
        "--sensitivity", action="store_true", help="show how figures change with each property"
    )
    parser.add_argument(
        "--plot",
        type=Path,
        metavar="FILE",
        help="draw limits and required points (.png, .svg, .pdf)",
    )
    parser.add_argument(
        "--write-profile", type=Path, metavar="FILE", help="write the profile of the choice"
    )
    parser.set_defaults(run=run)


def run(options: argparse.Namespace) -> int:
    required, parts = load_requirements(options.requirements), load_parts(options.parts)
    try:
        found = size(required, parts)
        chosen = named(found, options.choose) if options.choose else found[0]
    except SizingError as error:
        raise CommandError(str(error), BAD_INPUT) from None
    invented = ", all invented" if options.parts == "parts" else ""
    say(options, f"{required.name}: {len(found)} combinations of parts{invented}")
    for number, one in enumerate(found[:SHOWN], 1):
        word = "meets all" if one.met else f"misses {len(one.missed)}"
        say(
            options,
            f"  {number:3} {one.choice.name:24} {word:10} least margin {one.margin:6.3g}  "
            f"{one.limiting.label}",
        )
    say(options, f"{chosen.choice.name}:")
    for figure in chosen.figures:
        say(options, _line(figure))
    moved = sensitivities(chosen.choice) if options.sensitivity else []
    for move in moved:
        listed = ", ".join(f"{key} {change:+.2f}" for key, change in move.changes[:LISTED])
        say(options, f"  1 % more {move.part}.{move.property} changes in percent: {listed}")
    charts = [force_over_speed(chosen.choice), force_over_frequency(chosen.choice)]
    if options.plot is not None:
        _draw(options.plot, chosen, charts)
        say(options, f"limits drawn in '{options.plot}'")
    if options.write_profile is not None:
        _write_profile(options, chosen)
    answer(
        options,
        {
            "required": required.name,
            "invented_parts": bool(invented),
            "combinations": [_as_data(one) for one in found],
            "chosen": _as_data(chosen) | {"figures": [_figure_data(f) for f in chosen.figures]},
            "sensitivity": [
                {"part": one.part, "property": one.property, "changes": dict(one.changes)}
                for one in moved
            ],
            "charts": [_chart_data(chart) for chart in charts],
            "profile": options.write_profile,
        },
    )
    return OK if chosen.met else FAILED


def _line(figure: Figure) -> str:
    value = f"{figure.value:.4g} {figure.unit}".strip()
    required = ""
    if figure.required is not None:
        required = f"{'≥' if figure.least else '≤'} {figure.required:.4g}"
    verdict = "" if figure.required is None else "met" if figure.met else "MISSED"
    return f"  {figure.label:38} {value:>14} {required:>10} {verdict:6} {figure.note}".rstrip()


def _as_data(one: Sized) -> dict[str, Any]:
    return {
        "name": one.choice.name,
        "met": one.met,
        "margin": one.margin,
        "limiting": one.limiting.key,
        "missed": [figure.key for figure in one.missed],
    }


def _figure_data(figure: Figure) -> dict[str, Any]:
    return {
        "key": figure.key,
        "value": figure.value,
        "unit": figure.unit,
        "required": figure.required,
        "bound": None if figure.required is None else "least" if figure.least else "most",
        "met": figure.met,
        "note": figure.note,
    }


def _chart_data(chart: Chart) -> dict[str, Any]:
    return {
        "title": chart.title,
        "x": chart.x_label,
        "y": chart.y_label,
        "curves": {c.name: {"x": c.x.tolist(), "y": c.y.tolist()} for c in chart.curves},
        "points": [{"name": name, "x": x, "y": y} for name, x, y in chart.points],
    }


def _draw(path: Path, chosen: Sized, charts: list[Chart]) -> None:
    from matplotlib.figure import Figure as Sheet

    sheet = Sheet(figsize=(11, 4.6), layout="constrained")
    sheet.suptitle(f"{chosen.choice.required.name}: {chosen.choice.name}")
    for axes, chart in zip(sheet.subplots(1, len(charts)), charts, strict=True):
        for curve in chart.curves:
            axes.plot(curve.x, curve.y, label=curve.name)
        for name, x, y in chart.points:
            axes.plot([x], [y], "ko", markersize=5)
            axes.annotate(name, (x, y), textcoords="offset points", xytext=(6, 4), fontsize=8)
        axes.set(title=chart.title, xlabel=chart.x_label, ylabel=chart.y_label)
        axes.set_ylim(bottom=0)
        if chart.x_log:
            axes.set_xscale("log")
        axes.grid(alpha=0.3)
        axes.legend(fontsize=8)
    try:
        sheet.savefig(path)
    except ValueError as error:
        raise CommandError(
            f"'{path}' cannot be drawn: {error}. Fix: end the name in .png, .svg or .pdf", BAD_INPUT
        ) from None


def _write_profile(options: argparse.Namespace, chosen: Sized) -> None:
    path: Path = options.write_profile
    for file in (path, sequence_beside(path)):
        if file.exists():
            raise CommandError(
                f"'{file}' already exists. Fix: name another file, or remove it", BAD_INPUT
            )
    path.write_text(profile_text(chosen.choice), encoding="utf-8")
    examined = examine_profile(path)
    for problem in examined.problems:
        say(options, f"{problem.severity}: {problem}")
    if examined.profile is None:
        raise CommandError(
            f"the profile of {chosen.choice.name} contradicts itself as listed above: the choice "
            f"misses {', '.join(f.label for f in chosen.missed) or 'nothing that was required'}. Fix: "
            "choose another, or correct the written file"
        )
    beside = sequence_beside(path)
    beside.write_text(sequence_text(chosen.choice), encoding="utf-8")
    with speaking(examined.profile.motion):
        check_fit(load_sequence(beside), examined.profile)
    say(
        options,
        f"profile and its first session ({beside.name}) written; try: hookeline demo --profile "
        f"{path} --lockstep",
    )
