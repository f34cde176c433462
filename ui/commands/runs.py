"""``hookeline runs``: list, show, label, repair and export recorded runs."""

from __future__ import annotations

import argparse
from dataclasses import asdict
from pathlib import Path
from typing import Any

from hil.analysis import (
    DATA_ENDINGS,
    FIGURE_ENDINGS,
    draw_figure,
    export_table,
    figure_line,
    lines_of,
    measure,
    select,
)
from hil.recorder import (
    RunError,
    RunSummary,
    bin_run,
    change_labels,
    empty_bin,
    find_run,
    list_binned,
    list_runs,
    load_run,
    read_labels,
    repair_run,
    restore_run,
    search_runs,
)
from ui.commands.answers import (
    BAD_INPUT,
    OK,
    CommandError,
    add_command,
    answer,
    number,
    say,
    say_row,
)
from ui.commands.ineffective import refuse_ineffective

RUNS = Path("runs")
LABEL_OPTIONS = ("name", "note", "tag", "untag", "pin")
EXPORT_OPTIONS = ("columns", "from", "to", "rate")
FIGURE_COLUMNS = ("setpoint_force_N", "spring_force_N", "deflection_m")


def add(commands: Any) -> None:
    parser = add_command(
        commands,
        "runs",
        "list, show, label, repair and export recorded runs",
        "A run is a folder: run.yaml (profile, calibration, versions, note), samples.parquet\n"
        "(or samples.arrows, if recording was cut off) and events.jsonl. pandas, polars, DuckDB\n"
        "and whatever reads Parquet open the samples as they are; columns carry their unit.\n\n"
        "  list [WORDS]      all runs; with WORDS, those that match all of them (#tag: a tag)\n"
        "  show RUN          outcome, events, figures\n"
        "  repair RUN        complete a run whose recorder was killed; without RUN, all such runs\n"
        "  label RUN         set name, note, tags or pin; the recorded data stay as they are\n"
        "  bin [RUN]         move a run into the bin; without RUN, list the bin\n"
        "  restore RUN       put a run back from the bin\n"
        "  empty             delete the contents of the bin for good\n"
        "  export RUN FILE   samples as .csv, .parquet, .npz or .mat; a figure as .svg or .pdf\n\n"
        "RUN is a number, a folder's name, or a path.",
        "  hookeline runs\n  hookeline runs show 12\n  hookeline runs export 12 step.csv\n"
        "  hookeline runs export 12 step.mat --from 5 --to 8 --columns spring_force_N,deflection_m\n",
    )
    parser.add_argument(
        "--runs",
        dest="directory",
        type=Path,
        default=RUNS,
        metavar="DIR",
        help="directory of runs (default: runs)",
    )
    parser.add_argument(
        "action",
        nargs="?",
        default="list",
        choices=("list", "show", "repair", "label", "bin", "restore", "empty", "export"),
    )
    parser.add_argument("which", nargs="?", metavar="RUN")
    parser.add_argument("file", nargs="?", type=Path, metavar="FILE")
    labels = parser.add_argument_group("label")
    labels.add_argument("--name", metavar="NAME", help="name in lists; '' for the recorded one")
    labels.add_argument("--note", metavar="TEXT", help="note instead of the recorded one")
    labels.add_argument("--tag", action="append", metavar="TAG", help="add a tag; repeatable")
    labels.add_argument("--untag", action="append", metavar="TAG", help="remove a tag")
    labels.add_argument(
        "--pin",
        action=argparse.BooleanOptionalAction,
        help="pinned: at the top of the list, never in the bin",
    )
    export = parser.add_argument_group("export")
    export.add_argument(
        "--columns",
        metavar="A,B",
        help="columns, separated by commas (default: all; for figures a few)",
    )
    export.add_argument(
        "--from",
        dest="start_s",
        type=number,
        metavar="SECONDS",
        help="start, from the run's first sample",
    )
    export.add_argument("--to", dest="end_s", type=number, metavar="SECONDS", help="end")
    export.add_argument(
        "--rate",
        dest="rate_hz",
        type=number,
        metavar="HZ",
        help="resample: averaged below the recorded rate, interpolated above",
    )
    export.add_argument(
        "--width",
        default="single",
        metavar="WIDTH",
        help="width of a figure: single or double column, or mm (default: single)",
    )
    parser.set_defaults(run=run)


def run(options: argparse.Namespace) -> int:
    actions = {
        "list": _list,
        "show": _show,
        "repair": _repair,
        "label": _label,
        "bin": _bin,
        "restore": _restore,
        "empty": _empty,
        "export": _export,
    }
    if options.action != "label":
        refuse_ineffective(options, LABEL_OPTIONS, f"on '{options.action}'; it is for 'label'")
    if options.action != "export":
        refuse_ineffective(options, EXPORT_OPTIONS, f"on '{options.action}'; it is for 'export'")
    if options.file is not None and options.action not in ("list", "export"):
        raise CommandError(
            f"runs {options.action}: one word too many: '{options.file}'. Fix: leave it out",
            BAD_INPUT,
        )
    if options.directory != RUNS and not options.directory.is_dir():
        raise CommandError(f"--runs {options.directory}: no such directory; name one", BAD_INPUT)
    return actions[options.action](options)


def _list(options: argparse.Namespace) -> int:
    if options.file is not None:
        raise CommandError("several words need one pair of quotes: 'push #fast'", BAD_INPUT)
    runs = list_runs(options.directory) if options.directory.exists() else []
    if not runs:
        say(options, f"no runs in '{options.directory}'")
    words = options.which or ""
    found = search_runs(runs, words)
    if runs and not found:
        say(options, f"none of {len(runs)} runs matches '{words}'")
    for summary in found:
        say_row(options, *_row(summary))
    answer(options, {"runs": [asdict(summary) for summary in found]})
    return OK


def _label(options: argparse.Namespace) -> int:
    path = _find(options)
    changes: dict[str, Any] = {
        key: value
        for key, value in (("name", options.name), ("note", options.note), ("pinned", options.pin))
        if value is not None
    }
    try:
        if options.tag or options.untag:
            off = set(options.untag or ())
            tags = (*read_labels(path).tags, *(options.tag or ()))
            changes["tags"] = tuple(tag for tag in tags if tag not in off)
        if not changes:
            raise CommandError(
                "runs label needs one of --name, --note, --tag, --untag, --pin, --no-pin", BAD_INPUT
            )
        labels = change_labels(path, **changes)
    except RunError as error:
        raise CommandError(str(error), BAD_INPUT) from None
    tags_text = " ".join(f"#{tag}" for tag in labels.tags)
    parts = (labels.name, tags_text, "pinned" if labels.pinned else "", labels.note or "")
    say(options, f"{path.name}: " + (" · ".join(part for part in parts if part) or "no labels"))
    answer(options, {"run": path, **asdict(labels)})
    return OK


def _bin(options: argparse.Namespace) -> int:
    if options.which is None:
        folders = list_binned(options.directory)
        for folder in folders:
            say(options, folder.name)
        if not folders:
            say(options, "the bin is empty")
        answer(options, {"bin": [folder.name for folder in folders]})
        return OK
    path = _find(options)
    bin_run(path)
    say(options, f"{path.name} is in the bin; 'hookeline runs restore {path.name}' puts it back")
    answer(options, {"run": path.name})
    return OK


def _restore(options: argparse.Namespace) -> int:
    if options.which is None:
        raise CommandError("runs restore needs a RUN, such as 12", BAD_INPUT)
    path = restore_run(options.directory, options.which)
    say(options, f"{path.name} is back")
    answer(options, {"run": path})
    return OK


def _empty(options: argparse.Namespace) -> int:
    if options.which is not None:
        raise CommandError("empty takes no RUN: it removes all that is in the bin", BAD_INPUT)
    count = empty_bin(options.directory)
    runs = "1 run" if count == 1 else f"{count} runs"
    say(options, f"{runs} removed for good" if count else "the bin is empty")
    answer(options, {"removed": count})
    return OK


def _row(summary: RunSummary) -> tuple[str, str]:
    """Return the cells of a run in the list, and the text of its last column."""
    seconds = "" if summary.duration_s is None else f"{summary.duration_s:8.1f} s"
    started = summary.begun(19)
    parts = summary.problem or (f"tripped: {summary.trip}" if summary.trip else summary.note)
    name = "" if summary.path.name == f"{summary.number:04d}-{summary.name}" else summary.name
    tags = " ".join(f"#{tag}" for tag in summary.tags)
    parts = " ".join(f"{name}  {tags}  {parts}".split())
    mark = "*" if summary.pinned else " "
    cells = f"{summary.path.name:28}{mark}{started:19} {seconds:>10} {summary.status:11} "
    return cells, parts[:60]


def _find(options: argparse.Namespace) -> Path:
    if options.which is None:
        raise CommandError(f"runs {options.action} needs a RUN, such as 12", BAD_INPUT)
    try:
        return find_run(options.directory, options.which)
    except RunError as error:
        raise CommandError(str(error), BAD_INPUT) from None


def _show(options: argparse.Namespace) -> int:
    found = load_run(_find(options))
    meta = found.meta
    measured = measure(found)
    say(options, f"{found.path}  ({meta.get('status', 'not closed')})")
    shown = {**meta, "name": found.name, "note": found.note}
    shown["tags"] = " ".join(f"#{tag}" for tag in found.labels.tags)
    for key in ("name", "tags", "started", "ended", "how_it_ended", "note", "drive"):
        if shown.get(key):
            say(options, f"  {key.replace('_', ' '):13} {shown[key]}")
    timing = measured.timing
    say(
        options,
        f"  samples       {timing['cycles']} at {timing['rate_hz']:.2f} Hz, "
        f"{timing['late_cycles']} late, {timing['lost_samples']} lost",
    )
    for figure in measured.figures:
        say(options, f"  {figure_line(figure)}")
    for event in found.events:
        text = _event_line(event)
        if text:
            say(options, f"  {event.get('time_s', 0.0):10.3f} s  {text}")
    answer(
        options,
        {
            "run": found.path,
            "meta": meta,
            "labels": asdict(found.labels),
            **measured.as_data(),
            "events": found.events,
        },
    )
    return OK


def _event_line(event: dict[str, Any]) -> str:
    kind = event["kind"]
    if kind == "stop":
        return f"stop: {event.get('cause')}: {event.get('detail')}"
    if kind == "state":
        return f"state {str(event.get('state')).lower().replace('_', '-')}"
    if kind == "applied":
        behaviour = dict(event.get("behaviour") or {})
        name = str(behaviour.pop("kind", ""))
        behaviour.pop("points", None)  # of older runs
        return f"{name.replace('_', ' ')} " + ", ".join(
            f"{key} {value}" for key, value in behaviour.items()
        )
    if kind == "power_removal":
        return str(event.get("text"))
    if kind == "host_ending":
        return str(event.get("power", ""))
    if kind in ("marker", "notice", "refused"):
        return f"{kind}: {event.get('text')}"
    if kind == "limited":
        return f"limited by {', '.join(event.get('limits', []))}"
    return ""


def _repair(options: argparse.Namespace) -> int:
    if options.which is not None:
        paths = [_find(options)]
    else:
        paths = [
            run.path
            for run in list_runs(options.directory)
            if run.status in ("interrupted", "damaged")
        ]
    done = []
    for path in paths:
        text = repair_run(path)
        say(options, text)
        done.append({"run": path, "text": text})
    if not paths:
        say(options, "nothing to repair")
    answer(options, {"repaired": done})
    return OK


def _export(options: argparse.Namespace) -> int:
    path = _find(options)
    target: Path | None = options.file
    if target is None or target.suffix not in DATA_ENDINGS + FIGURE_ENDINGS:
        endings = ", ".join(DATA_ENDINGS + FIGURE_ENDINGS)
        raise CommandError(f"runs export needs a file name that ends in {endings}", BAD_INPUT)
    columns = options.columns.split(",") if options.columns else None
    if columns is None and target.suffix in FIGURE_ENDINGS:
        columns = list(FIGURE_COLUMNS)
    try:
        table = select(load_run(path), columns, options.start_s, options.end_s, options.rate_hz)
        if target.suffix in FIGURE_ENDINGS:
            draw_figure(lines_of(table), target, options.width)
        else:
            export_table(table, target)
    except RunError as error:
        raise CommandError(str(error), BAD_INPUT) from None
    rows = table.num_rows
    say(options, f"{rows} samples in {target}")
    answer(options, {"run": path, "file": target, "samples": rows})
    return OK
