"""Run mixed sessions for hours of simulated time: memory must not grow, nor force leave the truth.

    .venv/bin/python tests/campaigns/endurance.py --hours 8 --check

One bench in lockstep, never restarted, repeats mixed sessions: power on, behaviours one after the
other with hands, weights and late cycles, stop and reset. The resident memory is read after each
``SAMPLE_S``, and a line fitted to it once ``WARM_SHARE`` of the time has passed. While force and
nut are quiet, the measured spring force is compared with the true one: the mean error over an hour
must stay within the uncertainty stated by the calibration (95 %). Exits 1 with ``--check`` if
either fails. Ctrl-C ends it early; the part reached is judged and reported.
"""

from __future__ import annotations

import argparse
import datetime
import json
import math
import os
import random
import sys
import time
from array import array
from collections import Counter
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parent))
sys.path.insert(1, str(Path(__file__).parents[1] / "benchmarks"))

from healthy_sessions import draw_behaviour, draw_lateness
from table import machine

from hil.bench.lockstep import LockstepBench
from hil.core import State
from hil.core.limit_texts import label
from hil.core.requests import Apply, ConfirmReference, HoldPosition, PowerOn, Reset, Stop
from hil.core.samples import INDEX
from hil.profile.loader import load_profile

PROFILE = "footplate_trainer"
HOURS, QUICK_HOURS = 8.0, 0.05
SAMPLE_S = 60.0
WARM_SHARE = 0.25
PLACES, NOTED = 20, 5  # of stops, printed and in the notes
BEHAVIOURS = 8  # between power on and stop
# 100 kB an hour is what a list that gains one float a second would take.
MOST_GROWTH_KB_H = 100.0
MOST_REFUSED = 0.01  # of the sessions
QUIET_M_S = 0.002
RESTED_S = 5.0  # in which 5 kg sink onto the lower end, where power is switched on again
PAGE = os.sysconf("SC_PAGE_SIZE")


@dataclass
class Hour:
    """Sums over the quiet spells of one simulated hour: a list of them would grow by 190 kB an
    hour.

    Attributes:
        off_N, band_N: sums of mean force error and of stated 95 % band. spells, inside: how many.
    """

    off_N: float = 0.0
    band_N: float = 0.0
    spells: int = 0
    inside: int = 0

    def take(self, off_N: float, band_N: float) -> None:
        """Add one quiet spell."""
        self.off_N += off_N
        self.band_N += band_N
        self.spells += 1
        self.inside += abs(off_N) <= band_N


@dataclass
class Seen:
    """Measurements so far, in a size that does not depend on the hours.

    Attributes:
        at_h, rss_kB: simulated hours, and resident memory then. stops: how often, by label.
        hours: quiet spells by the hour. places: stops by label, behaviour and hung weight.
    """

    at_h: array[float] = field(default_factory=lambda: array("d"))
    rss_kB: array[float] = field(default_factory=lambda: array("d"))
    hours: dict[int, Hour] = field(default_factory=dict)
    stops: Counter[str] = field(default_factory=Counter)
    places: Counter[str] = field(default_factory=Counter)
    sessions: int = 0
    refused: int = 0  # sessions without power
    refusal: str = ""  # of the last

    def take_memory(self, at_h: float, rss_kB: float) -> None:
        """Keep one reading of the resident memory: 16 bytes."""
        self.at_h.append(at_h)
        self.rss_kB.append(rss_kB)

    def take_spell(self, at_h: float, off_N: float, band_N: float) -> None:
        """Add the mean force error of a quiet spell, and its stated 95 % band."""
        self.hours.setdefault(int(at_h), Hour()).take(off_N, band_N)


def resident_kB() -> float:
    """Return the resident memory of this process, from the kernel's page count."""
    return int(Path("/proc/self/statm").read_text().split()[1]) * PAGE / 1024


class Endurance:
    """One bench and its sessions."""

    def __init__(self, seed: int) -> None:
        self.chance = random.Random(seed)
        self.bench = LockstepBench(load_profile(PROFILE), seed)
        self.seen = Seen()
        self._next_sample_s = 0.0
        self._columns = [
            INDEX[name] for name in ("spring_force_N", "force_u95_N", "nut_velocity_m_s")
        ]

    @property
    def hours(self) -> float:
        return self.bench.time_s / 3600

    def go_on(self, seconds: float) -> None:
        """Let time pass; compare the quiet part of it with the truth."""
        bench, physics = self.bench, self.bench.drive.core.physics
        force, band, speed = self._columns
        total = count = widest = 0.0
        end = bench.time_s + seconds - 0.5 * bench.period_s
        while bench.time_s < end:
            row = bench.step()
            if abs(row[speed]) < QUIET_M_S and bench.bench.state is State.RUNNING:
                total += row[force] + bench.bench.tare_N - physics.spring_force_N
                widest = max(widest, row[band])
                count += 1.0
        if count > 50:
            self.seen.take_spell(self.hours, total / count, widest)
        if bench.time_s >= self._next_sample_s:
            self._next_sample_s = bench.time_s + SAMPLE_S
            self.seen.take_memory(self.hours, resident_kB())

    def session(self) -> None:
        """Run one session, from power on to stop and reset."""
        bench, chance, hands = self.bench, self.chance, self.bench.environment
        profile = bench.profile
        bench.be_late(draw_lateness(chance, profile))
        hung_kg = chance.choice([0.0, 0.0, 1.0, 2.5, 5.0])
        hands.hang(hung_kg)
        self.go_on(1.0)
        self.seen.sessions += 1
        applied = "no behaviour"
        answer = bench.request(PowerOn(load_supported=True))
        if not answer.accepted:
            self.seen.refused += 1
            self.seen.refusal = answer.text
            bench.request(ConfirmReference())  # a lost one: it rests on the lower end
        else:
            self.go_on(0.2)
            travel = profile.limits.travel
            middle = 0.5 * (travel.lower + travel.upper)
            bench.request(Apply(behaviour=HoldPosition(position_m=middle, speed_m_s=0.06)))
            self.go_on(1.5)
            for _ in range(BEHAVIOURS):
                if bench.bench.state is not State.RUNNING:
                    break
                behaviour = draw_behaviour(chance, profile)
                if bench.request(Apply(behaviour=behaviour, load_may_move=True)).accepted:
                    applied = type(behaviour).__name__
                hands.push(chance.uniform(-20, 20), chance.uniform(0.3, 3.0), 1.0)
                self.go_on(chance.uniform(1.0, 4.0))
        if bench.bench.cause:
            name = label(bench.bench.cause)
            self.seen.stops[name] += 1
            self.seen.places[f"{name}, {applied}, {hung_kg:g} kg"] += 1
        hands.push(0.0)
        bench.request(Stop())
        hands.hang(5.0)
        self.go_on(RESTED_S)
        hands.hang(0.0)
        bench.request(Reset())
        self.go_on(0.5)
        bench.events.clear()  # lockstep keeps them all; the host sends them on


def growth_kB_h(seen: Seen) -> float:
    """Return the slope of the resident memory after the first quarter; NaN for too few samples."""
    hours, kB = np.array(seen.at_h), np.array(seen.rss_kB)
    late = hours >= WARM_SHARE * hours[-1]
    if np.count_nonzero(late) <= 2:
        return math.nan
    return float(np.polyfit(hours[late], kB[late], 1)[0])


def by_hour(seen: Seen) -> list[dict[str, float]]:
    """Return a row for each hour: force error, stated band, spells, share inside in %, memory."""
    memory = {int(h): kB / 1024 for h, kB in zip(seen.at_h, seen.rss_kB, strict=True)}  # the last
    return [
        {
            "hour": hour + 1,
            "force off, N": round(of.off_N / of.spells, 2),
            "stated band, ± N": round(of.band_N / of.spells, 2),
            "quiet spells": of.spells,
            "inside, %": round(100 * of.inside / of.spells),
            "memory, MB": round(memory.get(hour, math.nan), 1),
        }
        for hour, of in sorted(seen.hours.items())
    ]


def judge(seen: Seen) -> tuple[list[str], list[str]]:
    """Return the lines of the report, and the violations."""
    lines, bad = [], []
    reached = seen.at_h[-1] if seen.at_h else 0.0
    slope = growth_kB_h(seen)
    lines.append(
        f"memory: {seen.rss_kB[0] / 1024:.1f} MB at the start, {seen.rss_kB[-1] / 1024:.1f} MB at "
        f"the end, {slope:+.0f} kB an hour after the first quarter"
    )
    # The fitted line of a short run means nothing: growth is judged from half an hour on.
    if reached >= 0.5 and not slope <= MOST_GROWTH_KB_H:
        bad.append(f"memory grows by {slope:.0f} kB an hour, above {MOST_GROWTH_KB_H:.0f}")
    # A bench that stays without power would pass: neither memory nor force changes.
    if seen.refused > MOST_REFUSED * seen.sessions:
        bad.append(f"{seen.refused} of {seen.sessions} sessions without power: {seen.refusal}")
    for row in by_hour(seen):
        hour, mean, band = row["hour"], row["force off, N"], row["stated band, ± N"]
        lines.append(
            f"hour {hour}: force is {mean:+.2f} N from the truth on average over {row['quiet spells']} "
            f"quiet spells, stated band ±{band:.2f} N; {row['inside, %']:.0f} % of the spells inside; "
            f"memory {row['memory, MB']:.1f} MB at its end"
        )
        if not abs(mean) <= band:
            bad.append(f"hour {hour}: force is {mean:+.2f} N off, beyond ±{band:.2f} N")
    return lines, bad


def main(arguments: list[str] | None = None) -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    parser.add_argument("--hours", type=float, default=HOURS, help="of simulated time")
    parser.add_argument("--quick", action="store_true", help=f"{QUICK_HOURS:g} hours")
    parser.add_argument("--minutes", type=float, default=math.inf, help="end after so long, real")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--json", action="store_true", help="one JSON object as the last line")
    parser.add_argument("--check", action="store_true", help="exit 1 if memory or force drift")
    options = parser.parse_args(arguments)
    hours = QUICK_HOURS if options.quick else options.hours
    run, began = Endurance(options.seed), time.monotonic()
    try:
        while run.hours < hours and time.monotonic() - began < 60 * options.minutes:
            run.session()
    except KeyboardInterrupt:
        print("ended early")
    seen = run.seen
    stops = ", ".join(f"{count} {name}" for name, count in seen.stops.items()) or "none"
    lines, bad = judge(seen)
    print(f"{run.hours:.2f} simulated hours of {hours:g}, {seen.sessions} sessions; stops: {stops}")
    print("\n".join(lines))
    places = [f"{count} stops: {place}" for place, count in seen.places.most_common(PLACES)]
    print("\n".join(places))
    print("\n".join(bad) if bad else "no growth, no drift")
    if options.json:
        growth = growth_kB_h(seen)
        shown = {
            "machine": machine(),
            "date": datetime.date.today().isoformat(),
            "hours": round(run.hours, 2),
            "sessions": seen.sessions,
            "start_MB": round(seen.rss_kB[0] / 1024, 1),
            "growth_kB_h": round(growth) if math.isfinite(growth) else None,
            "table": by_hour(seen),
            "notes": [f"stops: {stops}", *places[:NOTED], *bad],
        }
        print(json.dumps(shown))
    return 1 if bad and options.check else 0


if __name__ == "__main__":
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    sys.exit(main())
