"""The commissioning record as one page: to read, to sign, to keep."""

from __future__ import annotations

import functools
import io
import math
import re
from pathlib import Path
from typing import Any

import matplotlib
from jinja2 import Environment, FileSystemLoader, StrictUndefined, Template
from markupsafe import Markup
from matplotlib.backends.backend_svg import FigureCanvasSVG
from matplotlib.figure import Figure as Canvas

from hil.bringup.step import Plot, Verdict

# Okabe and Ito's palette, told apart with any colour vision; the dashes distinguish lines in grey.
COLOURS = ("#0072B2", "#D55E00", "#009E73", "#E69F00", "#56B4E9", "#1b2230")
UNSAID = dict.fromkeys(("Creator", "Date", "Format", "Type"))
LEGEND_INSIDE = 4  # more names would hide the curves
DASHES = ("-", "--", "-.", ":")


def plot_svg(plot: Plot) -> str:
    """Return a plot as an ``<svg>`` element for a page."""
    with matplotlib.rc_context({"font.size": 8, "svg.fonttype": "none"}):
        canvas = Canvas(figsize=(6.4, 2.9))
        FigureCanvasSVG(canvas)
        many = len(plot.traces) > LEGEND_INSIDE  # then the legend is beside the plot
        # Fixed margins: automatic layout takes as long as all the rest.
        axis = canvas.add_axes((0.11, 0.17, 0.68 if many else 0.86, 0.72))
        i = -1
        for trace in plot.traces:
            # An expected curve is dashed, in the colour of the measured one before it.
            expected = i >= 0 and trace.expected
            i += not expected
            axis.plot(
                trace.x,
                trace.y,
                "--" if expected else DASHES[i // len(COLOURS) % len(DASHES)],
                color=COLOURS[i % len(COLOURS)],
                lw=1.0,
                label=trace.label,
            )
        for label, height in plot.levels:
            if math.isfinite(height):
                axis.axhline(height, color=COLOURS[-1], ls=":", lw=0.9)
                axis.annotate(
                    label,
                    (1.0, height),
                    xycoords=("axes fraction", "data"),
                    fontsize=7,
                    ha="right",
                    va="bottom",
                )
        axis.set_title(plot.title, fontsize=9, y=1.0)
        axis.set_xlabel(plot.x_label)
        axis.set_ylabel(plot.y_label)
        axis.grid(alpha=0.25)
        for spine in ("top", "right"):
            axis.spines[spine].set_visible(False)
        if len(plot.traces) > 1:
            beside: dict[str, Any] = {"loc": "upper left", "bbox_to_anchor": (1.0, 1.0)}
            axis.legend(frameon=False, fontsize=7, **beside if many else {"loc": "best"})
        text = io.StringIO()
        canvas.savefig(text, format="svg", transparent=True, metadata=UNSAID)
    svg = text.getvalue()
    # Every plot has the same group ids, and an id may appear only once on a page.
    return re.sub(r'<g id="[^"]*"', "<g", svg[svg.index("<svg") :])


def page(folder: Path, data: dict[str, Any]) -> str:
    """Return the whole page from ``bringup.yaml``'s contents; plots are read from the folder."""
    steps = [
        {
            **entry,
            "measured": [{**m, "shown": _shown(m["value"])} for m in entry["measured"]],
            "svgs": [Markup(svg) for svg in _svgs(folder, entry)],
        }
        for entry in data["steps"]
    ]
    verdict, good = summary(data)
    return _template().render(data=data, steps=steps, verdict=verdict, good=good)


@functools.cache
def _template() -> Template:
    return Environment(
        loader=FileSystemLoader(Path(__file__).parent), autoescape=True, undefined=StrictUndefined
    ).get_template("record.html")


def summary(data: dict[str, Any]) -> tuple[str, bool]:
    """Return a one-sentence summary, and whether every step has passed."""
    steps = data["steps"]
    passed = sum(entry["verdict"] == Verdict.PASS for entry in steps)
    if passed == len(steps):
        return f"All {passed} steps passed.", True
    stuck = next((e for e in steps if e["verdict"] in (Verdict.FAIL, Verdict.NEEDS_PERSON)), None)
    text = f"{passed} of {len(steps)} steps passed; this rig is not yet verified."
    if stuck is not None:
        text += f" {stuck['title']}: {stuck['verdict']}."
    return text, False


def _svgs(folder: Path, entry: dict[str, Any]) -> list[str]:
    found = []
    for plot in entry["plots"]:
        try:
            # Only files in the folder: a record may come from elsewhere.
            found.append((folder / "evidence" / Path(plot["file"]).name).read_text("utf-8"))
        except OSError:
            continue
    return found


def _shown(value: float | str | None) -> str:
    if isinstance(value, str):
        return value
    if value is None or not math.isfinite(value):
        return "not measured"
    return f"{value:.4g}"
