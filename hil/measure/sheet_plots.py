"""The data sheet's plots, and its print-ready form, by matplotlib; equal runs give equal bytes."""

from __future__ import annotations

import io
import math
import textwrap
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from hil.measure.characteristic import Diagram

if TYPE_CHECKING:
    from matplotlib.figure import Figure as Canvas

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
TOP, BOTTOM, LEFT, WIDTH = 0.965, 0.03, 0.07, 0.88  # of the page
ROW, LOWEST_ROW = 0.0135, 0.0083  # of the page's height; 7 pt is the smallest legible
COLUMNS = ((0.0, "left"), (0.56, "right"), (0.75, "right"), (0.87, "right"), (0.89, "left"))
FEW_LINES = 2
LEGEND_ROW = 0.13  # of the height of a plot on a full page
MANY_DECADES = 160.0  # a wider axis (ratio of its ends) has labels at powers of ten only
LETTERS_PT = 900  # letters in a line times their size: average width of the font


def plots_canvas(diagrams: Sequence[Diagram], overlaid: Sequence[Diagram] = ()) -> Canvas:
    """Return one page with all diagrams.

    Args:
        diagrams: of the sheet.
        overlaid: of another sheet; lines of equal titles are drawn over each other, dashed.
    """
    from matplotlib.ticker import LogLocator, NullFormatter  # slow to load

    down = max(1, -(-len(diagrams) // ACROSS))
    size = (A4_IN[0], min(A4_IN[1], 2.4 * down + 0.4))
    canvas = _canvas(figsize=size, layout="constrained")
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
            low, high = axis.get_xlim()
            few = high > MANY_DECADES * low
            axis.xaxis.set_major_locator(LogLocator(subs=(1.0,) if few else (1.0, 2.0, 5.0)))
            axis.xaxis.set_major_formatter("{x:g}")
            axis.xaxis.set_minor_formatter(NullFormatter())
        _explain(axis)
        for spine in ("top", "right"):
            axis.spines[spine].set_visible(False)
    return canvas


def _explain(axis: Any) -> None:
    """Put the legend where there is room, above the lines if they are many."""
    count = len(axis.get_legend_handles_labels()[0])
    # A legend over lines stays legible, and the lines show through.
    style = {"fontsize": 5.5, "framealpha": 0.75, "edgecolor": "none", "borderpad": 0.2}
    if count <= FEW_LINES:
        axis.legend(**style)
        return
    taken = LEGEND_ROW * -(-count // 2)
    low, high = axis.get_ylim()
    axis.set_ylim(low, high + (high - low) * taken / (1 - taken))
    axis.legend(**style, loc="upper center", ncol=2, columnspacing=1.0)


def _canvas(**options: Any) -> Canvas:
    from matplotlib.backends.backend_agg import FigureCanvasAgg  # slow to load
    from matplotlib.figure import Figure as Canvas

    canvas = Canvas(**options)
    FigureCanvasAgg(canvas)
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
            linestyle="none" if not line.joined else "--" if over else style,
            color=INK if line.kind == "limit" else colour,
            lw=0.8,
            alpha=0.6 if over else 1.0,
            marker=("x" if over else ".") if line.points else None,
            ms=3,
            label=f"{line.label}, other" if over else line.label,
        )


def plots_svg(diagrams: Sequence[Diagram], overlaid: Sequence[Diagram] = ()) -> str:
    """Return the page of plots as SVG, for embedding in HTML."""
    import matplotlib  # slow to load
    from matplotlib.backends.backend_svg import FigureCanvasSVG

    with matplotlib.rc_context(STYLE):
        canvas = plots_canvas(diagrams, overlaid)
        FigureCanvasSVG(canvas)
        page = io.StringIO()
        canvas.savefig(page, format="svg", transparent=True, metadata={"Date": None})
    svg = page.getvalue()
    return svg[svg.index("<svg") :]


@dataclass(frozen=True)
class PrintedSheet:
    """Content of the print-ready form: one page of figures (more if they are many), one of plots.

    Attributes:
        title, head: at the top.
        groups: (title, rows of five cells, foot).
        sentences: below the tables.
        diagrams: of the page of plots.
    """

    title: str
    head: Sequence[str]
    groups: Sequence[tuple[str, Sequence[Sequence[str]], str]]
    sentences: Sequence[str]
    diagrams: Sequence[Diagram]


def pdf_bytes(sheet: PrintedSheet) -> bytes:
    """Return the sheet as PDF."""
    import matplotlib  # slow to load
    from matplotlib.backends.backend_pdf import PdfPages

    page = io.BytesIO()
    with (
        matplotlib.rc_context(STYLE),
        PdfPages(page, metadata={"Title": sheet.title, "CreationDate": None}) as pdf,
    ):
        for canvas in _pages(sheet):
            pdf.savefig(canvas)
    return page.getvalue()


def png_pages(sheet: PrintedSheet, dots_per_inch: float) -> list[bytes]:
    """Return the sheet's pages as PNG files."""
    import matplotlib  # slow to load

    pictures = []
    with matplotlib.rc_context(STYLE):
        for canvas in _pages(sheet):
            picture = io.BytesIO()
            canvas.savefig(picture, format="png", dpi=dots_per_inch, metadata={"Software": None})
            pictures.append(picture.getvalue())
    return pictures


def _pages(sheet: PrintedSheet) -> list[Canvas]:
    title, head, groups, sentences = sheet.title, sheet.head, sheet.groups, sheet.sentences
    lines = [_Line((title,), 12, True, 1.8)]
    lines += _wrapped(head, 6.5)
    lines.append(_Line(("", "measured, k = 2", "predicted", "limit", "unit"), 6, quiet=True))
    for name, rows, foot in groups:
        lines.append(_Line((name,), 7, True, 1.0, above=0.45))
        lines += [_Line(tuple(row), 6.2) for row in rows]
        lines += _wrapped([foot], 5, quiet=True, rows=0.8)
    if sentences:
        lines.append(_Line(("Differences and notes",), 7, True, 1.0, above=0.45))
        lines += _wrapped(sentences, 5.5, rows=0.9)
    pages = _figure_pages(lines)
    if sheet.diagrams:
        pages.append(plots_canvas(sheet.diagrams))
    return pages


@dataclass(frozen=True)
class _Line:
    """One line of a page: one cell, or five.

    Attributes:
        size: of its letters, in points. rows: its height in rows. above: room above it, in rows.
    """

    cells: tuple[str, ...]
    size: float
    bold: bool = False
    rows: float = 1.0
    quiet: bool = False
    above: float = 0.0


def _wrapped(
    texts: Sequence[str], size: float, quiet: bool = False, rows: float = 1.0
) -> list[_Line]:
    width = int(LETTERS_PT / size)
    return [
        _Line((line,), size, quiet=quiet, rows=rows)
        for text in texts
        for line in textwrap.wrap(text, width)
    ]


def _figure_pages(lines: Sequence[_Line]) -> list[Canvas]:
    """Return pages of lines: rows shrink to fit one page, but stay legible."""
    whole = sum(line.rows + line.above for line in lines)
    row = min(ROW, max(LOWEST_ROW, (TOP - BOTTOM) / whole))
    pages: list[Canvas] = []
    y = -math.inf
    for line in lines:
        if y - (line.rows + line.above) * row < BOTTOM - 1e-9:
            canvas = _canvas(figsize=A4_IN)
            pages.append(canvas)
            y = TOP
        y -= line.above * row
        places = COLUMNS if len(line.cells) > 1 else COLUMNS[:1]
        for (x, side), cell in zip(places, line.cells, strict=True):
            pages[-1].text(
                LEFT + WIDTH * x,
                y,
                cell,
                fontsize=line.size,
                va="top",
                ha=side,
                weight="bold" if line.bold else "normal",
                alpha=0.65 if line.quiet else 1.0,
            )
        y -= line.rows * row
    return pages
