"""Texts of the Measure page: of a test, of its figures, of its end. No Qt."""

from __future__ import annotations

import html
import math
from collections.abc import Iterable, Mapping, Sequence

from drivers.motion import in_words
from hil.measure import (
    Characteristic,
    EndOfTest,
    EvaluatedRun,
    GuardedTest,
    Trial,
    duration_words,
    shown,
)
from hil.profile import Profile
from ui.dashboard.widgets import Sizes, Theme

COLUMNS = ((30, "left"), (29, "right"), (25, "right"), (16, "left"))  # widths in percent
BEYOND, DIFFERS, AGREES = "▲ too large", "≠ differs", "agrees"


def summary(
    tests: Sequence[GuardedTest], results: Mapping[str, EvaluatedRun], ends: Mapping[str, EndOfTest]
) -> tuple[str, bool]:
    """Return the outcome of a measurement, and whether it is bad news."""
    for test in tests:
        if test.key in ends:
            end = ends[test.key]
            return f"{test.title}, {end.how}: {end.text.rstrip('.')}. Then continue (G).", True
    found = [c for result in results.values() for c in result.characteristics]
    if not found:
        return "", False
    differ = [c for c in found if c.differs]
    planned = sum(not test.on_request or test.key in results for test in tests)
    text = f"{len(results)} of {planned} tests measured, {len(found)} figures"
    if differ:
        one = differ[0]
        others = f" and {len(differ) - 1} more" if len(differ) > 1 else ""
        text += f"; {len(differ)} differ from their prediction: {one.title.lower()}{others}"
    return f"{text}.", False


def verdict(c: Characteristic) -> str:
    """Return a figure's verdict against its prediction and its limit, '' without either."""
    if math.isfinite(c.limit) and math.isfinite(c.value) and abs(c.value) > abs(c.limit):
        return BEYOND
    if not math.isfinite(c.predicted) or not math.isfinite(c.value):
        return ""
    return DIFFERS if c.differs else AGREES


def figures_html(result: EvaluatedRun, theme: Theme, sizes: Sizes) -> str:
    """Return the figures of a test, with value ± u95, prediction and verdict, and its notes."""
    parts = []
    if result.problem:
        parts.append(f"<p><b>No figures:</b> {html.escape(result.problem)}</p>")
    if result.characteristics:
        rows = "".join(_row(c, theme) for c in result.shown)
        heads = _cells(("figure", "value ± u95", "predicted", "verdict"), theme.quiet, False)
        parts.append(f'<table cellpadding="{sizes.px(3)}" width="100%">{heads}{rows}</table>')
    parts += [f'<p style="color:{theme.quiet}">{html.escape(note)}</p>' for note in result.notes]
    conditions = dict.fromkeys(c.conditions for c in result.characteristics if c.conditions)
    if conditions:
        said = html.escape("; ".join(conditions))
        parts.append(f'<p style="color:{theme.quiet}">Conditions: {said}. u95: k = 2.</p>')
    return "".join(parts)


def _cells(texts: Sequence[str], colour: str, bold: bool) -> str:
    cells = []
    for text, (wide, side) in zip(texts, COLUMNS, strict=True):
        said = html.escape(text)
        if side == "right" or text == DIFFERS:
            said = _together(said)
        said = f"<b>{said}</b>" if bold else said
        cells.append(f'<td width="{wide}%" align="{side}" style="color:{colour}">{said}</td>')
    return f"<tr>{''.join(cells)}</tr>"


def _together(text: str) -> str:
    """Keep value and uncertainty on one line, and the unit unbroken, on this line or the next."""
    value, space, unit = text.rpartition(" ")
    if not space or unit[0].isdigit() or not unit[0].isalpha() or "±" not in value:
        return text.replace(" ", "&nbsp;")
    for sign in "·/":
        unit = unit.replace(sign, f"&#8288;{sign}&#8288;")
    return f"{value.replace(' ', '&nbsp;')} {unit}"


def _row(c: Characteristic, theme: Theme) -> str:
    unit = "" if c.unit == "1" else c.unit
    predicted = shown(c.predicted, c.predicted_u95) if math.isfinite(c.predicted) else ""
    word = verdict(c)
    bad = word in (DIFFERS, BEYOND)
    value = f"{shown(c.value, c.u95)} {unit}".strip()
    row = _cells((c.title, value, predicted, word), theme.warning if bad else theme.ink, bad)
    if c.differs and c.causes:
        causes = html.escape(c.causes)
        row += f'<tr><td colspan="4" style="color:{theme.quiet}">likely causes: {causes}</td></tr>'
    return row


def trial_html(trial: Trial, theme: Theme, sizes: Sizes) -> str:
    """Return a trial of a redesign: its verdict, and each figure with the gains before and after."""
    heads = _cells(("force response", "in force", "redesigned", "E_n"), theme.quiet, False)
    rows = []
    for pair in trial.pairs:
        unit = "" if pair.unit == "1" else pair.unit
        score = f"{pair.score:+.1f}" if math.isfinite(pair.score) else ""
        first, second = (f"{value:.4g} {unit}".strip() for value in (pair.first, pair.second))
        colour = theme.warning if pair.differs else theme.ink
        rows.append(_cells((pair.title, first, second, score), colour, pair.differs))
    table = f'<table cellpadding="{sizes.px(3)}" width="100%">{heads}{"".join(rows)}</table>'
    said = f"<p><b>{html.escape(trial.sentence)}</b></p>"
    return said + (table if trial.pairs else "")


def plan_html(
    tests: Sequence[GuardedTest],
    picked: Iterable[str],
    profile: Profile,
    theme: Theme,
    sizes: Sizes,
) -> str:
    """Return the whole plan: set-up, duration and risk of each test."""
    rows = []
    for number, test in enumerate(tests, 1):
        colour = theme.ink if test.key in set(picked) else theme.quiet
        cells = (
            f"{number}",
            html.escape(in_words(test.title)),
            html.escape(in_words(", ".join(test.fitting))),
            duration_words(test.lasts_s(profile)),
            html.escape(in_words(test.risk)),
        )
        row = "".join(f'<td style="color:{colour}">{cell}</td>' for cell in cells)
        rows.append(f"<tr>{row}</tr>")
    heads = "".join(f"<td>{head}</td>" for head in ("", "Test", "Set-up", "Duration", "Risk"))
    return (
        f'<table cellpadding="{sizes.px(3)}" width="100%"><tr style="color:{theme.quiet}">{heads}'
        f"</tr>{''.join(rows)}</table>"
    )
