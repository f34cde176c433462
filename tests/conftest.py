"""Rules for every test: order, repeats of live ones, the budget of examples, the collector."""

from __future__ import annotations

import gc
import os
import signal
import sys
from collections.abc import Generator, Iterator
from pathlib import Path
from typing import Any

import pytest
from hypothesis import settings

from drivers.compiled import UNCOMPILED, compiled_modules
from drivers.motion import speak

REPEATS = 2
MOST_OF_A_MESSAGE = 400  # characters of a failure that a repeat did not show again

# Modules load in nine tenths of the time without the collector; it is on again once all are loaded.
gc.disable()
# Without kept bytecode, each of the many processes that tests start would compile all its imports:
# a third of a second each, and ten for each worker.
os.environ.pop("PYTHONDONTWRITEBYTECODE", None)
sys.dont_write_bytecode = False
# Two workers keep the processors awake; the process that does so beside a live bench would only
# compete.
os.environ.setdefault("HOOKELINE_LET_SLEEP", "1")

# ``--hypothesis-profile long`` draws twenty times as many.
settings.register_profile("suite", max_examples=50, deadline=None)
settings.register_profile("long", max_examples=1000, deadline=None)
settings.load_profile("suite")


# A worker must not be left alone with the longest file: those of 5 s and more come first. Before them, files
# whose benches have several axes: at the end two workers are live, and two such benches share two cores.
LONGEST_FIRST = (
    "ui/test_axes_panel.py",
    "ui_cli/test_axes.py",
    "ui/test_axes_questions.py",
    "hil/host/test_live_axes.py",
    "hil/host/test_trip_taken_over.py",
    "ui_cli/test_live.py",
    "hil/host/test_live_bench.py",
    "hil/recorder/test_recorder_process.py",
    "ui/test_measure_page.py",
    "ui/test_bringup_page.py",
    "ui/test_live_dashboard.py",
    "hil/sequences/test_runners.py",
    "hil/bringup/test_steps_on.py",
    "ui/test_calibrate_page.py",
    "ui/test_sequence_panel.py",
    "ui_cli/test_bringup.py",
    "hil/calibration/test_session.py",
    "hil/link/test_example_notebook.py",
    "ui_cli/test_calibrate.py",
    "hil/host/test_real_profile.py",
    "ui_cli/test_commands.py",
    "ui_cli/test_endure_live.py",
    "drivers/cia402/test_mistakes_on_the_wire.py",
    "hil/link/test_two_legs.py",
    "ui/test_window_rebuilt.py",
    "hil/calibration/test_uncertainty.py",
    "ui/test_every_page.py",
    "hil/bench/test_cycle_late.py",
    "ui_cli/test_bringup_live.py",
    "hil/calibration/test_cell.py",
    "ui/test_widgets.py",
    "hil/bringup/test_steps_off.py",
    "drivers/cia402/test_node_and_drive.py",
    "hil/link/test_link_client.py",
    "ui_cli/test_wire.py",
    "hil/host/test_power_stays_on.py",
)
TESTS = Path(__file__).parent
# They inspect the source: its syntax, and copies of whole benches, which compiled ones do not
# allow.
OF_THE_SOURCE = (
    "hil/handover",
    "ui_cli/test_hand_over.py",
    "campaigns/test_faults.py",
    "benchmarks/test_sources.py",
)
SOURCE_MARK = "of_the_source"


@pytest.fixture
def own_state(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Keep verification, reference and heat in a directory of the test's own."""
    tmp_path.chmod(0o700)
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "state"))
    return tmp_path


@pytest.fixture
def favoured_client() -> Iterator[None]:
    """Run a test that is a client itself before programs that only compute, as live clients do."""
    from hil.link import favoured

    with favoured():
        yield


def pytest_addoption(parser: pytest.Parser) -> None:
    parser.addoption(
        "--no-repeats",
        action="store_true",
        help="let a live test fail at its first failure: for finding fragile ones",
    )


def pytest_configure(config: pytest.Config) -> None:
    """Keep the order of files: the workers' own is by the number of tests in each."""
    config.option.loadscopereorder = False
    # A shell starts background processes with Ctrl-C ignored, and live tests interrupt themselves.
    if signal.getsignal(signal.SIGINT) is signal.SIG_IGN:
        signal.signal(signal.SIGINT, signal.default_int_handler)


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_make_scheduler(config: pytest.Config, log: Any) -> Any:
    """Have one worker compute while the others are live."""
    if config.getvalue("dist") != "loadfile":
        return None
    from tests.sharing_of_files import LiveBesideComputing

    return LiveBesideComputing(config, log)


def pytest_ignore_collect(collection_path: Path, config: pytest.Config) -> bool | None:
    """Skip other files if only the tests of the source are wanted: their import costs 5 s."""
    if config.option.markexpr != SOURCE_MARK or collection_path.suffix not in ("", ".py"):
        return None
    files = collection_path.rglob("test_*.py") if collection_path.is_dir() else [collection_path]
    return (
        not any(_of_the_source(file) or SOURCE_MARK in file.read_text() for file in files) or None
    )


def _of_the_source(file: Path) -> bool:
    return str(file.relative_to(TESTS)).startswith(OF_THE_SOURCE)


@pytest.hookimpl(wrapper=True)
def pytest_make_collect_report(
    collector: pytest.Collector,
) -> Generator[None, pytest.CollectReport, pytest.CollectReport]:
    """Have every second worker read the files from the last one.

    Each file's rewritten bytecode is kept: in a fresh clone the workers meet in the middle, and
    make half of it each.
    """
    report = yield
    worker = os.environ.get("PYTEST_XDIST_WORKER", "gw0")
    if isinstance(collector, pytest.Directory) and int(worker.removeprefix("gw")) % 2:
        report.result.reverse()
    return report


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """Begin with the longest files, and have live tests repeated.

    A virtual machine may pause for longer than a heartbeat may be late.
    """
    ranks = {TESTS / name: rank for rank, name in enumerate(LONGEST_FIRST)}
    items.sort(key=lambda item: (ranks.get(item.path, len(ranks)), str(item.path)))
    compiled = pytest.mark.skip(reason=f"needs the source: {UNCOMPILED}=1")
    for item in items:
        if _of_the_source(item.path):
            item.add_marker(SOURCE_MARK)
        if compiled_modules() and item.get_closest_marker(SOURCE_MARK):
            item.add_marker(compiled)
    if config.getoption("--no-repeats"):
        return
    for item in items:
        if item.get_closest_marker("real_time"):
            item.add_marker(pytest.mark.flaky(reruns=REPEATS))


@pytest.hookimpl(trylast=True)
def pytest_collection_finish() -> None:
    """Exclude the modules' objects from the collector's rounds: a twentieth of lockstep's time."""
    gc.enable()
    gc.collect()
    gc.freeze()
    gc.set_threshold(50_000, 20, 50)


@pytest.hookimpl(trylast=True)
def pytest_runtest_teardown() -> None:
    """Undo the collector settings of a rig in a thread of the test: memory grew by gigabytes."""
    if not gc.isenabled():
        gc.unfreeze()
        gc.enable()
        gc.collect()
        gc.freeze()


@pytest.hookimpl(wrapper=True)
def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter) -> Iterator[None]:
    repeated = terminalreporter.stats.get("rerun", ())
    if repeated:
        terminalreporter.section("live tests that were repeated")
        for report in sorted(repeated, key=lambda report: str(report.nodeid)):
            crash = getattr(report.longrepr, "reprcrash", None)
            why = crash.message.splitlines() if crash is not None else [str(report.longrepr)]
            terminalreporter.line(f"{report.nodeid}: {' '.join(why)[:MOST_OF_A_MESSAGE]}")
    return (yield)


@pytest.fixture(autouse=True)
def linear_words() -> None:
    """Let each test begin with the texts of a linear actuator, as a new process does."""
    speak("linear")
