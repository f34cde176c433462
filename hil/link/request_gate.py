"""State machine of requests: which client may request what, and when. No socket, no clock.

The last stop is in one of four phases::

    from      by                                    to
    any       stop, from any source                 STOPPED
    STOPPED   reset by the holder of control        RESET
    RESET     power-on by the same holder           CLEAR
    RESET     end of control                        EXPIRED
    EXPIRED   reset by the new holder of control    RESET
    CLEAR     power-on, reset                       CLEAR

Control is a *tenure*: it begins when a client takes it and ends by release, disconnect, hand-over
or loss. With the power stage on or coming on, its end is a stop.

Rules, applied to each message when its turn comes:

1. A stop always runs, from any client and however old, and before the rest of its batch.
2. After a stop every request of the same batch and every one dated before it is refused.
3. A request that may lead to motion needs control, a date, and an age within its limit.
4. Power comes on only in CLEAR, or in RESET: within the tenure that reset.
5. Motion needs power that was switched on within the same tenure.
6. Hold-to-run and restricted operation need a local or fast link.

Requests that only reduce motion (power-off, hold-to-run released) need only control; markers need
nothing, and starting or ending a run needs control and an age. All times are of the host's
monotonic clock, in s. A local sender dates its messages by that clock; a remote one by the newest
stamp that it has received from the host, so its age contains the round trip.
"""

from __future__ import annotations

import enum
import math
from collections.abc import Iterable
from dataclasses import dataclass

from hil.core import (
    Apply,
    Commission,
    Enable,
    EndRun,
    Marker,
    PowerOff,
    PowerOn,
    Request,
    Reset,
    StartRun,
    Stop,
)

# Common practice, no source: a person who waited this long for an answer has pressed again already.
REQUEST_OLDEST_S = 1.0
# Two thirds of the time for which one heartbeat permits motion (``HOLD_LASTS_S``). Common practice,
# no source.
HOLD_OLDEST_S = 0.1
# Of a remote link for hold-to-run: adds at most this time from release to stop. Includes the 20 ms
# between two blocks of samples and the client's own loop.
ROUND_TRIP_MOST_S = 0.1
_DELAY_KEPT = 0.98  # of the worst delay, at each heartbeat: forgotten within some seconds


class Act(enum.Enum):
    """Kinds of message that the gate orders."""

    ACQUIRE = "acquire_control"
    RELEASE = "release_control"
    DISCONNECT = "disconnect"
    REQUEST = "request"


class Phase(enum.Enum):
    """Phases of the last stop."""

    CLEAR = "clear"
    STOPPED = "stopped"
    RESET = "reset"
    EXPIRED = "expired"


@dataclass(slots=True)
class Asked:
    """One message.

    Attributes:
        client: identity.
        name: name of the client; None if it never said hello.
        date_s: earliest time at which it was sent; NaN if unknown.
        local: whether the sender shares the host's clock.
    """

    client: bytes
    name: str | None
    act: Act
    request: Request | None = None
    id: int = 0
    date_s: float = math.nan
    local: bool = True


@dataclass(frozen=True, slots=True)
class Verdict:
    """Decision on one message.

    Attributes:
        run: pass the request to the bench; then call :meth:`RequestGate.ran`.
        accepted: True if a message that is not run counts as accepted.
        text: text of the answer.
        stop: detail of a stop to be made first; empty for none.
        greet: the client has not said hello.
    """

    run: bool
    accepted: bool = False
    text: str = ""
    stop: str = ""
    greet: bool = False


_RUN = Verdict(True)
_STOPPED = "the bench is stopped: find the cause, then reset"


def _refused(text: str) -> Verdict:
    return Verdict(False, text=text)


class RequestGate:
    """Holder of control, phase of the last stop, and judgement of each message.

    Args:
        heartbeat_s: silence after which the holder of control is lost.

    Attributes:
        holder: name of the client in control, or None.
        holder_id: its identity, empty for none.
        phase: phase of the last stop.
        tenure: number of the current or last tenure; changes with the holder.
        delay_s: worst age of the holder's recent heartbeats.
    """

    def __init__(self, heartbeat_s: float) -> None:
        self.holder: str | None = None
        self.holder_id = b""
        self.phase = Phase.CLEAR
        self.delay_s = 0.0
        self._heartbeat_s = heartbeat_s
        self._received_s = -math.inf
        self.tenure = 0
        self._powered_in = -1  # tenure
        self._stop_s = -math.inf
        self._stop_in_batch = False

    # ------------------------------------------------------------------ order

    def order(self, batch: Iterable[Asked]) -> list[Asked]:
        """Return one batch in the order of processing: stops first."""
        messages = list(batch)
        stops = [asked for asked in messages if isinstance(asked.request, Stop)]
        self._stop_in_batch = bool(stops)
        if not stops:
            return messages
        return stops + [asked for asked in messages if not isinstance(asked.request, Stop)]

    def take(self, asked: Asked, powered: bool, now_s: float) -> Verdict:
        """Judge a message whose turn has come.

        Args:
            powered: whether the power stage is on or coming on now.
        """
        if isinstance(asked.request, Stop):
            self.stopped(now_s)
            return _RUN
        if asked.name is None:
            return Verdict(False, text="say hello first", greet=True)
        if asked.act is Act.REQUEST:
            return self._request(asked, now_s)
        if asked.act is Act.ACQUIRE:
            return self._acquire(asked, powered, now_s)
        holds = asked.client == self.holder_id
        stop = self.end_control(powered, now_s) if holds else ""
        if asked.act is Act.DISCONNECT:
            return Verdict(False, True, "bye", stop)
        return Verdict(False, True, "control is free" if holds else "you did not hold it", stop)

    def ran(self, asked: Asked, accepted: bool) -> None:
        """Note whether the bench accepted a request that was run."""
        if not accepted:
            return
        if isinstance(asked.request, Reset) and self.phase is not Phase.CLEAR:
            self.phase = Phase.RESET
        elif isinstance(asked.request, PowerOn):
            self.phase = Phase.CLEAR
            self._powered_in = self.tenure

    def stopped(self, now_s: float) -> None:
        """Note a stop from any source, the bench included."""
        self.phase = Phase.STOPPED
        self._stop_in_batch = True
        self._stop_s = max(self._stop_s, now_s)
        self._powered_in = -1

    # ------------------------------------------------------------------ control

    @property
    def reset_needed(self) -> bool:
        """True if the bench was reset by a holder that has left: the next one must reset again."""
        return self.phase is Phase.EXPIRED

    def hear(self, client: bytes, date_s: float, now_s: float) -> None:
        """Note a heartbeat; a delayed one proves life only at its date."""
        if client != self.holder_id or math.isnan(date_s):
            return
        self.delay_s = max(now_s - date_s, _DELAY_KEPT * self.delay_s)
        self._received_s = max(self._received_s, min(date_s, now_s))

    def silent_s(self, now_s: float) -> float:
        """Return the age of the holder's newest heartbeat; 0 if no client holds control."""
        return now_s - self._received_s if self.holder is not None else 0.0

    def late(self, now_s: float) -> bool:
        """Return whether the holder of control has been silent for too long."""
        return self.silent_s(now_s) > self._heartbeat_s

    def end_control(self, powered: bool, now_s: float, why: str = "gave control up") -> str:
        """End the tenure; returns the detail of the stop that this makes, or ""."""
        name, self.holder, self.holder_id = self.holder, None, b""
        if name is None:
            return ""
        self.tenure += 1
        self.delay_s = 0.0
        if self.phase is Phase.RESET:
            self.phase = Phase.EXPIRED  # a reset does not outlast its holder
        if not powered:
            return ""
        self.stopped(now_s)
        return f"'{name}' {why} while the power stage was on or coming on"

    # ------------------------------------------------------------------ inside

    def _acquire(self, asked: Asked, powered: bool, now_s: float) -> Verdict:
        refusal = self._out_of_time(asked, now_s, REQUEST_OLDEST_S)
        if refusal:
            return _refused(refusal)
        if self.holder is not None and asked.client != self.holder_id:
            return _refused(f"control is held by '{self.holder}'; it must be released there first")
        stop = ""
        if asked.client != self.holder_id:
            if powered:  # power on without a holder: never hand that over
                self.stopped(now_s)
                stop = "the power stage was on with no client in control"
            self.tenure += 1
            self.holder, self.holder_id = asked.name, asked.client
            self._received_s = -math.inf
            self.delay_s = 0.0
        self.hear(asked.client, asked.date_s, now_s)
        return Verdict(False, True, "you hold control", stop)

    def _request(self, asked: Asked, now_s: float) -> Verdict:
        request = asked.request
        if isinstance(request, Marker):
            return _RUN
        if asked.client != self.holder_id:
            who = f"'{self.holder}' does" if self.holder else "take it first"
            return _refused(f"you do not hold control; {who}")
        self.hear(asked.client, asked.date_s, now_s)
        if isinstance(request, PowerOff) or (isinstance(request, Enable) and not request.held):
            return _RUN
        oldest_s = HOLD_OLDEST_S if isinstance(request, Enable) else REQUEST_OLDEST_S
        refusal = self._aged(asked, now_s, oldest_s)
        if not refusal and not isinstance(request, StartRun | EndRun):
            refusal = self._before_stop(asked) or self._forbidden(asked)
        return _refused(refusal) if refusal else _RUN

    def _forbidden(self, asked: Asked) -> str:
        request = asked.request
        if (
            isinstance(request, Commission | Enable)
            and not asked.local
            and self.delay_s > ROUND_TRIP_MOST_S
        ):
            return (
                f"the link answers within {1e3 * self.delay_s:.0f} ms; hold-to-run and restricted "
                f"operation need {1e3 * ROUND_TRIP_MOST_S:.0f} ms or a client on the rig's "
                "computer. Fix: use one there"
            )
        if isinstance(request, PowerOn):
            if self.phase is Phase.STOPPED:
                return _STOPPED
            if self.phase is Phase.EXPIRED:
                return (
                    "the last stop was reset by an earlier holder of control: find its cause, then "
                    "reset again"
                )
        if isinstance(request, Apply) and self._powered_in != self.tenure:
            stopped = self.phase is Phase.STOPPED
            return _STOPPED if stopped else "power is off: power on first"
        return ""

    def _out_of_time(self, asked: Asked, now_s: float, oldest_s: float) -> str:
        return self._aged(asked, now_s, oldest_s) or self._before_stop(asked)

    @staticmethod
    def _aged(asked: Asked, now_s: float, oldest_s: float) -> str:
        if math.isnan(asked.date_s):
            return (
                "the request has no date, so its age is unknown. Fix: give sent_s on the rig's "
                "computer, else seen_s, the newest stamp received"
            )
        age_s = now_s - asked.date_s
        if age_s > oldest_s:
            return (
                f"the request was {age_s:.2f} s old on arrival, above {oldest_s:g} s, and was not "
                "obeyed; repeat it if still wanted"
            )
        return ""

    def _before_stop(self, asked: Asked) -> str:
        if self._stop_in_batch or asked.date_s <= self._stop_s:
            return "a stop overtook the request, which was not obeyed; see its cause, then reset"
        return ""
