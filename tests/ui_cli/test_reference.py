"""``hookeline reference``: seeks, reports and refusals."""

from __future__ import annotations

import json

import pytest

from hil.profile import SHIPPED
from hil.recorder import load_run
from ui import cli
from ui.commands.answers import BAD_INPUT, FAILED, OK


@pytest.fixture(autouse=True)
def directory_of_runs(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)


def called(capfd, *arguments):
    code = cli.main(["reference", *arguments, "--json"])
    out, err = capfd.readouterr()
    return code, json.loads(out.splitlines()[-1]), err


def test_a_home_switch_is_found_and_its_repeatability_reported(capfd):
    code, data, err = called(
        capfd, "--profile", "bench_slide", "--lockstep", "--seek", "switch", "--times", "4"
    )
    assert code == OK and data["found"], err
    assert len(data["touches_mm"]) == 4 and 0.0 < data["repeatability_um"] < 100.0
    assert "R = 4 s" in err and "touched at" in err and "zero moved by" in err
    run = load_run(data["run"])
    [told] = [event for event in run.events if event["kind"] == "reference" and "text" in event]
    assert told["how"] == "home_switch" and told["touches_mm"] and len(run.column("time_s")) > 1000
    assert run.meta["name"] == "reference" and "finished" in str(run.meta)


def test_where_the_output_stands_is_stated_without_motion(capfd):
    code, data, _ = called(capfd, "--profile", "bench_slide", "--lockstep", "--state", "mark")
    assert code == OK and data["text"] == "the output is at 45.0 mm"


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("--lockstep", "--times", "1"), "write 2 to 50"),
        (("--lockstep", "--seek", "switch"), "names no home switch"),
        (("--lockstep", "--state", "mark"), "names no mark"),
        ((), "this is not a terminal"),
    ],
)
def test_what_cannot_be_is_refused_with_a_fix(capfd, arguments, words):
    code, _, err = called(capfd, "--profile", "footplate_trainer", *arguments)
    assert code == BAD_INPUT and words in err and "Traceback" not in err


def test_what_is_not_found_is_reported_and_exits_badly(capfd, tmp_path):
    profile = tmp_path / "dead.yaml"
    actual = "{off_state: shorted, home_position_m: -1.0}"  # the switch never acts
    profile.write_text(
        f"based_on: {SHIPPED / 'bench_slide.yaml'}\nname: dead\nsimulation: {{actual: {actual}}}\n"
    )
    code, data, err = called(capfd, "--profile", str(profile), "--lockstep", "--seek", "switch")
    assert code == FAILED and not data["found"]
    assert "the home switch did not act" in data["text"] and "without power" in err
