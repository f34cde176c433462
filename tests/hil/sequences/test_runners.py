"""Procedures on the simulated rig: in lockstep, and live with every process running."""

from __future__ import annotations

import _thread
import threading
import time
from collections.abc import Generator, Iterator
from pathlib import Path
from typing import Any

import pytest

from drivers.base import PowerStage
from drivers.simulated.simulation_control import EnvironmentClient
from hil.analysis.measures import measure
from hil.bench.lockstep import LockstepBench
from hil.core.requests import Apply, Commission, Float, PowerOn, Request, Reset, Stop
from hil.core.samples import State
from hil.host.processes import BenchProcesses
from hil.host.start import BenchOptions, start_bench
from hil.link.client import Client
from hil.procedures.live_runner import LiveRunner
from hil.procedures.lockstep_runner import LockstepRunner
from hil.procedures.procedure import (
    Action,
    Ask,
    Confirm,
    Hand,
    Pause,
    Procedure,
    ProcedureFailed,
    Seen,
    send_requests,
    wait_for_state,
    wait_until_resting,
)
from hil.profile.loader import load_profile, profile_from_dict, profile_to_dict
from hil.profile.schema import Profile
from hil.recorder.runs import load_run
from hil.recorder.writer import RunWriter
from hil.sequences.performing import perform
from hil.sequences.reading import load_sequence

pytestmark = pytest.mark.real_time

SHORT = """\
name: short
steps:
  - power_on
  - {do: hold_position, position: 12 mm, speed: 30 mm/s, for: 1.2 s}
  - {do: marker, text: up}
  - {do: stop, measure: exercise, for: 0.3 s}
  - reset
"""


@pytest.fixture(scope="module")
def profile() -> Profile:
    return load_profile("footplate_trainer")


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Iterator[BenchProcesses]:
    runs = tmp_path_factory.mktemp("runs")
    with start_bench("footplate_trainer", BenchOptions(runs_directory=runs)) as started:
        yield started


def sequence_file(tmp_path: Path, text: str = SHORT) -> Path:
    file = tmp_path / "s.yaml"
    file.write_text(text)
    return file


def watched(procedure: Procedure, kept: list[Any]) -> Procedure:
    """Return the same procedure; keep its requests."""
    seen = None
    while True:
        try:
            action = procedure.send(seen)  # type: ignore[arg-type]
        except StopIteration as end:
            return end.value
        if isinstance(action, Ask):
            kept.append(action.request)
        seen = yield action


def energised(then: Generator[Action, Seen, None]) -> Procedure:
    yield from wait_until_resting()
    yield from send_requests([PowerOn(load_supported=True)])
    yield from wait_for_state(State.STANDBY)
    yield from send_requests([Apply(behaviour=Float(damping_N_s_m=300.0))])
    yield from then


def pause_long() -> Generator[Action, Seen, None]:
    for _ in range(100):
        yield Pause(0.1)


# ----------------------------------------------------------------------- lockstep


def test_the_demo_gives_every_figure_near_what_was_asked_and_again_the_same(
    tmp_path: Path, profile: Profile
) -> None:
    sequence = load_sequence("demo")
    files = []
    for _ in range(2):
        with RunWriter(tmp_path, "demo", {"profile": profile_to_dict(profile)}) as writer:
            ended = LockstepRunner(LockstepBench(profile, 5), writer).run(
                perform(sequence, profile)
            )
        assert ended.how == "finished", ended
        assert writer.path is not None
        files.append(writer.path)
    first, second = (
        [(path / name).read_bytes() for name in ("samples.parquet", "events.jsonl")]
        for path in files
    )
    assert first == second
    run = load_run(files[0])
    measured = measure(run, sequence.figures)
    assert measured.missing == []
    data = measured.as_data()
    assert data["constant_force"]["mean_N"] == pytest.approx(210.0, abs=2.0)
    assert data["constant_force"]["rms_error_N"] < 3.0
    for spring, setpoint_N_per_mm in zip(data["virtual_spring"], (10.0, 40.0, 100.0), strict=True):
        assert spring["measured_N_per_mm"] == pytest.approx(setpoint_N_per_mm, rel=0.06)
    assert data["hold"]["weight_kg"] == 5.0 and abs(data["hold"]["sag_mm"]) < 0.5
    assert data["stop"]["cause"] == "exercise of the stop"
    assert run.column("power_stage")[-1] == PowerStage.OFF
    assert [e["cause"] for e in run.events if e["kind"] == "stop"] == ["Operator"]


def test_another_seed_gives_other_samples(profile: Profile) -> None:
    rows = [LockstepBench(profile, seed).run(0.2) for seed in (1, 2)]
    assert rows[0] != rows[1]


def test_a_stop_that_was_not_asked_for_ends_the_procedure_without_power(profile: Profile) -> None:
    bench = LockstepBench(profile)

    def drive_reports_overcurrent() -> Generator[Action, Seen, None]:
        yield Pause(0.2)
        bench.environment.disturb("drive_fault", 0x2310)
        yield from pause_long()

    ended = LockstepRunner(bench).run(energised(drive_reports_overcurrent()))
    assert (ended.how, ended.cause) == ("stopped", "Drive fault")
    assert ended.text
    assert bench.bench.state is State.STOPPED
    assert bench.drive.core.power is PowerStage.FAULT
    assert bench.time_s < 5.0


def test_a_refusal_ends_a_sequence_without_power_and_says_why(
    tmp_path: Path, profile: Profile
) -> None:
    data = profile_to_dict(profile)
    data["control"]["over_stiff"] = "refuse"
    strict = profile_from_dict(data)
    text = SHORT.replace(
        "  - {do: marker, text: up}",
        "  - {do: virtual_spring, stiffness: 150 N/mm, rest: 12 mm, for: 1 s}",
    )
    bench = LockstepBench(strict)
    sequence = load_sequence(sequence_file(tmp_path, text))
    ended = LockstepRunner(bench).run(perform(sequence, strict))
    assert ended.how == "failed"
    assert "150.0 N/mm is refused" in ended.text
    assert bench.drive.core.power is PowerStage.OFF


def test_an_error_in_a_procedure_removes_power_before_it_comes_out(profile: Profile) -> None:
    bench = LockstepBench(profile)

    def broken() -> Generator[Action, Seen, None]:
        yield Pause(0.1)
        raise ZeroDivisionError

    with pytest.raises(ZeroDivisionError):
        LockstepRunner(bench).run(energised(broken()))
    assert bench.drive.core.power is PowerStage.OFF


def test_a_procedure_that_ends_with_power_on_is_powered_down(profile: Profile) -> None:
    bench = LockstepBench(profile)
    assert LockstepRunner(bench).run(energised(iter_nothing())).how == "finished"
    assert bench.bench.state is State.DE_ENERGISED
    assert bench.drive.core.power is PowerStage.OFF


def iter_nothing() -> Generator[Action, Seen, None]:
    yield Pause(0.01)


# --------------------------------------------------------------------------- live


def connected(bench: BenchProcesses) -> tuple[Client, EnvironmentClient]:
    client = Client.connect(bench.link_directory, name="test")
    return client, EnvironmentClient(client.description["environment"])


def at_rest(bench: BenchProcesses) -> None:
    """Reset the state that the previous test left."""
    with Client.connect(bench.link_directory, name="reset") as client:
        client.take_control()
        client.request(Reset())
        client.release_control()
        # A hand pushes the load down, which alone would sink for fifteen seconds.
        hand = EnvironmentClient(client.description["environment"])
        hand.push(-25.0, 0.0, 1.5)
        hand.close()


def test_a_beat_that_is_late_just_as_something_is_asked_costs_nothing(
    bench: BenchProcesses, monkeypatch: pytest.MonkeyPatch
) -> None:
    at_rest(bench)
    client, hand = connected(bench)
    ask, held_up_s = client.request, [0.4]

    def request(asked: Request) -> str:
        if isinstance(asked, Commission) and held_up_s:
            time.sleep(held_up_s.pop())
        return ask(asked)

    monkeypatch.setattr(client, "request", request)

    def narrow() -> Generator[Action, Seen, bool]:
        yield Pause(0.1)
        seen = yield Ask(Commission(force_N=50.0, speed_m_s=0.01, torque_N_m=0.02))
        return seen.accepted

    with client:
        ended = LiveRunner(client, hand, lambda _question: True).run(narrow())
    hand.close()
    assert ended.value is True, ended
    assert not held_up_s


def test_the_same_sequence_asks_the_same_live_and_in_lockstep(
    tmp_path: Path, bench: BenchProcesses, profile: Profile
) -> None:
    at_rest(bench)
    sequence = load_sequence(sequence_file(tmp_path))
    in_lockstep: list[Any] = []
    LockstepRunner(LockstepBench(profile)).run(watched(perform(sequence, profile), in_lockstep))
    live: list[Any] = []
    client, hand = connected(bench)
    with client:
        runner = LiveRunner(client, hand, lambda _question: False)
        ended = runner.run(watched(perform(sequence, profile), live))
        name = runner.wait_recorded(30.0)
    hand.close()
    assert ended.how == "finished", ended
    assert live == in_lockstep
    run = load_run(bench.runs_directory / name)
    assert run.complete
    measured = measure(run, sequence.figures)
    assert measured.missing == []
    assert measured.figures[0].values["to_wire_ms"] > 0
    assert run.column("power_stage")[-1] == PowerStage.OFF


def test_a_stop_by_a_watcher_ends_a_live_procedure(bench: BenchProcesses) -> None:
    at_rest(bench)
    client, hand = connected(bench)

    def somebody_stops() -> Generator[Action, Seen, None]:
        yield Pause(0.2)
        with Client.connect(bench.link_directory, name="watcher") as watcher:
            watcher.stop("a colleague")
        yield from pause_long()

    with client:
        ended = LiveRunner(client, hand, lambda _question: True).run(energised(somebody_stops()))
    hand.close()
    assert (ended.how, ended.cause, ended.text) == ("stopped", "Operator", "a colleague")


def test_control_is_kept_while_a_procedure_computes_and_a_stop_meanwhile_is_seen_first(
    bench: BenchProcesses,
) -> None:
    at_rest(bench)

    def computes() -> Generator[Action, Seen, None]:
        until_s = time.monotonic() + 0.6  # four heartbeat limits
        while time.monotonic() < until_s:
            pass
        yield from send_requests([Apply(behaviour=Float(damping_N_s_m=200.0))])
        yield Pause(0.1)
        with Client.connect(bench.link_directory, name="watcher") as watcher:
            watcher.stop("a colleague")
        time.sleep(0.2)
        yield Ask(Reset())  # must not be sent: nobody has acknowledged the stop

    client, hand = connected(bench)
    with client:
        ended = LiveRunner(client, hand, lambda _question: True).run(energised(computes()))
    hand.close()
    assert (ended.how, ended.cause, ended.text) == ("stopped", "Operator", "a colleague")


def test_an_interrupt_while_a_procedure_computes_stops_the_rig_at_once(
    bench: BenchProcesses,
) -> None:
    at_rest(bench)
    closed: list[bool] = []

    def computes() -> Generator[Action, Seen, None]:
        _thread.interrupt_main()
        until_s = time.monotonic() + 0.6
        while time.monotonic() < until_s:
            pass
        try:
            yield Pause(1.0)
            raise AssertionError("it went on")
        finally:
            closed.append(True)

    client, hand = connected(bench)
    with client, Client.connect(bench.link_directory, name="witness") as witness:
        witness.poll()
        ended = LiveRunner(client, hand, lambda _question: True).run(energised(computes()))
        events = [item for item in witness.poll() if not hasattr(item, "rows")]
    hand.close()
    assert ended.how == "interrupted" and closed, "the end did not wait for what it computed"
    assert [e["detail"] for e in events if e.kind == "stop"] == ["interrupted at the keyboard"]


def test_control_is_kept_while_a_person_thinks_and_no_means_no(bench: BenchProcesses) -> None:
    at_rest(bench)
    asked_in: list[str] = []

    def slow(question: str) -> bool:
        asked_in.append(threading.current_thread().name)
        time.sleep(0.6)  # four heartbeat limits
        return len(asked_in) == 1

    def two_questions() -> Generator[Action, Seen, None]:
        yes = yield Confirm("one?")
        assert yes.accepted
        no = yield Confirm("two?")
        if not no.accepted:
            raise ProcedureFailed("somebody said no")

    client, hand = connected(bench)
    hand.close()
    with client:
        # Without the simulated environment, as on a real rig, the person is asked.
        ended = LiveRunner(client, None, slow).run(energised(two_questions()))
    assert (ended.how, ended.text) == ("failed", "somebody said no")
    assert len(asked_in) == 2 and threading.main_thread().name not in asked_in


def test_a_stop_step_of_its_own_does_not_end_a_procedure(bench: BenchProcesses) -> None:
    at_rest(bench)

    def stops_itself() -> Generator[Action, Seen, None]:
        yield from send_requests([Stop(cause="own")])
        yield Pause(0.3)
        yield from send_requests([Reset()])
        yield Pause(0.1)

    client, hand = connected(bench)
    with client:
        ended = LiveRunner(client, hand, lambda _question: True).run(energised(stops_itself()))
    hand.close()
    assert ended.how == "finished"


class _Unwilling:
    """A person who cannot do the requested actions."""

    holding = False

    def act(self, hand: Hand) -> float:
        raise ProcedureFailed(f"cannot: {hand.instruction}")


def test_what_a_person_cannot_do_is_for_the_procedure_to_judge(profile: Profile) -> None:
    heard: list[str] = []

    def asks() -> Generator[Action, Seen, str]:
        try:
            yield Hand("turn_screw", "turn the screw", 1.0)
        except ProcedureFailed as failure:
            heard.append(str(failure))
        yield Pause(0.01)
        return "went on"

    def does_not_catch() -> Generator[Action, Seen, None]:
        yield Hand("turn_screw", "turn the screw", 1.0)

    operator: Any = _Unwilling()
    ended = LockstepRunner(LockstepBench(profile), operator=operator).run(asks())
    assert (ended.how, ended.value, heard) == ("finished", "went on", ["cannot: turn the screw"])
    ended = LockstepRunner(LockstepBench(profile), operator=operator).run(does_not_catch())
    assert (ended.how, ended.text) == ("failed", "cannot: turn the screw")
