"""Kill and pause every process of a live bench in every state, and fill its disk.

For each case a bench is started (simulated rig on a CAN bus, rig host, recorder, a holder of
control), brought to a state with a run being recorded, and one process is killed or stopped for a
while. A separate listener reads the drive's statusword on the bus. The judge checks

- *power*: off at the simulated drive within the promised time, where the case ends power at all;
  and never on without a living holder;
- *the run*: readable, and nothing of it lost beyond a second before a death;
- *reported*: a watching client is informed.

A full disk is a small file system in memory, mounted over the folder of the runs and filled up;
``--full`` says for how long (``full_disk.py`` does the same for an hour). A removed adapter is
simulated by shutting down the rig host's bus socket from outside. A killed recorder is followed by
another one, whose run states why, and which run it continues.

``--quick`` runs a share; ``--check`` exits 1 naming what fell short; ``--json`` puts one object
on the last line.
"""

from __future__ import annotations

import argparse
import contextlib
import datetime
import json
import os
import signal
import subprocess
import sys
import tempfile
import time
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).parent))
sys.path.insert(1, str(Path(__file__).parents[1] / "benchmarks"))

from kills_watch import FullDisk, Listener, Observer, holder_main, punctual, unplug
from table import machine

from drivers.simulated import EnvironmentClient
from hil.host import BenchOptions, start_bench
from hil.link import LinkError, Refused
from hil.profile import drive_options, load_profile
from hil.recorder import list_runs, load_run, repair_run

PROFILE = "footplate_trainer"
STATES = ("de-energised", "energising", "standby", "running", "stopping", "tripped", "bring-up")
VICTIMS = ("rig", "host", "recorder", "holder")
PAUSES_S = (0.1, 1.0, 10.0, 60.0)
FULL_S = 3.0  # of a full disk, by default
JUMP_COUNTS = 250  # of the deflection sensor; the limit is 200
# Added to the promised time: this computer's own pauses, and the time between two frames.
MARGIN_S = 0.05
TOLD_S = 1.5  # a second, and the client's turn
LOST_S = 1.0
AFTER_S = 2.5  # for automatic reactions
LET_GO_S = 20.0
REPLACED, REPLACED_S = "was replaced", 20.0  # of a recorder, on a busy computer


@dataclass
class Case:
    state: str
    victim: str
    act: str
    pause_s: float = 0.0
    full_s: float = FULL_S
    gap_s: float = float("nan")  # between the runs of two recorders
    off_s: float = float("nan")
    promised_s: float = float("inf")
    lost_s: float = 0.0
    told: str = ""
    told_s: float = float("nan")
    short: list[str] = field(default_factory=list)

    @property
    def name(self) -> str:
        return f"{self.state}, {self.victim}, {self.act}"


def promised(case: Case, heartbeat_s: float, host_loss_s: float) -> float:
    """Return the seconds within which power must be off; infinite where the bench may continue."""
    powered = case.state not in ("de-energised", "tripped")
    if not powered or case.victim in ("recorder", "keep_awake"):
        return float("inf")
    if case.victim == "adapter":
        return host_loss_s
    if case.victim == "rig":
        # A dead drive has no power. A paused one is stopped by its own watch once it continues.
        paused = case.act.startswith("stopped") and case.pause_s > host_loss_s
        return case.pause_s + host_loss_s if paused else float("inf")
    limit_s = host_loss_s if case.victim == "host" else heartbeat_s
    if case.act.startswith("stopped") and case.pause_s < 2 * limit_s:
        return float("inf")
    if case.victim == "holder":
        return limit_s + _controlled_stop_s(case)
    return limit_s


def _controlled_stop_s(case: Case) -> float:
    return 0.5 if case.state in ("running", "stopping") else 0.0


def run_case(case: Case, place: Path) -> None:
    profile = load_profile(PROFILE)
    host_loss_s = float(drive_options(profile, place / "link", live=True).host_loss)
    case.promised_s = promised(case, profile.link.control_heartbeat, host_loss_s)
    runs = place / "runs"
    with contextlib.ExitStack() as mounted:
        disk = mounted.enter_context(FullDisk(runs)) if case.act == "disk full" else None
        before_s = _run_bench(case, place, disk)
        _judge_runs(case, runs, before_s)


def _run_bench(case: Case, place: Path, disk: FullDisk | None) -> float:
    """Bring the bench to its state, act, judge; return the time of the newest sample before the
    act."""
    options = BenchOptions(runs_directory=place / "runs", link_directory=place / "link")
    with start_bench(PROFILE, options) as bench, contextlib.ExitStack() as stack:
        link = bench.link_directory
        observer = Observer(link)
        punctual()
        stack.callback(observer.client.close)
        listener = Listener(str(link / "can.sock"))
        stack.callback(listener.close)
        holder = subprocess.Popen(
            [sys.executable, str(Path(__file__)), "--hold", str(link), "--state", case.state],
            stdout=subprocess.PIPE,
            text=True,
        )
        stack.callback(holder.wait)
        stack.callback(holder.kill)
        assert holder.stdout is not None
        while holder.stdout.readline().strip() != "there":
            if holder.poll() is not None:
                case.short.append("the holder did not come to its state")
                return 0.0
        if case.state == "tripped":
            control = EnvironmentClient(f"ipc://{link / 'environment.ipc'}")
            control.disturb("deflection_jump_counts", JUMP_COUNTS)
            observer.look(0.3)
            control.close()
        elif case.state not in ("stopping", "energising"):
            observer.look(0.3)
        process = {"holder": holder.pid, "adapter": 0}.get(case.victim)
        if process is None:
            process = bench.processes[case.victim].pid
        observer.look(0.0)  # silence counts from its latest read
        observer.told.clear()
        before_s = observer.time_s
        moment_s = time.monotonic()
        if case.victim == "adapter":
            if not unplug(bench.processes["host"].pid, bench.processes["rig"].pid):
                case.short.append("the rig host has no wire to the simulated rig")
        else:
            _act(case, process, observer, disk)
        observer.look(AFTER_S)
        if case.victim == "recorder" and case.act == "killed":
            end = time.monotonic() + REPLACED_S
            while time.monotonic() < end and not any(REPLACED in t for _, t in observer.told):
                observer.look(0.1)
            observer.look(1.0)
        case.off_s = listener.off_after(moment_s)
        _judge(case, observer, listener, moment_s)
    return before_s


def _act(case: Case, process: int, observer: Observer, disk: FullDisk | None) -> None:
    if case.act == "killed":
        os.kill(process, signal.SIGKILL)
    elif disk is not None:
        disk.fill()
        observer.look(case.full_s)
        disk.free()
    else:
        os.kill(process, signal.SIGSTOP)
        observer.look(case.pause_s)
        os.kill(process, signal.SIGCONT)


def _judge(case: Case, observer: Observer, listener: Listener, moment_s: float) -> None:
    if case.promised_s != float("inf") and not case.off_s <= case.promised_s + MARGIN_S:
        case.short.append(f"power off after {case.off_s:.3f} s, promised {case.promised_s:.3f} s")
    if listener.on and case.victim in ("host", "holder") and case.act == "killed":
        case.short.append("power is still on")
    held = [t for t in observer.without if t > 0]
    if len(held) > 8 and held[-1] - held[0] > 0.3:
        case.short.append(f"power without a holder for {held[-1] - held[0]:.2f} s")
    words = _words(case)
    for when_s, text in observer.told:
        if any(word in text for word in words):
            case.told, case.told_s = text[:90], when_s - moment_s
            break
    limit_s = 0.0 if case.pause_s and case.pause_s < 1.0 else TOLD_S
    if limit_s and words and not case.told_s <= limit_s:
        case.short.append(f"not told within {limit_s} s: {observer.told[:4]}")


def _words(case: Case) -> tuple[str, ...]:
    if case.act == "disk full":
        return ("disk", "room", "cannot be written", "too large")
    if case.victim == "recorder":
        return ("RECORDER",)
    if case.victim == "host":
        return ("HostGone", "pause:")  # a process that is back within a second reports it by itself
    if case.victim in ("rig", "adapter"):
        return ("stop:", "the drive is lost")
    if case.victim == "keep_awake":
        return ()
    return ("control: None", "stop:")


def _judge_runs(case: Case, runs: Path, before_s: float) -> None:
    """Check that every run is readable, and that recording reaches to a second before the act."""
    ends = []
    spans = []  # of the runs not made by a stop: note, begin, end
    for summary in list_runs(runs):
        try:
            if summary.status == "interrupted":
                repair_run(summary.path)
            run = load_run(summary.path)
            if len(run.table):
                times = run.column("time_s")
                ends.append(float(times[-1]))
                spans.append((str(run.meta.get("note", "")), float(times[0]), float(times[-1])))
            else:
                # It began so shortly before a death that its first samples had not been sent.
                ends += [float(e["time_s"]) for e in run.events if e["kind"] == "start_run"]
        except Exception as error:
            case.short.append(f"run '{summary.path.name}' cannot be read: {error}")
    if not ends:
        case.short.append("no run was kept")
        return
    case.lost_s = max(0.0, before_s - max(ends))
    if case.lost_s > LOST_S:
        case.short.append(f"{case.lost_s:.2f} s of the run are lost")

    if case.victim == "recorder" and case.act == "killed" and case.state != "tripped":
        _judge_gap(case, spans)


def _judge_gap(case: Case, spans: list[tuple[str, float, float]]) -> None:
    """Check that the second recorder's run states that it continues the first one's."""
    later = [span for span in spans if "recorder" in span[0]]
    if not later:
        case.short.append(f"no run tells of the recorder's death: {spans}")
        return
    begin_s = later[0][1]
    before = [end_s for _, _, end_s in spans if end_s < begin_s + 1e-9]
    case.gap_s = begin_s - max(before) if before else float("nan")


def cases(quick: bool, only: str) -> list[Case]:
    chosen = []
    for state in STATES:
        for victim in VICTIMS:
            chosen.append(Case(state, victim, "killed"))
            for pause_s in PAUSES_S:
                chosen.append(Case(state, victim, f"stopped {pause_s:g} s", pause_s))
        chosen.append(Case(state, "adapter", "removed"))
        chosen.append(Case(state, "recorder", "disk full"))
    chosen.append(Case("running", "keep_awake", "killed"))
    if quick:
        chosen = [c for c in chosen if c.state == "running" and c.pause_s in (0.0, 1.0)]
    return [case for case in chosen if only in case.name]


def summary(done: list[Case]) -> list[dict[str, Any]]:
    """Return a row for each victim and act, the worst over all states."""
    rows = []
    for victim, act in dict.fromkeys((case.victim, case.act) for case in done):
        of = [case for case in done if (case.victim, case.act) == (victim, act)]
        powered = [case for case in of if case.promised_s != float("inf")]
        told = [case.told_s for case in of if case.told]
        late = [f"{_ms(c.off_s)} of {_ms(c.promised_s)}" for c in powered]
        worst = max(range(len(powered)), key=lambda k: _over(powered[k]), default=None)
        rows.append(
            {
                "process": victim,
                "act": act,
                "states": len(of),
                "power off, of promised": _unpromised(of[0]) if worst is None else late[worst],
                "told after": f"{max(told):.2f} s" if told else "–",
                "told": f"{len(told)} of {len(of)}",
                "lost of the run": f"{max(case.lost_s for case in of):.2f} s",
                "short": sum(bool(case.short) for case in of),
            }
        )
    return rows


def _unpromised(case: Case) -> str:
    return "with it" if (case.victim, case.act) == ("rig", "killed") else "may go on"


def _over(case: Case) -> float:
    return case.off_s - case.promised_s if case.off_s == case.off_s else float("inf")


def _ms(seconds: float) -> str:
    return f"{1e3 * seconds:.0f} ms" if seconds == seconds else "never"


def main() -> int:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--hold", help=argparse.SUPPRESS)
    parser.add_argument("--state", help=argparse.SUPPRESS)
    parser.add_argument("--quick", action="store_true", help="in Running alone, pauses of 1 s")
    parser.add_argument("--only", default="", help="cases with this in their name")
    parser.add_argument("--least-pause", type=float, default=0.0, help="of a process, in s")
    parser.add_argument("--most-pause", type=float, default=60.0, help="of a process, in s")
    parser.add_argument("--full", type=float, default=FULL_S, help="of a full disk, in s")
    parser.add_argument("--check", action="store_true", help="exit 1 if anything fell short")
    parser.add_argument("--json", action="store_true", help="one JSON object on the last line")
    options = parser.parse_args()
    if options.hold:
        with contextlib.suppress(LinkError, Refused, KeyboardInterrupt):
            holder_main(options.hold, options.state)
        return 0
    done: list[Case] = []
    print("| case | power off | promised | lost of the run | gap | told after | told |")
    print("|---|---|---|---|---|---|---|")
    for case in cases(options.quick, options.only):
        if not options.least_pause <= case.pause_s <= options.most_pause:
            continue
        case.full_s = options.full
        with tempfile.TemporaryDirectory(prefix="hk-") as folder:
            try:
                run_case(case, Path(folder))
            except Exception as error:
                case.short.append(f"the case itself failed: {error!r}")
        done.append(case)
        print(
            f"| {case.name} | {case.off_s:.3f} s | {case.promised_s:.3f} s | {case.lost_s:.2f} s "
            f"| {case.gap_s:.2f} s | {case.told_s:.2f} s | {case.told} |",
            flush=True,
        )
        for line in case.short:
            print(f"SHORT: {case.name}: {line}", file=sys.stderr, flush=True)
    short = [f"{case.name}: {line}" for case in done for line in case.short]
    print(f"\n{len(done)} cases, {len(short)} fell short")
    if options.json:
        today = datetime.date.today().isoformat()
        head = {
            "date": today,
            "machine": machine(),
            "cases": len(done),
            "fell_short": sum(bool(case.short) for case in done),
        }
        print(json.dumps({**head, "table": summary(done), "texts": short}))
    return 1 if options.check and short else 0


if __name__ == "__main__":
    raise SystemExit(main())
