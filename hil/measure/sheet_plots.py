"""The data sheet's plots, and its print-ready form, by matplotlib; equal runs give equal bytes."""

from __future__ import annotations

import io
import textwrap
from collections.abc import Sequence
from typing import Any

import matplotlib
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.backends.backend_pdf import PdfPages
from matplotlib.backends.backend_svg import FigureCanvasSVG
from matplotlib.figure import Figure as Canvas
from matplotlib.ticker import NullFormatter

from hil.measure.characteristic import Diagram

A4_IN = (8.27, 11.69)
ACROSS = 3
# Okabe and Ito's palette, told apart with any colour vision.
COLOURS = ("#0072B2", "#D55E00", "#009E73", "#E69F00", "#56B4E9", "#CC79A7")
STYLE: Any = {
    "font.size": 6.5,
    "svg.fonttype": "path",
    "svg.hashsalt": "data sheet",
    "pdf.compression": 6,
}
INK = "#1b2230"
ROW = 0.0135  # of the page's height
COLUMNS = ((0.0, "left"), (0.52, "right"), (0.69, "right"), (0.79, "right"), (0.81, "left"))


def plots_canvas(diagrams: Sequence[Diagram], overlaid: Sequence[Diagram] = ()) -> Canvas:
    """Return one page with all diagrams.

    Args:
        diagrams: of the sheet.
        overlaid: of another sheet; lines of equal titles are drawn over each other, dashed.
    """
    down = max(1, -(-len(diagrams) // ACROSS))
    canvas = Canvas(figsize=(A4_IN[0], min(A4_IN[1], 2.4 * down + 0.4)), layout="constrained")
    FigureCanvasAgg(canvas)
    others = {d.title: d for d in overlaid}
    for i, diagram in enumerate(diagrams):
        axis = canvas.add_subplot(down, ACROSS, i + 1)
        _draw(axis, diagram)
        if diagram.title in others:
            _draw(axis, others[diagram.title], over=True)
        axis.set_title(diagram.title, fontsize=7.5)
        axis.set_xlabel(diagram.x_label)
        axis.set_ylabel(diagram.y_label)
        axis.grid(alpha=0.25, which="both" if diagram.log_x else "major")
        if diagram.log_x:
            axis.set_xscale("log")
            axis.xaxis.set_major_formatter("{x:g}")
            axis.xaxis.set_minor_formatter(NullFormatter())
        axis.legend(frameon=False, fontsize=5.5)
        for spine in ("top", "right"):
            axis.spines[spine].set_visible(False)
    return canvas


def _draw(axis: Any, diagram: Diagram, over: bool = False) -> None:
    measured = 0
    for line in diagram.lines:
        if over and line.kind != "measured":
            continue
        colour = COLOURS[(max(measured - 1, 0) if line.kind == "predicted" else measured) % 6]
        style = {"predicted": "--", "limit": ":"}.get(line.kind, "-")
        if line.kind == "measured":
            measured += 1
        axis.plot(
            line.x,
            line.y,
            "--" if over else style,
            color=INK if line.kind == "limit" else colour,
            lw=0.8,
            alpha=0.6 if over else 1.0,
            marker=("x" if over else ".") if line.points else None,
            ms=3,
            label=f"{line.label}, other" if over else line.label,
        )


def plots_svg(diagrams: Sequence[Diagram], overlaid: Sequence[Diagram] = ()) -> str:
    """Return the page of plots as SVG, to stand in HTML."""
    with matplotlib.rc_context(STYLE):
        canvas = plots_canvas(diagrams, overlaid)
        FigureCanvasSVG(canvas)
        page = io.StringIO()
        canvas.savefig(page, format="svg", transparent=True, metadata={"Date": None})
    svg = page.getvalue()
    return svg[svg.index("<svg") :]


def pdf_bytes(
    title: str,
    head: Sequence[str],
    groups: Sequence[tuple[str, Sequence[Sequence[str]], str]],
    sentences: Sequence[str],
    diagrams: Sequence[Diagram],
) -> bytes:
    """Return the print-ready form: one page of figures (more if they are many), one of plots.

    Args:
        title, head: at the top.
        groups: (title, rows of five cells, foot).
        sentences: below the tables.
        diagrams: of the page of plots.
    """
    page = io.BytesIO()
    with (
        matplotlib.rc_context(STYLE),
        PdfPages(page, metadata={"Title": title, "CreationDate": None}) as pdf,
    ):
        writer = _Pages(pdf)
        writer.text(title, 12, bold=True, rows=1.8)
        for line in head:
            writer.text(line, 6.5)
        for name, rows, foot in groups:
            writer.gap()
            writer.text(name, 7.5, bold=True)
            writer.cells(("", "measured, k = 2", "predicted", "limit", "unit"), faint=True)
            for row in rows:
                writer.cells(row)
            writer.text(foot, 5.5)
        if sentences:
            writer.gap()
            writer.text("Differences, and what is missing", 7.5, bold=True)
            for sentence in sentences:
                writer.text(f"– {sentence}", 6)
        writer.end()
        if diagrams:
            pdf.savefig(plots_canvas(diagrams))
    return page.getvalue()


class _Pages:
    """Lines of text on as many A4 pages as they need."""

    def __init__(self, pdf: Any) -> None:
        self._pdf, self._canvas, self._y = pdf, self._new(), 0.96

    def _new(self) -> Canvas:
        canvas = Canvas(figsize=A4_IN)
        FigureCanvasAgg(canvas)
        return canvas

    def _room(self, rows: float) -> None:
        if self._y - rows * ROW < 0.04:
            self.end()
            self._canvas, self._y = self._new(), 0.96

    def text(self, text: str, size: float, bold: bool = False, rows: float = 1.0) -> None:
        for line in textwrap.wrap(text, 135) or [""]:
            self._room(rows)
            weight = "bold" if bold else "normal"
            self._canvas.text(0.07, self._y, line, fontsize=size, va="top", weight=weight)
            self._y -= rows * ROW

    def cells(self, cells: Sequence[str], faint: bool = False) -> None:
        self._room(1.0)
        for (x, side), cell in zip(COLUMNS, cells, strict=True):
            self._canvas.text(
                0.07 + 0.88 * x, self._y, cell, va="top", ha=side, alpha=0.6 if faint else 1.0
            )
        self._y -= ROW

    def gap(self) -> None:
        self._room(4.0)
        self._y -= 0.6 * ROW

    def end(self) -> None:
        self._pdf.savefig(self._canvas)
