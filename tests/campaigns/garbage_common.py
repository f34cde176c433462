"""Send garbage to a protocol, and count the effects."""

from __future__ import annotations

import math
import random
import time
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

BURST = 8  # most damaged units in a row
MOST_LOST = 2
PERIOD_S = 0.001
KINDS = ("random", "truncated", "spliced", "flipped")


@dataclass
class Result:
    """Counts for one protocol."""

    protocol: str
    damaged: int = 0
    exceptions: int = 0
    wrong_without_checksum: int = 0  # accepted although its checksum does not fit
    undetectable: int = 0  # accepted, and its checksum fits by chance
    most_undetectable: float = math.inf
    longest_resync: int = 0  # intact units until one was accepted
    lost_after_s: float = math.nan  # silence is reported after this long
    lost_by_s: float = math.nan
    seconds: float = 0.0
    first_error: str = ""

    def short(self) -> list[str]:
        """Return the violations as text."""
        found = []
        if self.exceptions:
            found.append(f"{self.exceptions} exceptions, first: {self.first_error}")
        if self.wrong_without_checksum:
            found.append(f"{self.wrong_without_checksum} values taken with a wrong checksum")
        if self.undetectable > self.most_undetectable:
            found.append(
                f"{self.undetectable} damaged ones taken, {self.most_undetectable:.0f} are likely"
            )
        if self.longest_resync > MOST_LOST:
            found.append(f"{self.longest_resync} good ones until one was taken")
        if not self.lost_after_s <= self.lost_by_s:
            found.append(
                f"silence told after {self.lost_after_s:.3f} s, declared {self.lost_by_s:.3f} s"
            )
        return found


def crc(data: bytes, width: int, polynomial: int, init: int, xor_out: int) -> int:
    """Return a cyclic redundancy check without reflection, computed bit by bit."""
    register, top, mask = init, 1 << width - 1, (1 << width) - 1
    for byte in data:
        register ^= byte << width - 8
        for _ in range(8):
            register = (register << 1 ^ (polynomial if register & top else 0)) & mask
    return register ^ xor_out


def flipped(data: bytes, draw: random.Random) -> bytes:
    """Return data with one to four bits inverted."""
    out = bytearray(data)
    for _ in range(draw.randint(1, 4)):
        if out:
            out[draw.randrange(len(out))] ^= 1 << draw.randrange(8)
    return bytes(out)


def damaged(kind: str, one: bytes, other: bytes, draw: random.Random) -> bytes:
    """Return a unit damaged in one of four ways."""
    if kind == "random":
        return draw.randbytes(draw.randrange(1, 2 * len(one) + 2))
    if kind == "truncated":
        return one[: draw.randrange(len(one))]
    if kind == "spliced":
        return one[: draw.randrange(len(one))] + other[draw.randrange(len(other)) :]
    return flipped(one, draw)


class Campaign:
    """Runner of bursts against ``feed``, which returns how many units it accepted and judges
    them."""

    def __init__(self, name: str, seed: int) -> None:
        self.result = Result(name)
        self.draw = random.Random(seed)

    def guarded(self, function: Callable[..., Any], *arguments: Any) -> Any:
        """Return the function's result, or None if it raised."""
        try:
            return function(*arguments)
        except Exception as error:
            self.result.exceptions += 1
            self.result.first_error = self.result.first_error or f"{type(error).__name__}: {error}"
            return None

    def until_lost(self, drive: Any, most_s: float) -> float:
        """Return the seconds of reading until the drive reports its loss; infinite if it never
        does."""
        began = time.monotonic()
        while (now := time.monotonic()) - began < 3 * most_s + 1:
            telemetry = self.guarded(drive.read, now + PERIOD_S)
            if telemetry is None:
                break
            if telemetry.lost:
                return time.monotonic() - began
        return math.inf

    def run(self, count: int, burst: Callable[[int], None], good: Callable[[], bool]) -> None:
        """Alternate ``burst(n)``, n damaged units, with ``good()``, which returns whether one
        intact unit was accepted."""
        began = time.monotonic()
        while self.result.damaged < count:
            number = min(self.draw.randint(1, BURST), count - self.result.damaged)
            burst(number)
            self.result.damaged += number
            tries = 1
            while not self.guarded(good) and tries <= 20:
                tries += 1
            self.result.longest_resync = max(self.result.longest_resync, tries)
        self.result.seconds = time.monotonic() - began


def likely(count: int, width: int) -> float:
    """Return how many damaged units may fit their checksum by chance: the mean plus five standard
    deviations."""
    mean = math.ldexp(count, -width)
    return mean + 5 * math.sqrt(mean) + 3
