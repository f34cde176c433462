"""Summary page of an endurance run: one file of HTML, drawn from its journal."""

from __future__ import annotations

import html
import os
from pathlib import Path

from drivers.motion import restated, unit_name
from hil.wear.endurance import WATCHED, words_of
from hil.wear.journal import Journal
from hil.wear.trend import Trend

WIDE, HIGH = 640, 150
TITLES = {
    "friction_N": ("Friction beyond the profile's", "N", 1.0),
    "stiffness_N_m": ("Stiffness", "N/mm", 1e-3),
    "zero_m": ("Deflection without force", "um", 1e6),
}


def write_summary(file: Path, title: str, journal: Journal, trends: dict[str, Trend]) -> None:
    """Write the page; an older one is replaced atomically.

    Raises:
        OSError: it cannot be written.
    """
    ended = [entry for entry in journal.entries if entry.get("kind") == "ended"]
    last = journal.entries[-1]
    state = f"Ended ({last['how']}): {last['text']}" if last.get("kind") == "ended" else "Running."
    rows = [
        ("Cycles", f"{journal.count}"),
        ("Time", f"{journal.seconds / 3600:.2f} h"),
        ("Starts", f"{len(ended) + (last.get('kind') != 'ended')}"),
    ]
    rows += [
        (f"Life used, {part}", f"{100 * share:.4g} %") for part, share in journal.damage.items()
    ]
    changes = [words_of(t.change) for t in trends.values() if t.change is not None]
    body = "".join(f"<tr><th>{html.escape(a)}</th><td>{html.escape(b)}</td></tr>" for a, b in rows)
    found = "".join(f"<li>{html.escape(text)}</li>" for text in changes) or "<li>none</li>"
    plots = "".join(_plot(trends[name]) for name in WATCHED if name in trends)
    text = (
        "<!doctype html><html lang='en'><head><meta charset='utf-8'>"
        f"<title>{html.escape(title)}</title><style>body{{font:15px sans-serif;margin:2em;"
        "max-width:50em}th{text-align:left;padding-right:2em}svg{display:block}</style></head>"
        f"<body><h1>{html.escape(title)}</h1><p>{html.escape(state)}</p><table>{body}</table>"
        f"<h2>Trends</h2><ul>{found}</ul>{plots}</body></html>\n"
    )
    part = file.with_suffix(".part")
    part.write_text(text, encoding="utf-8")
    os.replace(part, file)


def _plot(trend: Trend) -> str:
    title, unit, scale = TITLES[trend.name]
    scale, unit = float(restated(scale, unit)), unit_name(unit)
    if len(trend.values) < 2:
        return f"<h3>{title}</h3><p>not shown by this sequence yet</p>"
    every = max(1, len(trend.values) // WIDE)
    at, values = trend.at[::every], [scale * value for value in trend.values[::every]]
    low, high = min(values), max(values)
    room, length = (high - low) or 1.0, (at[-1] - at[0]) or 1.0
    points = " ".join(
        f"{WIDE * (x - at[0]) / length:.1f},{HIGH * (high - y) / room:.1f}"
        for x, y in zip(at, values, strict=True)
    )
    mark = ""
    if trend.change is not None:
        x = WIDE * (trend.change.onset - at[0]) / length
        mark = f"<line x1='{x:.1f}' x2='{x:.1f}' y1='0' y2='{HIGH}' stroke='#c4122b'/>"
    return (
        f"<h3>{title}: {low:.4g} to {high:.4g} {unit}, cycles {at[0]:.0f} to {at[-1]:.0f}</h3>"
        f"<svg width='{WIDE}' height='{HIGH}' viewBox='0 0 {WIDE} {HIGH}'>"
        f"<polyline fill='none' stroke='#0072b2' points='{points}'/>{mark}</svg>"
    )
