"""Attack a running bench with hostile clients: millions of messages, on both ports.

A live bench (simulated rig, rig host, recorder, also served on the network) is in Running under a
holder of control, who applies, marks and polls all the time; honest clients come and go. Beside it
each attack runs in a process of its own: random bytes, real messages with mistakes, replayed,
reordered and oversized ones, connections that break the protocol or take an hour over a byte, with
and without keys. The campaign counts

- what was accepted wrongly from a client without control, by an independent judge;
- what was refused wrongly to the holder and to the honest clients;
- stops that nobody requested, moments with power but without a living holder, samples missing in
  the run on disk;
- the wake-up of the cycle under attack and without: the attackers pause for 2 s after each 4 s, so
  both meet the same background load.

``--count`` messages (default a million; ``--quick``: 6000); ``--check`` exits 1 naming what fell
short; ``--json`` puts one object on the last line. Valid stops are sent by a stranger between
the attacks' last messages: each must stop the bench, and take power off within 0.1 s.
"""

from __future__ import annotations

import argparse
import contextlib
import datetime
import json
import multiprocessing
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1] / "benchmarks"))

from clients_watch import TURN_S, Holder, Phase
from hostile import NICE, attack
from kills_watch import punctual
from table import machine

from hil.core import EndRun, StartRun, State
from hil.host import BenchOptions, start_bench
from hil.link import make_client_keys, make_server_keys
from hil.recorder import load_run

PROFILE = "footplate_trainer"
COUNT, QUICK = 1_000_000, 6000
SHARES = {
    "random": 0.2,
    "mutated": 0.3,
    "replayed": 0.18,
    "reordered": 0.18,
    "oversized": 0.02,
    "below": 0.1,
    "without keys": 0.015,
    "slow": 0.005,
}
ATTACK_S, QUIET_S, SETTLE_S = 4.0, 2.0, 0.2  # under attack and without, in turn
ALONE_S, QUICK_ALONE_S = 20.0, 2.0
MORE_US = 100.0  # of the wake-up's p99.9, under attack above without
STOPS = 10
STOP_TO_POWER_OFF_S = 0.1


class Attackers:
    """One attack under way: a process on each side, released and held back in turn.

    Local sockets are attacked by one, the network by the other, at the same time.
    """

    def __init__(
        self, name: str, place: tuple[str, str, str], count: int, seed: int, nice: int
    ) -> None:
        context = multiprocessing.get_context("spawn")
        self.go = context.Event()
        self._running: list[tuple[Any, Any, Any]] = []
        both = name != "without keys"
        for remote in (False, True) if both else (True,):
            done, result = context.Event(), context.Queue()
            number = max(1, (count + remote) // 2 if both else count)
            args = (name, place, remote, number, seed + remote, self.go, done, result, nice)
            process = context.Process(target=attack, args=args)
            process.start()
            self._running.append((process, done, result))

    @property
    def over(self) -> bool:
        return all(done.is_set() or not process.is_alive() for process, done, _ in self._running)

    def end(self, phase: Phase) -> None:
        """Add the attackers' observations to the phase."""
        self.go.set()
        try:
            for _, _, result in self._running:
                found = result.get(timeout=10)
                phase.accepted_wrongly += found.pop("wrong")
                phase.seen.update(found)
        finally:
            for process, _, _ in self._running:
                process.join(5)
                if process.is_alive():
                    process.kill()
        phase.sent = phase.seen["sent"]


def attacked(holder: Holder, phase: Phase, attackers: Attackers) -> None:
    """Work while the attackers are released and held back in turn, until they are done."""
    began = time.monotonic()
    try:
        while not attackers.over:
            for attacking, seconds in ((True, ATTACK_S), (False, QUIET_S)):
                (attackers.go.set if attacking else attackers.go.clear)()
                begin = time.monotonic()
                while (past_s := time.monotonic() - begin) < seconds and not attackers.over:
                    # Earlier messages still arrive, and samples come in blocks.
                    phase.quiet = None if past_s < SETTLE_S else not attacking
                    holder.turn()
                    if holder.state == State.STOPPED:
                        holder.start()
                phase.seconds += past_s if attacking else 0.0
    finally:
        phase.quiet = None
        phase.whole_s = time.monotonic() - began
        attackers.end(phase)


def campaign(
    count: int, seed: int, only: list[str], nice: int, keep: Path | None
) -> tuple[list[Phase], list[str]]:
    """Run the campaign; return the phases and the other violations."""
    short: list[str] = []
    phases: list[Phase] = []
    alone_s = ALONE_S if count >= COUNT else QUICK_ALONE_S
    with tempfile.TemporaryDirectory(prefix="hk-") as folder:
        place = Path(folder)
        make_server_keys(place / "keys")
        make_client_keys(place / "client", place / "keys", "intruder")
        bench = start_bench(
            PROFILE,
            BenchOptions(
                runs_directory=keep or place / "runs",
                link_directory=place / "link",
                tcp="127.0.0.1:0",
                keys=place / "keys",
            ),
        )
        with bench, contextlib.ExitStack() as kept:
            holder = Holder(bench.link_directory)
            kept.enter_context(holder.client.keep_control())
            punctual()  # the thread that sends heartbeats as well
            holder.start()
            holder.client.request(StartRun(name="campaign"))
            tcp = _served_at(bench.processes["host"].pid)

            def phase(name: str) -> Phase:
                holder.turn()
                if holder.phase.wake_s:
                    print(holder.phase.row(), file=sys.stderr, flush=True)
                holder.phase = Phase(name)
                phases.append(holder.phase)
                return holder.phase

            def alone(name: str, seconds: float) -> None:
                now = phase(name)
                end = time.monotonic() + seconds
                while time.monotonic() < end:
                    holder.turn()
                now.seconds = seconds

            alone("none", alone_s)
            for name, share in SHARES.items():
                if only and name not in only:
                    continue
                number = max(2, round(share * count))
                places = (str(bench.link_directory), tcp, str(place / "client"))
                attacked(holder, phase(name), Attackers(name, places, number, seed, nice))
                failed = bench.wait_failed()
                if failed:
                    short.append(failed)
                    return phases, short
            alone("none again", alone_s)
            phase("stops")
            slowest_s = max(holder.stopped_by_a_stranger() for _ in range(STOPS))
            if slowest_s > STOP_TO_POWER_OFF_S:
                short.append(f"a stranger's stop took {slowest_s:.3f} s")
            phase("end")
            holder.client.request(EndRun())
            lost = holder.client.lost_samples
            if lost:
                short.append(f"the holder missed {lost} samples")
            _until_recorded(holder)
            holder.client.close()
        (path,) = (p for p in (keep or place / "runs").iterdir() if p.name.endswith("-campaign"))
        run = load_run(path)
        steps = np.diff(run.column("cycle"))
        if not run.complete or (steps != 1).any():
            short.append(f"the run has gaps: {int((steps != 1).sum())}, or is not complete")
    for one in phases:
        short += [f"{one.name}: accepted wrongly: {text}" for text in one.accepted_wrongly[:5]]
        short += [f"{one.name}: refused wrongly: {text}" for text in one.refused_wrongly[:5]]
        short += [f"{one.name}: stopped: {text}" for text in one.stops[:5]]
        if one.without_holder:
            short.append(f"{one.name}: power without a holder, {one.without_holder} heartbeats")
    return phases, short


def pooled(phases: list[Phase]) -> Phase:
    """Return all attacks as one phase: under attack, and held back meanwhile."""
    every = Phase("all attacks")
    for one in phases:
        if one.sent:
            every.sent += one.sent
            every.seconds += one.seconds
            every.wake_s += one.wake_s
            every.work_s += one.work_s
            every.quiet_wake_s += one.quiet_wake_s
            every.accepted_wrongly += one.accepted_wrongly
            every.refused_wrongly += one.refused_wrongly
            every.stops += one.stops
            every.pauses += one.pauses
            every.without_holder += one.without_holder
            every.seen["cut off"] += one.seen["cut off"]
    return every


def _until_recorded(holder: Holder) -> None:
    end = time.monotonic() + 10.0
    while time.monotonic() < end:
        if any(getattr(item, "kind", "") == "recorded" for item in holder.client.poll()):
            return
        time.sleep(TURN_S)


def _served_at(process: int) -> str:
    """Return the rig host's address on the network: the lower of its two ports."""
    listening = "0A"
    inodes = set()
    for file in Path(f"/proc/{process}/fd").iterdir():
        with contextlib.suppress(OSError):
            inodes.add(file.readlink().name)
    ports = []
    for line in Path(f"/proc/{process}/net/tcp").read_text().splitlines()[1:]:
        words = line.split()
        if words[3] == listening and f"socket:[{words[9]}]" in inodes:
            ports.append((int(words[9]), int(words[1].rpartition(":")[2], 16)))
    return f"127.0.0.1:{min(ports)[1]}"  # the requests are bound first


def table(rows: list[dict[str, Any]]) -> str:
    heads = list(rows[0])
    lines = [heads, ["---"] * len(heads), *[[str(row[head]) for head in heads] for row in rows]]
    return "\n".join("| " + " | ".join(line) + " |" for line in lines)


def main() -> int:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--count", type=int, default=COUNT, help="messages in all")
    parser.add_argument("--quick", action="store_true", help=f"{QUICK} messages")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--only", nargs="*", default=[], choices=SHARES, help="these attacks")
    parser.add_argument("--keep", type=Path, help="where the recorded runs are left")
    parser.add_argument("--nice", type=int, default=NICE, help="of the attackers, 0 to 19")
    parser.add_argument("--check", action="store_true", help="exit 1 if anything fell short")
    parser.add_argument("--json", action="store_true", help="one JSON object on the last line")
    options = parser.parse_args()
    count = QUICK if options.quick else options.count
    phases, short = campaign(count, options.seed, options.only, options.nice, options.keep)
    everything = pooled(phases).row()
    rows = [*(phase.row() for phase in phases if phase.wake_s), everything]
    more_us = round(everything["wake p99.9"] - everything["p99.9 without"], 1)
    if count >= COUNT and more_us > MORE_US:
        short.append(f"the wake-up's p99.9 is {more_us} us above that without, {MORE_US:g} allowed")
    print("Hostile clients beside a bench that works; times in us\n")
    print(table(rows))
    for line in short:
        print(f"SHORT: {line}", file=sys.stderr)
    if not short:
        print("\nnothing accepted or refused wrongly; the bench went on; the run is whole")
    if options.json:
        today = datetime.date.today().isoformat()
        # Zero would count as a value: nothing is known of the time without attack.
        shown = [
            {k: ("–" if v == 0.0 and "p99.9 w" in k else v) for k, v in r.items()} for r in rows
        ]
        kept = {"date": today, "machine": machine(), "count": count, "table": shown}
        print(json.dumps({**kept, "more_us": more_us, "texts": short}))
    return 1 if options.check and short else 0


if __name__ == "__main__":
    raise SystemExit(main())
