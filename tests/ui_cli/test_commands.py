"""The command line: what it prints, its exit codes, and one line for each mistake."""

from __future__ import annotations

import functools
import math
import re
import shutil
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from hil.link import Client
from hil.profile.loader import SHIPPED
from tests.ui_cli.answers_read import last_object
from ui import cli
from ui.commands.answers import fail
from ui.commands.compare_sources import table
from ui.dashboard.app import application
from ui.dashboard.runs.model import RunsModel
from ui.dashboard.runs.page import RunsPage
from ui.dashboard.widgets import THEMES, sizes_for

REAL = (SHIPPED / "footplate_trainer.yaml").read_text().split("\nsimulation:")[0] + "\n"


@pytest.fixture(autouse=True)
def own_directory(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("QT_QPA_PLATFORM", "offscreen")
    for name in ("DISPLAY", "WAYLAND_DISPLAY"):
        monkeypatch.delenv(name, raising=False)


def called(capfd: Any, *arguments: str) -> tuple[int, str, str]:
    code = cli.main(arguments)
    said = capfd.readouterr()
    return code, said.out, said.err


# ------------------------------------------------------------------------ help


@pytest.mark.parametrize("command", cli.COMMANDS)
def test_help_teaches(command: str, capfd: Any) -> None:
    code, out, _ = called(capfd, command, "--help")
    assert code == 0
    assert "example:" in out and f"hookeline {command}" in out
    assert "exit codes:" in out and "130" in out and "--json" in out
    moves = command in (
        "bench",
        "serve",
        "perform",
        "endure",
        "bringup",
        "calibrate",
        "reference",
        "measure",
    )
    assert ("emergency stop" in " ".join(out.split())) is moves


@pytest.mark.parametrize("arguments", [(), ("demo", "--seconds", "x"), ("perform",)])
def test_wrong_usage_is_exit_code_2(arguments: tuple[str, ...], capfd: Any) -> None:
    code, _, err = called(capfd, *arguments)
    assert code == 2 and "usage:" in err


# ------------------------------------------------------------------------ errors


@pytest.mark.parametrize(
    ("text", "line", "part"),
    [
        (REAL.replace("span: 15 mm", "span: 15 kg"), 14, "sensors.deflection.span"),
        (REAL.replace("  rate: 1000 Hz", "\trate: 1000 Hz"), None, "a tab where"),
        (REAL.replace("sign: 1", "sgn: 1"), None, "did you mean 'sign'"),
    ],
)
def test_a_bad_profile_is_one_line_with_its_place(
    text: str, line: int | None, part: str, capfd: Any
) -> None:
    Path("p.yaml").write_text(text)
    for arguments in (("check", "p.yaml"), ("perform", "demo", "--profile", "p.yaml")):
        code, out, err = called(capfd, *arguments, "--json")
        assert code == 2
        [said] = err.splitlines()
        assert re.match(rf"hookeline: p\.yaml:{line or '[0-9]+'}: ", said) and part in said
        data = last_object(out)
        assert data["exit_code"] == 2 and data["problems"][0]["fix"]
    assert "Traceback" not in err


def test_a_sequence_that_is_too_short_is_refused_with_the_least(capfd: Any) -> None:
    code, _, err = called(capfd, "demo", "--headless", "--seconds", "2")
    assert code == 2 and re.search(r"needs? at least \d+ s", err)


def test_a_real_rig_without_anybody_to_ask_is_refused_before_anything_starts(capfd: Any) -> None:
    Path("real.yaml").write_text(REAL)
    code, _, err = called(capfd, "perform", "demo", "--profile", "real.yaml", "--headless")
    assert code == 2 and "--confirm-loads" in err
    assert not Path("runs").exists()


def test_a_bus_that_does_not_open_is_exit_code_3_in_one_line(capfd: Any) -> None:
    Path("real.yaml").write_text(REAL)
    arguments = ("perform", "demo", "--profile", "real.yaml", "--headless", "--confirm-loads")
    code, out, err = called(capfd, *arguments, "--json")
    assert code == 3, err
    assert "can.sock" in err and "Traceback" not in err
    assert last_object(out)["exit_code"] == 3


def test_a_demo_or_lockstep_on_a_real_rig_is_refused(capfd: Any) -> None:
    Path("real.yaml").write_text(REAL)
    for arguments in (
        ("demo", "--profile", "real.yaml"),
        ("perform", "demo", "--profile", "real.yaml", "--lockstep"),
    ):
        code, _, err = called(capfd, *arguments)
        assert code == 2 and "'simulation' part" in err


def test_bench_without_a_display_says_what_else_there_is(capfd: Any) -> None:
    code, _, err = called(capfd, "bench", "--profile", "footplate_trainer")
    assert code == 2 and "hookeline serve" in err


def test_nobody_at_the_link_is_exit_code_3(
    tmp_path: Path, capfd: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    soon = functools.partial(Client.connect, timeout_s=0.3)
    monkeypatch.setattr(Client, "connect", staticmethod(soon))
    empty = tmp_path / "link"
    empty.mkdir(mode=0o700)
    code, _, err = called(capfd, "perform", "demo", "--link", str(empty), "--headless")
    assert code == 3 and "Traceback" not in err


def test_an_error_of_the_program_is_one_line_and_a_kept_detail(capfd: Any) -> None:
    nothing: dict[str, int] = {}
    try:
        nothing["nothing"]
    except KeyError as error:
        assert fail(error, True) == 1
    said = capfd.readouterr()
    [line] = said.err.splitlines()
    [kept] = map(Path, re.findall(r"details are in (\S+)", line))
    try:
        assert "Traceback" in kept.read_text() and "test_commands" in kept.read_text()
    finally:
        kept.unlink()
    assert last_object(said.out)["exit_code"] == 1


# ------------------------------------------------------------------------- check


def test_check_gives_what_follows_from_the_profile(capfd: Any) -> None:
    code, out, _ = called(capfd, "check", "footplate_trainer", "--json")
    assert code == 0
    figures = last_object(out)["figures"]
    per_metre = 2 * math.pi / 0.010
    # Design values of the rig: J = 1.2e-4 kg·m², lead 10 mm, nut 0.4 kg, η = 0.9, 120 N/mm.
    assert figures["reflected_mass_kg"] == pytest.approx(1.2e-4 * per_metre**2 + 0.4)
    assert figures["force_per_torque_N_per_N_m"] == pytest.approx(0.9 * per_metre)
    assert figures["passive_stiffness_N_per_mm"] == pytest.approx(0.98 * 120.0)
    # 2.5 kg and the 0.2 kg pan at 420 mm, the 1 kg lever at 150 mm, rod at 60 mm.
    moment = 9.80665 * (2.7 * 0.420 + 1.0 * 0.150)
    assert figures["force_to_hold_0_N"] == pytest.approx(moment / 0.060)
    assert figures["phase_margin_deg"] >= 30.0 and figures["force_bandwidth_Hz"] > 0


def test_check_compares_sources_of_motion(capfd: Any) -> None:
    code, out, _ = called(
        capfd, "check", str(SHIPPED / "bench_slide.yaml"), "--compare-sources", "--json"
    )
    sources = last_object(out)["sources"]
    torque, *others = sources
    assert code == 0
    assert [row["source"] for row in sources] == ["torque", "velocity", "position"]
    assert torque["drag_N_s_per_m"] is None and all(row["drag_N_s_per_m"] > 0 for row in others)
    for row in sources:
        assert row["bandwidth_Hz"] > 0 and row["stiffness_ceiling_N_per_mm"] > 0
        assert 0 < row["force_noise_N"] < 10
    assert last_object(out)["recommended"].startswith("recommended: torque (")
    head, *rows = table(sources)
    assert "spring up to, N/mm" in head and rows[0].strip().startswith("torque")


def test_check_speaks_to_people(capfd: Any) -> None:
    code, out, _ = called(capfd, "check", "bench_slide")
    assert code == 0 and "the profile is valid" in out and "Phase margin" in out


# -------------------------------------------------------------------------- runs


@pytest.fixture(scope="module")
def recorded(tmp_path_factory: pytest.TempPathFactory) -> Path:
    directory = tmp_path_factory.mktemp("demo")
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("QT_QPA_PLATFORM", "offscreen")
        code = cli.main(["demo", "--lockstep", "--seed", "3", "--out", str(directory), "--json"])
    assert code == 0
    return directory


def test_the_demo_prints_its_figures_and_leaves_run_picture_and_report(
    recorded: Path, capfd: Any
) -> None:
    code, out, _ = called(
        capfd, "demo", "--lockstep", "--seed", "3", "--out", str(recorded), "--json"
    )
    assert code == 0
    data = last_object(out)
    wanted = {
        "run",
        "rate_hz",
        "cycles",
        "late_cycles",
        "lost_samples",
        "constant_force",
        "virtual_spring",
        "hold",
        "stop",
        "picture",
        "report",
    }
    assert wanted <= data.keys()
    assert len(data["virtual_spring"]) == 3
    assert Path(data["picture"]).read_bytes().startswith(b"\x89PNG")
    page = Path(data["report"]).read_text()
    assert "<svg" in page and "data:image/png;base64," in page
    assert not re.search(r"(src|href)=\"(?!data:|#)", page), "the page must stand by itself"
    for text in ("floating weight", "stiff", "safety function", "Lost samples"):
        assert text in page
    first = (recorded / "0001-demo" / "samples.parquet").read_bytes()
    assert (Path(data["run"]) / "samples.parquet").read_bytes() == first


FALLING = """\
name: falling
profile: footplate_trainer
steps:
  - {do: hang, mass: 2.5 kg, for: 0.2 s}
  - power_on
  - {do: hold_position, position: 20 mm, speed: 30 mm/s, for: 1.2 s}
  - {do: constant_force, force: 120 N, damping: 0.9 N*s/mm, load_may_move: true,
     for: 1.6 s, measure: too little}
  - power_off
"""


def test_a_sequence_that_does_not_show_what_it_claims_is_exit_code_1_everywhere(
    tmp_path: Path, capfd: Any
) -> None:
    Path("falling.yaml").write_text(FALLING)
    perform = ("perform", "falling.yaml", "--lockstep", "--out", "made")
    code, _, _ = called(capfd, *perform, "--json")
    assert code == 1
    code, out, _ = called(capfd, *perform)
    assert code == 1
    [line] = [line for line in out.splitlines() if line.startswith("  constant force")]
    assert "NO FIGURE, disturbed by a limit: " in line and "read (" in line
    assert re.search(r"travel \d+ %", line)
    assert "does not show what it claims: 'too little' is disturbed by a limit" in out
    # Shown again from the files, as text and as JSON.
    code, out, _ = called(capfd, "runs", "--runs", "made", "show", "1", "--json")
    data = last_object(out)
    assert data["figures_good"] is False
    assert data["constant_force"]["verdict"] == "disturbed by a limit"
    assert data["constant_force"]["tolerance"] == pytest.approx(6.0)
    assert line.strip() in called(capfd, "runs", "--runs", "made", "show", "1")[1]
    [report] = Path("made").glob("0001-*/report.html")
    page = report.read_text()
    assert 'class="verdict bad"' in page and "<strong>disturbed by a limit: " in page
    application()
    runs = RunsModel(Path("made"))
    place: Any = SimpleNamespace(view=runs, theme=THEMES["light"], sizes=sizes_for(1440, 900))
    shown = RunsPage(place)
    runs.renew()
    runs.wait()
    runs.open(runs.runs[0])
    runs.wait()
    shown._fill()
    assert line.strip() in shown.panel.figures.text()


def test_runs_are_listed_shown_and_exported(recorded: Path, tmp_path: Path, capfd: Any) -> None:
    where = ("--runs", str(recorded))
    code, out, _ = called(capfd, "runs", *where)
    assert code == 0 and "0001-demo" in out and "complete" in out
    code, out, _ = called(capfd, "runs", *where, "show", "1")
    assert code == 0 and "exercise of the stop" in out and "virtual spring 'stiff'" in out
    target = tmp_path / "out.csv"
    code, out, _ = called(capfd, "runs", *where, "export", "1", str(target), "--json")
    assert code == 0
    lines = target.read_text().splitlines()
    assert lines[0].startswith('"time_s","cycle","state"')
    assert len(lines) - 1 == last_object(out)["samples"]
    code, _, err = called(capfd, "runs", *where, "export", "1", str(target))
    assert code == 2 and "already exists" in err
    part = ("--from", "1", "--to", "2", "--rate", "100", "--columns", "spring_force_N,deflection_m")
    for ending in ("npz", "mat", "svg"):
        out_file = str(tmp_path / f"part.{ending}")
        code, out, _ = called(capfd, "runs", *where, "export", "1", out_file, *part, "--json")
        assert code == 0 and last_object(out)["samples"] in (100, 101)
    code, _, err = called(capfd, "runs", *where, "export", "1", "x.mat", "--columns", "force")
    assert code == 2 and "no column 'force'" in err


@pytest.mark.parametrize(
    "arguments",
    [("show", "99"), ("show",), ("export", "1"), ("export", "1", "x.xlsx"), ("list", "a", "b")],
)
def test_a_wrong_run_is_exit_code_2(recorded: Path, arguments: tuple[str, ...], capfd: Any) -> None:
    code, _, err = called(capfd, "runs", "--runs", str(recorded), *arguments)
    assert code == 2 and len(err.splitlines()) == 1


def test_runs_are_labelled_searched_binned_and_put_back(
    recorded: Path, tmp_path: Path, capfd: Any
) -> None:
    runs = tmp_path / "runs"
    shutil.copytree(recorded / "0001-demo", runs / "0001-demo")

    def told(*arguments: str, code: int = 0) -> str:
        found, out, err = called(capfd, "runs", "--runs", str(runs), *arguments)
        assert found == code
        return out + err

    label = ("label", "1", "--name", "first lift", "--tag", "stiff", "--tag", "new", "--pin")
    assert "first lift · #stiff #new · pinned" in told(*label)
    assert "0001-demo" in told("list", "LIFT #stiff") and "first lift" in told("list")
    assert "none of 1 runs matches '#stif'" in told("list", "#stif")
    assert "is pinned" in told("bin", "1", code=1)
    told("label", "first lift", "--no-pin", "--untag", "new")
    assert "#stiff" in told("show", "1") and "#new" not in told("show", "1")
    assert "restore 0001-demo" in told("bin", "1")
    assert "no runs" in told("list") and "0001-demo" in told("bin")
    assert "is back" in told("restore", "1") and "0001-demo" in told("list")
    told("bin", "1")
    assert "1 run removed" in told("empty") and "the bin is empty" in told("bin")
    assert "no run '1'" in told("restore", "1", code=1)


@pytest.mark.parametrize("arguments", [("1",), ("1", "--tag", "two words")])
def test_labels_that_are_none_are_exit_code_2(
    recorded: Path, arguments: tuple[str, ...], capfd: Any
) -> None:
    code, _, err = called(capfd, "runs", "--runs", str(recorded), "label", *arguments)
    assert code == 2 and len(err.splitlines()) == 1


def test_no_runs_is_no_error(capfd: Any) -> None:
    code, out, _ = called(capfd, "runs")
    assert code == 0 and "no runs" in out
    code, out, _ = called(capfd, "runs", "--json")
    assert last_object(out) == {"runs": []}


# ---------------------------------------------------------------- keys and computer


def test_keys_are_made_for_host_and_client(tmp_path: Path, capfd: Any) -> None:
    keys = tmp_path / "keys"
    code, out, _ = called(capfd, "serve", "--make-keys", str(keys), "--client", "laptop", "--json")
    assert code == 0
    secret = Path(last_object(out)["client"]) / "client.secret"
    assert secret.stat().st_mode & 0o077 == 0
    assert (keys / "allowed" / "laptop.public").exists()


def test_the_network_without_keys_is_refused(capfd: Any) -> None:
    code, _, err = called(
        capfd, "serve", "--profile", "footplate_trainer", "--tcp", "127.0.0.1:7700"
    )
    assert code == 2 and "in the clear" in err


def test_the_computer_is_measured(capfd: Any) -> None:
    code, out, _ = called(
        capfd, "host", "--rate", "100", "--seconds", "0.5", "--loop-only", "--json"
    )
    data = last_object(out)
    assert code == (0 if data["holds"] else 1)
    assert data["cycles"] > 20 and "p99.9" in data["wake_us"]
    assert called(capfd, "host", "--rate", "0")[0] == 2
