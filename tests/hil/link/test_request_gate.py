"""Any clients, order, loss and delay of messages, at any moment of the power sequence.

There is no power without a living holder of control. After a stop there is no motion without reset,
power-on and confirmation, in this order, by one holder.
"""

from __future__ import annotations

import math

import pytest
from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, invariant, rule

from hil.core.requests import (
    Apply,
    Commission,
    Enable,
    Float,
    Marker,
    PowerOff,
    PowerOn,
    Request,
    Reset,
    Stop,
)
from hil.link.request_gate import (
    HOLD_OLDEST_S,
    REQUEST_OLDEST_S,
    ROUND_TRIP_MOST_S,
    Act,
    Asked,
    RequestGate,
    Verdict,
)

HEARTBEAT_S = 0.15
PERIOD_S = 0.001
CLIENTS = [b"a", b"b", b"c"]
POWER_ON = PowerOn(load_supported=True)
MOTION = Apply(behaviour=Float())
RESTRICT = Commission(force_N=1.0, speed_m_s=0.01, torque_N_m=0.1)


class Stage:
    """A power stage with a delay, which accepts requests as a bench does."""

    def __init__(self) -> None:
        self.state = "off"  # off, coming, on, moving, stopped

    @property
    def powered(self) -> bool:
        return self.state in ("coming", "on", "moving")

    def run(self, request: Request) -> bool:
        state = self.state
        if isinstance(request, Stop):
            self.state = "stopped"
        elif isinstance(request, Reset) and state in ("stopped", "off"):
            self.state = "off"
        elif isinstance(request, PowerOn) and state == "off":
            self.state = "coming"
        elif isinstance(request, PowerOff) and state != "stopped":
            self.state = "off"
        elif isinstance(request, Apply) and state in ("on", "moving"):
            self.state = "moving"
        else:
            return isinstance(request, PowerOff)
        return True


class Clients(RuleBasedStateMachine):
    """Clients whose messages are delayed, lost, and delivered in any batch and order."""

    def __init__(self) -> None:
        super().__init__()
        self.gate = RequestGate(HEARTBEAT_S)
        self.stage = Stage()
        self.now_s = 100.0
        self.way: list[Asked] = []  # messages in transit
        self.beats: list[tuple[bytes, float]] = []
        self.stopped_s = -math.inf
        # Kept beside the gate from accepted requests alone: steps since the last stop, and by whom.
        self.steps: list[tuple[str, int]] = [("reset", -1)]
        self.control = 0  # number of the present period of control
        self.had: bytes = b""

    # ------------------------------------------------------------------ sending

    @rule(
        client=st.sampled_from(CLIENTS),
        act=st.sampled_from([Act.ACQUIRE, Act.ACQUIRE, Act.RELEASE, Act.DISCONNECT]),
    )
    def control_message(self, client: bytes, act: Act) -> None:
        self.way.append(Asked(client, client.decode(), act, date_s=self.now_s))

    @rule(
        client=st.sampled_from(CLIENTS),
        request=st.sampled_from([Stop(), Reset(), POWER_ON, MOTION, PowerOff(), Marker(text="m")]),
        dated=st.sampled_from([True] * 9 + [False]),
    )
    def request(self, client: bytes, request: Request, dated: bool) -> None:
        date_s = self.now_s if dated else math.nan
        self.way.append(Asked(client, client.decode(), Act.REQUEST, request, date_s=date_s))

    @rule(client=st.sampled_from(CLIENTS))
    def right_sequence(self, client: bytes) -> None:
        name = client.decode()
        self.way.append(Asked(client, name, Act.ACQUIRE, date_s=self.now_s))
        for request in (Reset(), POWER_ON, MOTION):
            self.way.append(Asked(client, name, Act.REQUEST, request, date_s=self.now_s))

    @rule(client=st.sampled_from(CLIENTS))
    def heartbeat(self, client: bytes) -> None:
        self.beats.append((client, self.now_s))

    # ------------------------------------------------------------------ the way

    @rule(data=st.data())
    def lose(self, data: st.DataObject) -> None:
        if self.way:
            self.way.pop(data.draw(st.integers(0, len(self.way) - 1)))

    @rule(seconds=st.sampled_from([PERIOD_S, 0.02, 0.1, 0.3, 2.0]))
    def time_goes_by(self, seconds: float) -> None:
        self.now_s += seconds
        self.cycle([])

    @rule(data=st.data(), most=st.integers(1, 6))
    def some_arrive(self, data: st.DataObject, most: int) -> None:
        batch = []
        for _ in range(min(most, len(self.way))):
            batch.append(self.way.pop(data.draw(st.integers(0, len(self.way) - 1))))
        self.cycle(batch)

    @rule()
    def all_arrive_in_order(self) -> None:
        batch, self.way = self.way, []
        self.cycle(batch)

    @rule()
    def power_comes(self) -> None:
        if self.stage.state == "coming":
            self.stage.state = "on"

    @rule()
    def the_bench_trips(self) -> None:
        self.stage.state = "stopped"
        self.note_stop()
        self.gate.stopped(self.now_s)

    # ------------------------------------------------------------------ the host's turn

    def note_stop(self) -> None:
        self.stopped_s = self.now_s
        self.steps = []

    def follow_control(self) -> None:
        if self.gate.holder_id != self.had:
            self.had = self.gate.holder_id
            self.control += 1

    def cycle(self, batch: list[Asked]) -> None:
        gate, stage = self.gate, self.stage
        for client, date_s in self.beats:
            gate.hear(client, date_s, self.now_s)
        self.beats = []
        has_stop = any(isinstance(asked.request, Stop) for asked in batch)
        for asked in gate.order(batch):
            powered = stage.powered
            verdict = gate.take(asked, powered, self.now_s)
            if verdict.stop:
                assert powered
                stage.run(Stop())
                self.note_stop()
            self.follow_control()
            if verdict.run:
                assert asked.request is not None
                self.check(asked, has_stop)
                if isinstance(asked.request, Stop):
                    self.note_stop()
                accepted = stage.run(asked.request)
                gate.ran(asked, accepted)
                if accepted and not isinstance(asked.request, Stop | Marker | PowerOff):
                    self.steps.append((asked.request.kind, self.control))
        if gate.late(self.now_s):
            powered = stage.powered
            gate.end_control(powered, self.now_s)
            if powered:
                stage.run(Stop())
                self.note_stop()
        self.follow_control()
        if has_stop:
            assert not stage.powered
        # At the end of every turn there is no power without a living holder.
        assert not stage.powered or (gate.holder is not None and not gate.late(self.now_s))

    def check(self, asked: Asked, has_stop: bool) -> None:
        """Assert that an accepted request was permitted at this moment."""
        request = asked.request
        if isinstance(request, Stop | Marker):
            return
        assert asked.client == self.gate.holder_id
        if isinstance(request, PowerOff):
            return
        assert not has_stop
        assert asked.date_s > self.stopped_s
        assert self.now_s - asked.date_s <= REQUEST_OLDEST_S

    @invariant()
    def motion_has_its_history(self) -> None:
        if self.stage.state != "moving":
            return
        kinds = [kind for kind, _ in self.steps]
        on = len(kinds) - 1 - kinds[::-1].index("power_on")
        assert "reset" in kinds[:on] and "apply" in kinds[on:]
        first = "reset" in kinds[:on] and self.steps[0] == ("reset", -1)  # no stop yet
        holders = {by for _, by in self.steps[on:]}
        assert len(holders) == 1
        if not first:
            resets = [by for kind, by in self.steps[:on] if kind == "reset"]
            powers = [by for kind, by in self.steps if kind == "power_on"]
            assert powers[0] in resets


Clients.TestCase.settings = settings(max_examples=60, stateful_step_count=40, deadline=None)
TestClients = Clients.TestCase


# ---------------------------------------------------------------------- single rules


def gate_with(holder: bytes, now_s: float = 100.0) -> RequestGate:
    gate = RequestGate(HEARTBEAT_S)
    asked = Asked(holder, holder.decode(), Act.ACQUIRE, date_s=now_s)
    assert gate.take(asked, False, now_s).accepted
    return gate


def take(
    gate: RequestGate,
    request: Request,
    now_s: float,
    date_s: float | None = None,
    client: bytes = b"a",
    local: bool = True,
) -> Verdict:
    asked = Asked(client, client.decode(), Act.REQUEST, request, local=local)
    asked.date_s = now_s if date_s is None else date_s
    (asked,) = gate.order([asked])
    verdict = gate.take(asked, False, now_s)
    if verdict.run:
        gate.ran(asked, True)
    return verdict


def test_a_reset_does_not_outlast_its_holder() -> None:
    gate = gate_with(b"a")
    assert take(gate, Stop(), 100.1).run
    assert "reset" in take(gate, POWER_ON, 100.2).text
    assert take(gate, Reset(), 100.3).run and not gate.reset_needed
    gate.take(Asked(b"a", "a", Act.RELEASE), False, 100.4)
    assert gate.take(Asked(b"b", "b", Act.ACQUIRE, date_s=100.5), False, 100.5).accepted
    assert gate.reset_needed
    assert "reset" in take(gate, POWER_ON, 100.6, client=b"b").text
    assert take(gate, Reset(), 100.7, client=b"b").run
    assert take(gate, POWER_ON, 100.8, client=b"b").run
    assert take(gate, MOTION, 100.9, client=b"b").run


def test_a_late_request_is_refused_with_its_age_and_a_late_stop_is_not() -> None:
    gate = gate_with(b"a")
    assert "3.00 s old" in take(gate, POWER_ON, 103.0, 100.0, local=False).text
    assert take(gate, PowerOff(), 103.0, 100.0, local=False).run  # can only end motion
    assert take(gate, Stop(), 103.0, 100.0, local=False).run


def test_a_late_sign_of_hold_to_run_is_refused_and_letting_go_is_not() -> None:
    gate = gate_with(b"a")
    late_s = 100.0 + 2 * HOLD_OLDEST_S
    assert "0.20 s old" in take(gate, Enable(held=True), late_s, 100.0).text
    assert take(gate, Enable(held=False), late_s, 100.0).run


@pytest.mark.parametrize("request_", [RESTRICT, Enable(held=True)])
def test_hold_to_run_needs_a_quick_link_or_none(request_: Request) -> None:
    slow = gate_with(b"a")
    slow.hear(b"a", 100.0, 100.0 + 1.5 * ROUND_TRIP_MOST_S)
    refused = take(slow, request_, 100.2, local=False)
    assert not refused.run and "147 ms" in refused.text and "100 ms" in refused.text
    assert take(slow, request_, 100.2, local=True).run
    quick = gate_with(b"a")
    quick.hear(b"a", 100.0, 100.0 + 0.5 * ROUND_TRIP_MOST_S)
    assert take(quick, request_, 100.1, local=False).run


def test_a_beat_proves_life_at_its_date_only() -> None:
    gate = gate_with(b"a")
    gate.hear(b"a", 100.1, 100.5)
    assert gate.silent_s(100.5) == pytest.approx(0.4) and gate.late(100.5)
    gate.hear(b"a", math.nan, 100.5)
    assert gate.late(100.5)
