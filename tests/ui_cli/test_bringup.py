"""``hookeline bringup``: output and files, on a healthy rig, with a fault, resumed, at a terminal."""

from __future__ import annotations

import json
import math
import os
import shutil
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
import yaml

from hil.bringup.steps import STEPS
from hil.procedures.procedure import Choose, Hand, ProcedureFailed, Read, RequireHoldToRun
from hil.profile.loader import SHIPPED, load_profile
from ui import cli
from ui.commands.terminal_operator import TerminalOperator

KEYS = [step.key for step in STEPS]


@pytest.fixture(autouse=True)
def own_directory(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    shutil.copytree(SHIPPED, tmp_path / "mine")
    monkeypatch.chdir(tmp_path)


def called(capfd: Any, *arguments: str) -> tuple[int, dict[str, Any], str]:
    profile = ("--profile", "mine/footplate_trainer.yaml")
    code = cli.main(["bringup", *profile, *arguments, "--json"])
    out, err = capfd.readouterr()
    return code, json.loads(out.splitlines()[-1]), err


def record(folder: str) -> dict[str, Any]:
    data: dict[str, Any] = yaml.safe_load(Path(folder, "bringup.yaml").read_text())
    return data


def test_a_healthy_rig_passes_and_its_figures_go_to_the_profile(capfd: Any) -> None:
    code, data, err = called(capfd, "--lockstep", "--out", "r", "--apply")
    assert code == 0, err
    assert [s["step"] for s in data["steps"]] == KEYS
    assert {s["verdict"] for s in data["steps"]} == {"pass"}
    assert data["finding"] is None and data["passed"] is True
    assert data["energised_closed_loop"] is True
    # The step up to the rated force is included; all others stay below 15 %.
    assert 0.9 * 580.0 < data["peak_force_N"] <= 1.1 * 580.0
    assert data["peak_end_speed_mm_s"] <= 20.0
    assert "emergency stop" in err
    for key in KEYS:
        assert f"  {key}" in err
    kept = record("r")
    assert kept["applied_changes"] and kept["proposed_changes"] == {}
    friction = load_profile("mine/footplate_trainer.yaml").actuator.friction
    shipped = load_profile("footplate_trainer").actuator.friction
    # The simulated rig's true friction is 0.032 and 0.038 N·m; the profile had 0.030 and 0.036.
    assert (friction.coulomb, friction.breakaway) != (shipped.coulomb, shipped.breakaway)
    assert friction.coulomb == pytest.approx(0.032, rel=0.15)
    assert friction.breakaway == pytest.approx(0.038, rel=0.15)
    # The record belongs to the changed profile as well.
    code, data, _ = called(capfd, "--resume", "r", "--lockstep", "--only", "talk")
    assert code == 0 and [s["step"] for s in data["steps"]] == ["talk"]


def test_a_mistake_is_named_ends_it_and_is_gone_on_from_when_mended(capfd: Any) -> None:
    code, data, err = called(capfd, "--lockstep", "--inject", "deflection_reversed", "--out", "r")
    assert code == 1
    assert data["finding"]["code"] == "deflection_reversed"
    assert "swap its end wires" in data["finding"]["fix"] and data["finding"]["fix"] in err
    assert data["energised_closed_loop"] is False and data["peak_force_N"] == 0.0
    verdicts = {s["step"]: s["verdict"] for s in data["steps"]}
    assert verdicts["sensors_by_hand"] == "fail"
    assert {verdicts[s.key] for s in STEPS if s.energises} == {"not run"}
    assert "--resume r" in err and data["injected_faults"] == ["deflection_reversed"]
    # Resumed after the correction, only as far as the step that failed.
    code, data, _ = called(capfd, "--lockstep", "--resume", "r", "--only", "sensors_by_hand")
    assert code == 0 and data["passed"] is False
    ran = [s["step"] for s in data["steps"]]
    assert ran == ["talk", "sensors_at_rest", "sensors_by_hand"]
    kept = {e["step"]: e["verdict"] for e in record("r")["steps"]}
    assert kept["sensors_by_hand"] == "pass" and kept["springs_by_hand"] == "not run"


@pytest.mark.parametrize(
    ("arguments", "part"),
    [
        (("--lockstep", "--inject", "phases_swaped"), "phases_swapped"),
        (("--lockstep", "--resume", "nowhere"), "holds no bring-up record"),
        (("--lockstep", "--resume", "a", "--out", "b"), "omit --out"),
        ((), "not a terminal"),
    ],
)
def test_bad_input_is_one_line_and_exit_code_2(
    arguments: tuple[str, ...], part: str, capfd: Any
) -> None:
    code, data, err = called(capfd, *arguments)
    assert code == 2 and part in err and len(err.strip().splitlines()) == 1
    assert data["exit_code"] == 2


def test_a_real_rig_is_no_place_for_simulated_persons(capfd: Any) -> None:
    file = Path("mine/footplate_trainer.yaml")
    file.write_text(file.read_text().split("\nsimulation:")[0] + "\n")
    for option in ("--lockstep", "--simulated-operator"):
        code, _, err = called(capfd, option)
        assert code == 2 and "a person must be present" in err
    code, _, err = called(capfd, "--lockstep", "--inject", "bus_lossy")
    assert code == 2 and "real rig" in err


def test_the_list_names_steps_and_mistakes(capfd: Any) -> None:
    assert cli.main(["bringup", "--list", "--json"]) == 0
    data = json.loads(capfd.readouterr().out.splitlines()[-1])
    assert [s["step"] for s in data["steps"]] == KEYS and len(data["injected_faults"]) >= 20


# ---------------------------------------------------------------- the person at a terminal


@pytest.fixture
def seat() -> Iterator[tuple[TerminalOperator, int]]:
    """Return (operator, the person's end of the terminal)."""
    person, terminal = os.openpty()
    screen = os.open(os.devnull, os.O_WRONLY)
    try:
        with TerminalOperator(terminal, screen) as operator:
            yield operator, person
    finally:
        for file in (person, terminal, screen):
            os.close(file)


def later(person: int, *typed: str) -> threading.Thread:
    """Type each text, with a pause before each."""

    def type_all() -> None:
        for text in typed:
            time.sleep(0.15)
            os.write(person, text.encode())

    thread = threading.Thread(target=type_all)
    thread.start()
    return thread


@pytest.mark.parametrize(
    ("typed", "value"),
    [("27.5\n", 0.0275), ("2.75 cm\n", 0.0275), ("3\x7f1 mm\n", 0.001), ("0.03 m\n", 0.03)],
)
def test_a_number_is_read_with_its_unit(
    seat: tuple[TerminalOperator, int], typed: str, value: float
) -> None:
    operator, person = seat
    thread = later(person, typed)
    assert operator.read(Read("how far?", "nut_position_m")) == pytest.approx(value)
    thread.join()


def test_what_is_no_number_is_asked_again(seat: tuple[TerminalOperator, int]) -> None:
    operator, person = seat
    thread = later(person, "5 kg\n", "about\n", "5 N\n")
    assert operator.read(Read("pull?", "balance_N", "N")) == 5.0
    thread.join()
    thread = later(person, "\n")
    assert math.isnan(operator.read(Read("pull?", "balance_N", "N")))
    thread.join()


def test_answers_by_number_or_word(seat: tuple[TerminalOperator, int]) -> None:
    operator, person = seat
    question = Choose("which?", "x", ("yes", "no", "cannot tell"))
    for typed, chosen in (("2\n", "no"), ("can\n", "cannot tell"), ("YES\n", "yes")):
        thread = later(person, "9\n", typed)
        assert operator.choose(question) == chosen
        thread.join()


def test_what_cannot_be_done_ends_the_step(seat: tuple[TerminalOperator, int]) -> None:
    operator, person = seat
    thread = later(person, "q\n")
    with pytest.raises(ProcedureFailed, match="turn it"):
        operator.act(Hand("turn_screw", "turn it", 1.0))
    thread.join()


@pytest.mark.real_time  # needs real time: a repeating key must not be delayed
def test_only_a_key_that_is_held_runs(seat: tuple[TerminalOperator, int]) -> None:
    operator, person = seat
    held = threading.Event()
    held.set()

    def hold() -> None:
        time.sleep(0.1)
        os.write(person, b" ")  # the press; as on keyboards the first repeat comes late
        time.sleep(0.4)
        while held.is_set():
            os.write(person, b" ")
            time.sleep(0.03)

    thread = threading.Thread(target=hold)
    thread.start()
    began = time.monotonic()
    assert not operator.holding
    assert operator.hold_to_run(RequireHoldToRun(True, "it moves"))
    assert time.monotonic() - began > 0.4  # a single press was not enough
    assert operator.holding
    held.clear()
    thread.join()
    time.sleep(0.4)
    assert not operator.holding
    os.write(person, b" ")  # a new press only arms
    time.sleep(0.1)
    assert not operator.holding
    operator.hold_to_run(RequireHoldToRun(False))


def test_refusing_to_hold_is_no(seat: tuple[TerminalOperator, int]) -> None:
    operator, person = seat
    thread = later(person, "q")
    assert not operator.hold_to_run(RequireHoldToRun(True, "it moves"))
    assert not operator.holding
    thread.join()


def test_a_terminal_that_is_gone_is_no_hang() -> None:
    person, terminal = os.openpty()
    screen = os.open(os.devnull, os.O_WRONLY)
    with TerminalOperator(terminal, screen) as operator:
        os.close(person)
        with pytest.raises(ProcedureFailed, match="terminal is closed"):
            operator.read(Read("how far?", "nut_position_m"))
        assert not operator.hold_to_run(RequireHoldToRun(True, "it moves"))
    os.close(terminal)
    os.close(screen)
