"""The data sheet's plots, and its print-ready form, by matplotlib; equal runs give equal bytes."""

from __future__ import annotations

import io
import textwrap
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from hil.measure.characteristic import Diagram

if TYPE_CHECKING:
    from matplotlib.figure import Figure as Canvas

A4_IN = (11.69, 8.27)  # landscape
POINTS = 72.0  # in an inch
ACROSS = 5
# Okabe and Ito's palette, told apart with any colour vision.
COLOURS = ("#0072B2", "#D55E00", "#009E73", "#E69F00", "#56B4E9", "#CC79A7")
STYLE: Any = {
    "font.size": 6.5,
    "svg.fonttype": "path",
    "svg.hashsalt": "data sheet",
    "pdf.compression": 6,
}
INK = "#1b2230"
EDGE_PT, GUTTER_PT = 30.0, 20.0  # margin of the page, room between its columns
BOTTOM_PT = POINTS * A4_IN[1] - EDGE_PT  # from the top
WIDTH_PT = POINTS * A4_IN[0] - 2 * EDGE_PT
COLUMNS = 2  # of a page of figures
COLUMN_PT = (WIDTH_PT - (COLUMNS - 1) * GUTTER_PT) / COLUMNS
ROW_PT, LOWEST_ROW_PT = 10.0, 7.0  # height of a row; 7 pt is the smallest legible
ROW_STEPS = 30  # heights tried in between
TITLE_SHARE = 0.55  # of a column, for the title of a figure
# Of a column: where the cells of a row are, and their side.
CELLS = ((0.0, "left"), (0.685, "right"), (0.862, "right"), (0.925, "right"), (0.935, "left"))
HEADINGS = ("", "measured, k = 2", "predicted", "limit", "unit")
TITLE_LETTERS = 34  # of a line above a plot
FEW_LINES = 2
LEGEND_ROW = 0.13  # of the height of a plot on a full page
MANY_DECADES = 160.0  # a wider axis (ratio of its ends) has labels at powers of ten only
LETTER = 0.56  # width over size: average of the font


def plots_canvas(diagrams: Sequence[Diagram], overlaid: Sequence[Diagram] = ()) -> Canvas:
    """Return one page with all diagrams.

    Args:
        diagrams: diagrams of the sheet.
        overlaid: diagrams of another sheet; lines of equal titles are drawn over each other,
            dashed.
    """
    from matplotlib.ticker import LogLocator, NullFormatter  # slow to load

    down = max(1, -(-len(diagrams) // ACROSS))
    size = (A4_IN[0], min(A4_IN[1], 1.8 * down + 0.4))
    canvas = _canvas(figsize=size, layout="constrained")
    others = {d.title: d for d in overlaid}
    for i, diagram in enumerate(diagrams):
        axis = canvas.add_subplot(down, ACROSS, i + 1)
        _draw(axis, diagram)
        if diagram.title in others:
            _draw(axis, others[diagram.title], over=True)
        axis.set_title(textwrap.fill(diagram.title, TITLE_LETTERS), fontsize=7)
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
    labels = axis.get_legend_handles_labels()[1]
    if labels == ["measured"]:
        return  # the title says it, and a sample of points looks like one of them
    count = len(labels)
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
        title, head: texts at the top.
        groups: (title, rows of five cells, foot).
        sentences: below the tables.
        diagrams: diagrams of the page of plots.
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
    lines: list[_Line] = []
    for name, rows, foot in sheet.groups:
        lines.append(_Line((name,), 7.5, True, 1.1, above=0.4, keeps=True))
        for row in rows:
            lines += _figure(row)
        lines += _wrapped([foot], 5.4, COLUMN_PT, quiet=True, rows=0.8)
    if sheet.sentences:
        lines.append(_Line(("Differences and notes",), 7.5, True, 1.1, above=0.4, keeps=True))
        lines += _wrapped(sheet.sentences, 6.0, COLUMN_PT, rows=0.85)
    head = [_Line((sheet.title,), 12, True, 1.8), *_wrapped(sheet.head, 6.5, WIDTH_PT)]
    pages = _figure_pages(head, lines)
    if sheet.diagrams:
        pages.append(plots_canvas(sheet.diagrams))
    return pages


@dataclass(frozen=True)
class _Line:
    """One line of a page: one cell, or five.

    Attributes:
        size: size of its letters, in points. rows: its height in rows. above: room above it, in
            rows.
        keeps: it stays with the next line.
    """

    cells: tuple[str, ...]
    size: float
    bold: bool = False
    rows: float = 1.0
    quiet: bool = False
    above: float = 0.0
    keeps: bool = False


def _figure(row: Sequence[str]) -> list[_Line]:
    """Return the lines of one figure: a long title goes on below."""
    size = 6.5
    title, *more = textwrap.wrap(row[0], int(TITLE_SHARE * COLUMN_PT / (LETTER * size)))
    first = _Line((title, *row[1:]), size, keeps=bool(more))
    return [first, *(_Line(("   " + text,), size, rows=0.9) for text in more)]


def _wrapped(
    texts: Sequence[str], size: float, width_pt: float, quiet: bool = False, rows: float = 1.0
) -> list[_Line]:
    return [
        _Line((line,), size, quiet=quiet, rows=rows)
        for text in texts
        for line in textwrap.wrap(text, int(width_pt / (LETTER * size)))
    ]


def _figure_pages(head: Sequence[_Line], lines: Sequence[_Line]) -> list[Canvas]:
    """Return pages of columns of lines: rows shrink to fit one page, but stay legible."""
    for step in range(ROW_STEPS + 1):
        row = ROW_PT - (ROW_PT - LOWEST_ROW_PT) * step / ROW_STEPS
        first = EDGE_PT + row * sum(line.rows for line in head)
        places = _flowed(lines, row, first)
        if not places or places[-1][0] < COLUMNS:
            break
    pages = [_canvas(figsize=A4_IN)]
    y = EDGE_PT
    for line in head:
        _write(pages[0], line, EDGE_PT, y)
        y += row * line.rows
    begun = -1
    for line, (column, y) in zip(lines, places, strict=True):
        page, across = divmod(column, COLUMNS)
        left = EDGE_PT + across * (COLUMN_PT + GUTTER_PT)
        if page == len(pages):
            pages.append(_canvas(figsize=A4_IN))
        if column > begun:
            begun = column
            _write(pages[page], _Line(HEADINGS, 6.0, quiet=True), left, y - row)
        _write(pages[page], line, left, y)
    return pages


def _flowed(lines: Sequence[_Line], row: float, first: float) -> list[tuple[int, float]]:
    """Return (column, distance from the top in points) of each line.

    Args:
        row: height of a row in points.
        first: top of the columns of the first page in points.
    """
    places: list[tuple[int, float]] = []
    column, y = 0, first + row  # below the headings
    for i, line in enumerate(lines):
        need = row * (line.above + line.rows)
        if line.keeps and i + 1 < len(lines):
            need += row * lines[i + 1].rows
        if y + need > BOTTOM_PT:
            column += 1
            y = row + (first if column < COLUMNS else EDGE_PT)
        elif places:
            y += row * line.above
        places.append((column, y))
        y += row * line.rows
    return places


def _write(page: Canvas, line: _Line, left_pt: float, y_pt: float) -> None:
    cells = CELLS if len(line.cells) > 1 else CELLS[:1]
    for (x, side), cell in zip(cells, line.cells, strict=True):
        page.text(
            (left_pt + x * COLUMN_PT) / (POINTS * A4_IN[0]),
            1 - y_pt / (POINTS * A4_IN[1]),
            cell,
            fontsize=line.size,
            va="top",
            ha=side,
            weight="bold" if line.bold else "normal",
            alpha=0.65 if line.quiet else 1.0,
        )
