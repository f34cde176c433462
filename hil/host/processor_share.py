"""Share of a processor that rig host and simulated rig use.

Both have real-time priority and share one processor. Once such programs have used 95 % of a second
(``sched_rt_runtime_us``), Linux suspends them all for the remaining 50 ms, and the rig stops. The
share is therefore measured in the first second, before power comes on.
"""

from __future__ import annotations

import math
import os
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

# Of one processor. The rest is for bursts and for cycles under power, which compute more (common
# practice, no source).
SAFE_SHARE = 0.8
LOOK_S = 1.0


@dataclass(frozen=True)
class Judgement:
    """Decision on the measured shares.

    Attributes:
        part: move the simulated rig to the other processors.
        text: text for the operator; empty if the shares are safe.
        refusal: answer to a request for power; empty if it may come on.
    """

    part: bool = False
    text: str = ""
    refusal: str = ""


def judge_share(host: float, rig: float, others: bool, rate_hz: float) -> Judgement:
    """Judge shares of one processor; NaN for an unknown share, 0 for none.

    Args:
        others: another processor is available for the simulated rig.
    """
    together = host + rig
    if not together > SAFE_SHARE:
        return Judgement()
    limit = f"{100 * SAFE_SHARE:.0f} %"
    if others and rig > 0.0 and max(host, rig) <= SAFE_SHARE:
        text = (
            f"rig host and simulated rig used {100 * together:.0f} % of their processor, above "
            f"{limit}: the simulated rig was moved to another one"
        )
        return Judgement(True, text)
    slower = math.floor(rate_hz * 0.9 * SAFE_SHARE / (max(host, rig) if others else together))
    lower = f"lower control.rate to {slower} Hz or less, or use a faster computer"
    refusal = (
        f"power refused: rig host ({100 * host:.0f} %) and simulated rig ({100 * rig:.0f} %) use "
        f"more than {limit} of a processor, so the system would stop them now and then. "
        f"Fix: end other programs and start again, or {lower}"
    )
    return Judgement(text=refusal, refusal=refusal)


def rules(others: bool) -> str:
    """Return, as text, the shares above which the processes are separated and power is refused.

    Args:
        others: another processor is available for the simulated rig.
    """
    limit = f"{100 * SAFE_SHARE:.0f} %"
    refused = "power is refused until control.rate is lower or the computer faster"
    if not others:
        return f"above {limit} of this computer's only processor, {refused}"
    return (
        f"above {limit} together, the simulated rig is moved to another processor; if one of "
        f"them alone uses more than {limit}, {refused}"
    )


def processor_s(process: int) -> float:
    """Return the processor time that a process has used, in s; NaN if not reported."""
    try:
        fields = Path(f"/proc/{process}/stat").read_text().rpartition(")")[2].split()
        ticks = int(fields[11]) + int(fields[12])  # utime and stime, proc(5)
    except (OSError, ValueError, IndexError):
        return math.nan
    return ticks / os.sysconf("SC_CLK_TCK")


class ShareWatch:
    """Measurement of the shares, once in the first second; separates the processes if needed.

    Args:
        rigs: process numbers of the simulated rigs; none for real hardware.
        rate_hz: rate of the cycle.
        others: processors to which the simulated rig may be moved: those available to this
            program, except the rig host's own.

    Attributes:
        shares: shares of rig host and simulated rig; None before they are known.
        refusal: answer to a request for power; empty if it may come on.
    """

    def __init__(
        self, rigs: Sequence[int], rate_hz: float, others: frozenset[int] = frozenset()
    ) -> None:
        self.shares: tuple[float, float] | None = None
        self.refusal = ""
        self._rigs = tuple(rigs)
        self._rate_hz = rate_hz
        self._others = others
        self._first: tuple[float, float, float] | None = None

    def look(self, now_s: float) -> str:
        """Return a text for the operator, once; otherwise empty. Takes about 50 us, twice."""
        if self.shares is not None:
            return ""
        if self._first is None:
            self._first = (now_s, *self._used())
            return ""
        began_s, host_s, rig_s = self._first
        past_s = now_s - began_s
        if past_s < LOOK_S:
            return ""
        host, rig = self._used()
        self.shares = ((host - host_s) / past_s, (rig - rig_s) / past_s)
        found = judge_share(*self.shares, bool(self._others), self._rate_hz)
        if found.part and not self._part():
            found = judge_share(*self.shares, False, self._rate_hz)
        self.refusal = found.refusal
        return found.text

    def _part(self) -> bool:
        """Move the simulated rigs to the other processors; False if the system refuses."""
        try:
            for rig in self._rigs:
                os.sched_setaffinity(rig, self._others)
        except (AttributeError, OSError):
            return False
        return bool(self._rigs)

    def _used(self) -> tuple[float, float]:
        return processor_s(os.getpid()), math.fsum(processor_s(rig) for rig in self._rigs)
