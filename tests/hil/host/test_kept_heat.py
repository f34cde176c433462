"""Files that keep the motor's heat across rig hosts that end in order or are killed."""

from __future__ import annotations

import json
import signal
import subprocess
import sys
import time

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from hil.core import write_private
from hil.host.heat_keeper import HeatKeeper
from hil.host.kept_heat import HeatFiles, actuator_name, begin_heat, moment_now
from hil.host.start import start_rig
from hil.profile import load_profile, profile_to_dict
from hil.supervision import Moment

pytestmark = pytest.mark.usefixtures("own_state")

SIMULATED = load_profile("footplate_trainer")
REAL = SIMULATED.model_copy(update={"simulation": None})
TRIPPED = REAL.limits.motor_heat.tripped
NOW = Moment(1e9, "boot", 1000.0)


def after(seconds: float) -> Moment:
    return Moment(NOW.wall_s + seconds, NOW.boot, NOW.boot_s + seconds)


def used(winding: float = 0.6, housing: float = 0.3) -> HeatFiles:
    files = HeatFiles.of(REAL)
    files.begin(REAL, NOW)
    files.end(winding, housing, NOW)
    return files


def test_the_first_use_begins_cold_and_leaves_its_mark():
    start, notice = HeatFiles.of(REAL).begin(REAL, NOW)
    assert start.how == "cold" and start.winding == 0.0 and not notice
    assert HeatFiles.of(REAL).begin(REAL, after(1.0))[0].how == "unseen"


def test_heat_is_kept_as_it_was_and_the_file_is_private():
    files = used()
    assert files.file.stat().st_mode & 0o777 == 0o600
    start, _ = HeatFiles.of(REAL).begin(REAL, NOW)
    assert start.how == "kept"
    assert (start.winding, start.housing) == pytest.approx((0.6, 0.3))


def test_a_use_that_a_keeper_saw_is_worst_for_some_seconds_only():
    files = HeatFiles.of(REAL)
    files.begin(REAL, NOW)
    keeper = HeatKeeper(files)
    beat = {"kind": "heartbeat", "motor_heat": {"winding": 0.3, "housing": 0.2}}
    keeper.take([beat], after(100.0))
    start, _ = HeatFiles.of(REAL).begin(REAL, after(1000.0))
    assert start.how == "unseen" and start.housing < 0.2 and start.winding < 0.2
    # Only the in-use mark from 1000 s ago is left: the motor may have any temperature.
    files.begin(REAL, NOW)
    files.seen.unlink()
    start, _ = HeatFiles.of(REAL).begin(REAL, after(1000.0))
    assert start.housing == pytest.approx(TRIPPED)


def test_what_a_keeper_saw_of_another_session_is_not_taken():
    old = HeatFiles.of(REAL)
    old.begin(REAL, NOW)
    old.see(0.0, 0.0, NOW)
    HeatFiles.of(REAL).begin(REAL, NOW)
    start, _ = HeatFiles.of(REAL).begin(REAL, after(1000.0))
    assert start.housing == pytest.approx(TRIPPED)


def test_a_keeper_writes_the_moment_at_which_it_heard_and_nothing_after_the_end():
    files = HeatFiles.of(REAL)
    files.begin(REAL, NOW)
    keeper = HeatKeeper(files)
    beat = {"kind": "heartbeat", "motor_heat": {"winding": 0.5, "housing": 0.1}}
    keeper.take([beat], after(1.0))
    keeper.take([beat], after(2.0))
    assert json.loads(files.seen.read_text())["boot_s"] == after(1.0).boot_s
    keeper.write()
    assert json.loads(files.seen.read_text())["boot_s"] == after(2.0).boot_s
    files.end(0.5, 0.1, after(3.0))
    keeper.take([{"kind": "host_ending"}], after(3.0))
    keeper.take([], after(9.0))
    assert keeper.ended and not files.seen.exists()


KEYS = (
    *("schema_version", "session", "in_use", "winding", "housing", "continuous_current_A"),
    *("wall_s", "boot", "boot_s"),
)
values = st.one_of(st.none(), st.booleans(), st.integers(), st.floats(), st.text(max_size=5))


@settings(max_examples=60, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    name=st.sampled_from(
        [
            "schema_version",
            "session",
            "in_use",
            "winding",
            "housing",
            "wall_s",
            "boot",
            "boot_s",
            "continuous_current_A",
        ]
    ),
    value=values,
)
def test_a_damaged_value_means_the_worst_heat_or_is_one_that_could_be_meant(name, value):
    files = used()
    kept = json.loads(files.file.read_text())
    kept[name] = value
    write_private(files.file, json.dumps(kept))
    start, _ = HeatFiles.of(REAL).begin(REAL, after(1.0))
    assert 0.0 <= start.winding <= 1e9 and start.how in ("kept", "unseen", "unknown")
    if start.how == "unknown":
        assert start.winding == pytest.approx(TRIPPED)


@pytest.mark.parametrize("text", ["", "[]", "{", "[" * 5000, '{"schema_version": 1}', "\0"])
def test_a_damaged_file_means_the_worst_heat_and_is_said(text):
    files = used()
    write_private(files.file, text)
    start, _ = HeatFiles.of(REAL).begin(REAL, after(1.0))
    assert start.how == "unknown" and "damaged" in start.text
    assert start.winding == pytest.approx(TRIPPED)


def test_a_file_that_others_could_have_written_is_not_believed():
    files = used()
    files.file.chmod(0o666)
    assert HeatFiles.of(REAL).begin(REAL, after(1.0))[0].how == "unknown"


def test_a_directory_that_cannot_be_used_is_said_and_stops_nothing(tmp_path):
    (tmp_path / "state").write_text("")
    start, notice = HeatFiles.of(REAL).begin(REAL, NOW)
    assert start.how in ("cold", "unknown") and "cannot be kept" in notice


def test_each_place_on_a_wire_has_its_own_heat_and_other_settings_share_it():
    moved = REAL.model_copy(update={"drive": REAL.drive | {"node": 77}})
    slower = REAL.model_copy(update={"drive": REAL.drive | {"sdo_timeout": "1 s"}})
    assert actuator_name(moved) != actuator_name(REAL) == actuator_name(slower)


def test_a_simulated_motor_begins_cold_and_nothing_is_kept_of_it(tmp_path):
    files, start, _ = begin_heat(SIMULATED, simulated=True)
    assert files is None and start.how == "simulated"
    assert not (tmp_path / "state").exists()


@pytest.mark.real_time
def test_a_host_is_seen_by_the_keeper_while_it_works_and_keeps_its_heat_when_it_ends(tmp_path):
    checked, links = tmp_path / "profile.json", tmp_path / "link"
    links.mkdir(mode=0o700)
    write_private(checked, json.dumps(profile_to_dict(REAL)))
    started: list[subprocess.Popen] = []

    def begin(module: str, *arguments: str) -> subprocess.Popen:
        command = [sys.executable, "-m", module, "--link", str(links), *arguments]
        process = subprocess.Popen(command, stdout=subprocess.PIPE, text=True)
        started.append(process)
        assert process.stdout is not None
        assert process.stdout.readline().strip() == "ready"
        return process

    files = used(0.5, 0.4)
    kept = json.loads(files.file.read_text())
    now = moment_now()
    kept |= {"wall_s": now.wall_s, "boot": now.boot, "boot_s": now.boot_s}
    write_private(files.file, json.dumps(kept))
    try:
        with start_rig(SIMULATED) as rig:
            host = ["--checked", str(checked), "--profile", "rig.yaml"]
            host += ["--wires", str(rig.link_directory)]
            first = begin("hil.host", *host)
            keeper = begin("hil.host.heat_keeper")
            deadline = time.monotonic() + 20
            while not files.seen.exists() and time.monotonic() < deadline:
                time.sleep(0.05)
            # These files are what a rig host killed now would leave.
            seen, marked = (json.loads(f.read_text()) for f in (files.seen, files.file))
            assert seen["session"] == marked["session"] and marked["in_use"] is True
            assert 0.3 < seen["housing"] < 0.4
            first.send_signal(signal.SIGTERM)
            assert first.wait(20) == 0 and keeper.wait(20) == 0
            ended = json.loads(files.file.read_text())
            assert ended["in_use"] is False and 0.3 < ended["housing"] <= seen["housing"]
    finally:
        for process in started:
            process.kill()
            process.wait()
            if process.stdout is not None:
                process.stdout.close()
    start, _ = HeatFiles.of(REAL).begin(REAL, moment_now())
    assert start.how == "kept" and start.housing > 0.2
