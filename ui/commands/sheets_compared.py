"""``hookeline measure --compare``: two data sheets side by side."""

from __future__ import annotations

import argparse
from collections.abc import Mapping
from typing import Any

from hil.measure import RUNS, TESTS, assemble, compare_sheets, plots_svg, read_sheet, shown
from ui.commands.answers import BAD_INPUT, OK, CommandError, answer, say


def compare(options: argparse.Namespace) -> int:
    """Compare the two sheets that ``options.compare`` names; return the exit code.

    Raises:
        SheetError: one cannot be read.
        CommandError: they have no figure in common.
    """
    first, second = (read_sheet(path) for path in options.compare)
    data: dict[str, Any] = {
        "first": options.compare[0],
        "second": options.compare[1],
        **show_comparison(options, first, second),
        "plots": None,
    }
    folders = [path if path.is_dir() else path.parent for path in options.compare]
    if all((folder / RUNS).is_dir() for folder in folders):
        sheets = [assemble(folder, TESTS) for folder in folders]
        diagrams = [[d for t in sheet.tested for d in t.diagrams] for sheet in sheets]
        plots = folders[1] / "comparison.svg"
        plots.write_text(plots_svg(*diagrams), encoding="utf-8")
        data["plots"] = plots
        say(options, f"overlaid plots {plots}")
    answer(options, data)
    return OK


def show_comparison(
    options: argparse.Namespace, first: Mapping[str, Any], second: Mapping[str, Any]
) -> dict[str, Any]:
    """Show two data sheets side by side, and return the comparison as data.

    Raises:
        CommandError: they have no figure in common.
    """
    found = compare_sheets(first, second)
    if not found.pairs:
        raise CommandError("the two data sheets have no figure in common", BAD_INPUT)
    for pair in found.pairs:
        verdict = "DIFFERS" if pair.differs else "same" if pair.score == pair.score else "not known"
        say(
            options,
            f"{pair.title:52} {pair.first:10.4g} {pair.second:10.4g}  "
            f"{shown(pair.difference, pair.u95):>18} {pair.unit:6} E_n {pair.score:6.2f}  {verdict}",
        )
    for names, which in ((found.only_first, "first"), (found.only_second, "second")):
        if names:
            say(options, f"only in the {which}: {', '.join(names)}")
    say(
        options,
        f"{len(found.differing)} of {len(found.pairs)} figures differ by more than their "
        "uncertainty (|E_n| > 1)",
    )
    return {
        "figures": [pair.as_data() for pair in found.pairs],
        "only_first": list(found.only_first),
        "only_second": list(found.only_second),
        "differing": [pair.name for pair in found.differing],
    }
