"""A session of the fault campaign: its faults, their times, behaviour and load; and its outcome."""

from __future__ import annotations

import itertools
import math
import random
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from fault_rigs import BEHAVIOURS, DE_ENERGISED, LOADS_KG, RIGS, STANDBY
from fault_table import FAULTS

from hil.bench.rehearsal import KINDS, DisturbanceFault, Rehearsal

PHASE_S = (0.1, 0.6)  # behaviour to fault
PAIR_S = 0.15  # most between the two faults of a pair


@dataclass(frozen=True)
class Session:
    """Faults, behaviour and load of a session."""

    faults: tuple[str, ...]
    behaviour: str
    load_kg: float
    seed: int

    @property
    def name(self) -> str:
        return f"{' + '.join(self.faults)}; {self.behaviour}; {self.load_kg:g}; {self.seed}"

    @property
    def rig(self) -> int:
        """Return which of the rigs the seed selects."""
        return (self.seed - 1) % RIGS


@dataclass(frozen=True)
class Outcome:
    """Outcome of one session, from the moment of the fault on.

    Attributes:
        at_s: moment of each fault, from when the behaviour was applied.
        share: largest true spring force, of the limit that trips.
        share_without, end_mm_s, without_mm_s: the same without power, as far as it was needed;
            hardest end met, and that without power.
        braked_mm_s: that of a bench that brakes at once, as far as it was needed.
        stopped_s: fault to stop or true loss of power, NaN if it went on.
        false_s: fault to the moment at which a figure was no longer true, NaN if never.
        false_N: largest mean difference of measured and true spring force before the stop.
        visible_s: for how long a false figure could be seen before the stop.
        unseen_N: largest false force that nothing on the rig showed (see ``fault_watch``).
        cause, text: of the stop; 0 if none. own: the session stops so without a fault.
        peak: where the largest force came (see ``fault_watch``).
    """

    session: Session
    at_s: tuple[float, ...]
    share: float
    share_without: float
    end_mm_s: float
    without_mm_s: float
    braked_mm_s: float
    stopped_s: float
    false_s: float
    false_N: float
    visible_s: float
    unseen_N: float
    cause: int
    text: str
    own: bool
    peak: str = ""

    @property
    def stopped(self) -> bool:
        return not math.isnan(self.stopped_s)


def moments(session: Session) -> tuple[float, ...]:
    chance = random.Random(session.name)
    first = round(chance.uniform(*PHASE_S), 3)
    return (first, *(round(first + chance.uniform(0, PAIR_S), 3) for _ in session.faults[1:]))


def entries(session: Session) -> list[dict[str, Any]]:
    """Return the rehearsal of a session; its times count from when the behaviour was applied."""
    return [
        {"at": f"{at:.3f} s", **FAULTS[name].entry}
        for at, name in zip(moments(session), session.faults, strict=True)
    ]


def rehearsal(session: Session) -> Rehearsal:
    kinds = [KINDS.get(entry["what"], DisturbanceFault) for entry in entries(session)]
    return Rehearsal(
        tuple(k.model_validate(e) for k, e in zip(kinds, entries(session), strict=True))
    )


def snippet(session: Session) -> str:
    """Return the same as YAML, for ``--disturb``."""
    lines = []
    for entry in entries(session):
        keys = ", ".join(f"{key}: {value}" for key, value in entry.items())
        lines.append(f"  - {{{keys}}}")
    return "\n".join(["faults:", *lines])


def sessions(seeds: int, pairs: int, every: int = 1) -> Iterator[Session]:
    """Return every ``every``-th combination of fault, behaviour and load; then pairs."""
    places = list(itertools.product(BEHAVIOURS, LOADS_KG))
    count = 0
    for name, seed in itertools.product(FAULTS, range(1, seeds + 1)):
        for behaviour, load in places:
            if behaviour == DE_ENERGISED and FAULTS[name].asks_stop:
                continue  # no power to remove
            count += 1
            if count % every == 0:
                yield Session((name,), behaviour, load, seed)
    chance = random.Random("pairs")
    for seed in range(1, pairs + 1):
        behaviour, load = chance.choice(places)
        pair = tuple(chance.sample(list(FAULTS), 2))
        if behaviour == DE_ENERGISED and any(FAULTS[name].asks_stop for name in pair):
            behaviour = STANDBY
        yield Session(pair, behaviour, load, seed)


def parsed(text: str) -> Session:
    """Return the session of this name.

    Raises:
        ValueError: not 'fault + fault; behaviour; load in kg; seed', or an unknown name.
    """
    parts = [part.strip() for part in text.split(";")]
    if len(parts) != 4:
        raise ValueError(f"{text!r}: write 'fault + fault; behaviour; load in kg; seed'")
    session = Session(tuple(parts[0].split(" + ")), parts[1], float(parts[2]), int(parts[3]))
    for name in session.faults:
        if name not in FAULTS:
            raise ValueError(f"{name!r} is not a fault; these are: {'; '.join(FAULTS)}")
    if session.behaviour not in BEHAVIOURS:
        raise ValueError(f"{session.behaviour!r} is not a behaviour; these are: {BEHAVIOURS}")
    return session
