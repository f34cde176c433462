"""Write the manual's page of figures from the measurements of the programs.

``python -m tests.ui.manual.write_figures --measure [PROGRAM ...]`` runs benchmarks one after the
other, keeps the ``--json`` output of each in ``measured/``, and writes the page. Without
``--measure`` the page is written from the kept results. Campaigns take half an hour each and run
only when named.
"""

from __future__ import annotations

import argparse
import json
import subprocess
import sys
from pathlib import Path
from typing import Any

ROOT = Path(__file__).parents[3]
PAGE = ROOT / "ui" / "manual" / "figures.md"
KEPT = Path(__file__).parent / "measured"
BENCHMARKS = {
    "cycle": ["--seconds", "20"],
    "stop": ["--keys", "40"],
    "link_attack": ["--seconds", "5"],
    "force": [],
    "plots": [],
    "run_page": [],
    "recorder": [],
    "simulation": [],
    "declared": [],
    "serial_line": [],
}
CAMPAIGNS: dict[str, list[str]] = {
    "faults": ["--seeds", "1", "--pairs", "300"],
    "endurance": [],
    "clients": [],
    "kills": [],
    "full_disk": [],
    "measure": [],
}
MEASURE_S = 2 * 3600.0

HEAD = """\
# Figures

Measured by the programs in `tests/benchmarks` and `tests/campaigns`; each takes `--check`, which judges
its goals, and `--json`. `tests/ui/manual/write_figures.py` writes this page from their output. Each figure
is compared with one measured in the same run: computers differ by a factor of two.

A shared virtual machine takes a processor away from its guest for milliseconds. An empty loop next to the
rig host loses the same cycles; `limits.cycle_late` stops the rig when such a pause is too long.
"""
FAULTS = """\
Sessions of the simulated footplate trainer in lockstep: every fault that can be
[rehearsed](rehearse.md), in each behaviour, under several weights, alone and in pairs. *Force* is the
largest true spring force in units of the limit that trips, *end* the hardest end impact; in brackets
the same if power is removed between the fault and the stop. A session falls short with more than
1.05 or 20 mm/s, unless that removal brings as much, to 5 % of force and 5 mm/s, or, under a weight or a hand,
all the permitted force 20 ms after it came, to 5 mm/s; if it continues for more than 100 ms after a fault
that must stop it, or with a figure that is no longer valid; or if the stop names a wrong cause. A drive that
ignores OFF runs free until its own watchdog acts, for 65 ms: that time is judged there, not force and end. If
its watchdog is dead too, only the emergency stop removes power, and only the stop's name is judged. With a
law that was wrong by up to a quarter before the rig first moved, the force limit is equally wrong.
"""
EXCUSED = """\
Rows *excused* count the sessions with more force or a harder end that do not fall short, by the reason or by
where the force came: without power a weight falls on its springs, which may go solid.
"""
FELL_SHORT = """\
These sessions fall short, by fault, behaviour, weight in kg and seed. A weight of 7.5 kg laid on at once
leaves 19 N of the force limit to brake it: until the bench knows the weight, it falls as the behaviour
allows. In a pause the last torque stands until the drive's own watch removes power, 15 ms later. Springs
that become soft under a weight let it fall while the change is being detected, and a softer spring is solid
sooner. A deflection sensor may by chance report one value for 30 ms at rest: only then is it frozen.
"""
CLIENTS = """\
A bench in Running, attacked on local sockets and over the network at once. `replayed` and `reordered`
are real requests of the holder, sent by another client, with old and with new timestamps; `below` breaks
the protocol itself. *s* is the time under attack, *load* the computer's load average, *pauses* the number
of pauses above 5 ms that the rig host reported. The attackers pause for 2 s after
each 4 s: *without* is the wake-up latency then, in the same minutes. Times in us.
"""
KILLS = """\
Each process of a live bench killed, or stopped by SIGSTOP for a while, the rig host's socket on the bus
shut down, the recorder's file system filled up: in De-energised, while power comes on, in Standby,
Running, during a controlled stop, tripped and in the bring-up. Each row is the worst over these states;
power is taken from the drive's statusword on the bus. Input and output have no process of their own: they
are in the rig host's one thread.
"""
FULL_DISK = """\
An hour of samples at 1 kHz, random so that compression gains nothing, passed to the recorder's
writing thread as fast as it accepts them, while the disk refuses every byte.
"""

MEASURE = """\
Simulated rigs that differ, their calibration, torque, copper and meters off by what the figures state
for them: in how many of them does the band of a figure cover the truth? *worst* and *rms* are errors over
the band: normal errors of 0.43 to 0.55 rms are covered in 98 to 93 %. *confidence* is that of the share
(Clopper and Pearson, from memory); fewer than 30 rigs cannot be judged by it. *True states* is the same
figure computed from the simulation's states: both share the scatter of the excitation, and a small rms
says nothing of the band's width.
"""
ENDURANCE = """\
One simulated footplate trainer in lockstep, powered, stopped and reset again and again, each time with
other behaviours, hands, weights and late cycles. Where the nut is at rest, the measured force is compared
with the true spring force: *force off* is its mean over an hour, the *stated band* (95 %) that of the
calibration.
"""


def figures_page() -> str:
    """Return the page written from the kept results."""
    parts = [HEAD]
    for name in BENCHMARKS:
        if (kept := KEPT / f"{name}.json").exists():
            parts.append(_benchmark(f"benchmarks/{name}.py", json.loads(kept.read_text())))
    if (kept := KEPT / "faults.json").exists():
        parts.append(_faults(json.loads(kept.read_text())))
    sections = (
        ("endurance", _endurance),
        ("clients", _clients),
        ("kills", _kills),
        ("full_disk", _full_disk),
        ("measure", _measure),
    )
    for name, section in sections:
        if (kept := KEPT / f"{name}.json").exists():
            parts.append(section(json.loads(kept.read_text())))
    return "\n".join(parts)


def _benchmark(program: str, data: dict[str, Any]) -> str:
    lines = [f"## {data['title']}\n", f"`{program}`, {data['date']}, {data['machine']}.\n"]
    if data["rows"]:
        points = list(data["rows"][0]["values"])
        lines.append(_table_head(["", "unit", "n", *points]))
        for row in data["rows"]:
            values = [_number(row["values"][point]) for point in points]
            lines.append(_table_row([row["name"], row["unit"], str(row["count"]), *values]))
        lines.append("")
    if data["figures"]:
        lines.append(_table_head(["figure", "value", "unit", "goal", "compared with"]))
        for figure in data["figures"]:
            goal = _goal(figure)
            if goal and not figure["reached"]:
                goal += ", **missed**"
            lines.append(
                _table_row(
                    [
                        figure["name"],
                        _number(figure["value"]),
                        figure["unit"],
                        goal,
                        figure["baseline"],
                    ]
                )
            )
        lines.append("")
    lines += [f"- {note}" for note in data["notes"]]
    return "\n".join(lines).rstrip() + "\n"


def _faults(data: dict[str, Any]) -> str:
    lines = [
        "## Faults injected into running sessions\n",
        f"`campaigns/faults.py`, {data['sessions']} sessions, {data['date']}, {data['machine']}.\n",
        FAULTS,
        *(
            [EXCUSED]
            if any(str(row["fault"]).startswith("excused") for row in data["table"])
            else []
        ),
        _table_head(list(data["table"][0])),
    ]
    lines += [_table_row([str(value) for value in row.values()]) for row in data["table"]]
    if short := data.get("fell_short"):
        lines += ["", FELL_SHORT, *(f"- {text}" for text in short)]
    if notes := data.get("notes"):
        lines += ["", *(f"- {note}" for note in notes)]
    return "\n".join(lines) + "\n"


def _clients(data: dict[str, Any]) -> str:
    sent = next(row["sent"] for row in data["table"] if row["attack"] == "all attacks")
    lines = [
        "## Hostile clients on a running bench\n",
        f"`campaigns/clients.py`, {sent} messages, {data['date']}, {data['machine']}.\n",
        CLIENTS,
        *_rows(data["table"]),
    ]
    lines += ["", *(f"- {note}" for note in data.get("notes", []))]
    return "\n".join(lines).rstrip() + "\n"


def _kills(data: dict[str, Any]) -> str:
    lines = [
        "## Deaths and pauses\n",
        f"`campaigns/kills.py`, {data['cases']} cases, {data['fell_short']} fell short, {data['date']}, "
        f"{data['machine']}.\n",
        KILLS,
        *_rows(data["table"]),
    ]
    lines += ["", *(f"- {note}" for note in data.get("notes", []))]
    return "\n".join(lines).rstrip() + "\n"


def _full_disk(data: dict[str, Any]) -> str:
    return (
        "\n".join(
            [
                "## A full disk\n",
                f"`campaigns/full_disk.py`, {data['date']}, {data['machine']}.\n",
                FULL_DISK,
                f"- full for {data['full_s']} s of samples: at most {data['most_waiting_MB']} MB waiting, "
                f"{data['lost_samples']} samples lost, {data['lost_after_room']} once there is room",
                *(f"- the operator is notified: {text}" for text in data["told"]),
            ]
        )
        + "\n"
    )


def _measure(data: dict[str, Any]) -> str:
    shown = ("figure", "truth", "rigs", "covered", "confidence_95", "worst", "rms", "verdict")
    table = [{name: row[name] for name in shown} for row in data["table"]]
    lines = [
        "## Coverage of the data sheet\n",
        f"`campaigns/measure.py`, {data['profile']}, {data['date']}, {data['machine']}.\n",
        MEASURE,
        *_rows(table),
        "",
        *(f"- {text}" for text in [*data["problems"], *data.get("notes", [])]),
    ]
    return "\n".join(lines).rstrip() + "\n"


def _rows(table: list[dict[str, Any]]) -> list[str]:
    return [
        _table_head(list(table[0])),
        *(_table_row([str(value) for value in row.values()]) for row in table),
    ]


def _endurance(data: dict[str, Any]) -> str:
    lines = [
        "## Hours of mixed sessions\n",
        f"`campaigns/endurance.py`, {data['hours']} simulated hours, {data['sessions']} sessions, "
        f"{data['date']}, {data['machine']}.\n",
        ENDURANCE,
        *_rows(data["table"]),
        "",
        f"- memory {data['start_MB']} MB at the start, {data['growth_kB_h']:+} kB an hour after the "
        "first quarter",
        *(f"- {note}" for note in data["notes"]),
    ]
    return "\n".join(lines) + "\n"


def _goal(figure: dict[str, Any]) -> str:
    words = []
    if figure["least"] is not None:
        words.append(f"≥ {figure['least']:.4g}")
    if figure["most"] is not None:
        words.append(f"≤ {figure['most']:.4g}")
    return ", ".join(words)


def _number(value: float | None) -> str:
    return "none" if value is None else f"{value:.4g}"


def _table_head(names: list[str]) -> str:
    return f"{_table_row(names)}\n|{'---|' * len(names)}"


def _table_row(cells: list[str]) -> str:
    return "| " + " | ".join(cell.replace("|", "\\|") for cell in cells) + " |"


def measure(name: str) -> None:
    """Run one program and keep its JSON.

    Raises:
        SystemExit: the program printed no JSON.
    """
    room = "benchmarks" if name in BENCHMARKS else "campaigns"
    options = (BENCHMARKS | CAMPAIGNS)[name]
    command = [sys.executable, str(ROOT / "tests" / room / f"{name}.py"), *options, "--json"]
    ended = subprocess.run(command, cwd=ROOT, stdout=subprocess.PIPE, text=True, timeout=MEASURE_S)
    lines = ended.stdout.strip().splitlines()
    try:
        data = json.loads(lines[-1]) if lines else None
    except json.JSONDecodeError:
        data = None
    if data is None:
        raise SystemExit(f"{name}.py printed no JSON, exit code {ended.returncode}")
    for bulky in ("outcomes", "short", "texts"):
        data.pop(bulky, None)
    KEPT.mkdir(exist_ok=True)
    text = json.dumps(data, indent=1, ensure_ascii=False)
    (KEPT / f"{name}.json").write_text(text + "\n", encoding="utf-8")
    print(f"{name}: measured")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument(
        "--measure", nargs="*", metavar="PROGRAM", choices=[*BENCHMARKS, *CAMPAIGNS]
    )
    options = parser.parse_args()
    if options.measure is not None:
        for name in options.measure or BENCHMARKS:
            measure(name)
    PAGE.write_text(figures_page(), encoding="utf-8")


if __name__ == "__main__":
    main()
