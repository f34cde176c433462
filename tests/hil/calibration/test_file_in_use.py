"""A kept calibration in use: in a profile, on a running bench, on its certificate."""

from __future__ import annotations

import html.parser
import shutil
from pathlib import Path

import pytest

from hil.bench.lockstep import LockstepBench
from hil.calibration.archive import keep_calibration
from hil.calibration.calibration_file import CalibrationFile, calibration_hash
from hil.calibration.profile_part import use_in_profile
from hil.core.requests import UseCalibration
from hil.profile.loader import SHIPPED, load_profile
from hil.profile.problems import ProfileError
from hil.recorder import list_runs, load_run
from hil.recorder.meta import named_calibration
from hil.recorder.writer import RunWriter
from hil.recorder.writer_thread import OperatorNotice, WriterThread
from tests.hil.calibration.kept_files import ERROR, kept
from tests.hil.calibration.made_up import PROFILE, made_up


@pytest.fixture(scope="module")
def one(tmp_path_factory: pytest.TempPathFactory) -> CalibrationFile:
    return kept(tmp_path_factory.mktemp("one"))


def test_it_goes_into_the_profile_as_it_is(one: CalibrationFile, tmp_path: Path) -> None:
    path = tmp_path / "mine.yaml"
    shutil.copy(SHIPPED / "footplate_trainer.yaml", path)
    before = path.read_text()
    [written] = use_in_profile(one, path)
    assert written.backup.read_text() == before
    profile = load_profile(path)
    assert profile.calibration == one.calibration
    assert calibration_hash(profile.calibration.model_dump()) == calibration_hash(one.part)
    # Everything else in the file stays to the letter, comments included.
    head, _, rest = before.partition("calibration:\n")
    assert path.read_text().startswith(head)
    assert path.read_text().endswith(rest[rest.index("\ncontrol:") :])
    use_in_profile(one, path)
    assert load_profile(path) == profile
    with pytest.raises(ProfileError, match="ships with the program"):
        use_in_profile(one, "footplate_trainer")


def test_a_profile_that_is_based_on_another_gets_a_part_of_its_own(
    one: CalibrationFile, tmp_path: Path
) -> None:
    path = tmp_path / "mine.yaml"
    before = "# mine\nbased_on: footplate_trainer.yaml   # all but the springs\n"
    path.write_text(before)
    for _ in range(2):
        use_in_profile(one, path)
        assert load_profile(path).calibration == one.calibration
        assert path.read_text().startswith(before)


def test_a_running_bench_takes_it_and_the_run_names_both(
    one: CalibrationFile, tmp_path: Path
) -> None:
    bench = LockstepBench(PROFILE)
    description = {"profile": PROFILE.model_dump(mode="json")}
    with RunWriter(tmp_path, "r", description) as writer:
        writer.rows(bench.run(0.1))
        assert bench.request(UseCalibration(calibration=one.part)).accepted
        for event in bench.events:
            writer.event(event)
        path = writer.close()
    meta = load_run(path).meta
    assert meta["active_calibration"] == named_calibration(
        PROFILE.calibration.model_dump(mode="json")
    )
    [change] = meta["calibration_changes"]
    assert change["time_s"] == pytest.approx(0.1, abs=0.01)
    assert change["active_calibration"] == {
        "identity": one.identity,
        "dated": "2026-03-04",
        "sha256": calibration_hash(one.part),
    }


def test_runs_begun_after_a_change_are_recorded_with_it(
    one: CalibrationFile, tmp_path: Path
) -> None:
    said: list[OperatorNotice] = []
    desk = WriterThread(tmp_path, said.append)
    desk.start()
    desk.describe({"profile": PROFILE.model_dump(mode="json")})
    desk.event({"kind": "start_run", "name": "before", "time_s": 0.0})
    desk.event({"kind": "calibration", "time_s": 1.0, "calibration": one.part})
    desk.event({"kind": "start_run", "name": "after", "time_s": 2.0})
    desk.end("as requested")
    desk.join(20.0)
    before, after = (load_run(run.path).meta for run in list_runs(tmp_path))
    assert before["active_calibration"]["identity"] is None
    [change] = before["calibration_changes"]
    assert change["active_calibration"]["identity"] == one.identity
    assert after["active_calibration"]["identity"] == one.identity
    assert after["calibration"] == one.part and after["calibration_changes"] == []


# -- certificate -------------------------------------------------------------------------------


class Page(html.parser.HTMLParser):
    """A page's text and the addresses that it loads from elsewhere."""

    def __init__(self) -> None:
        super().__init__()
        self.outside: list[str] = []
        self.words: list[str] = []
        self.plots = 0

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.plots += tag == "svg"
        for name, value in attrs:
            if name in ("src", "href", "xlink:href") and not str(value).startswith("#"):
                self.outside.append(str(value))

    def handle_data(self, data: str) -> None:
        self.words.append(data)


def test_the_certificate_is_one_page_with_everything_on_it(tmp_path: Path) -> None:
    file = keep_calibration(
        tmp_path,
        made_up(findings=(ERROR,)),
        profile_file="p.yaml",
        drive="drive <7>",
        simulated=True,
        note="first & <b>best</b>",
        conditions={"room_degC": 21.5},
    )
    page = Page()
    page.feed(file.path.with_suffix(".html").read_text("utf-8"))
    words = " ".join(" ".join(page.words).split())
    assert page.outside == [] and page.plots == 4
    for text in (
        file.identity,
        file.sha256,
        "drive <7>",
        "first & <b>best</b>",
        "Simulated rig",
        "Not to be used: a weight was not hung",
        "room_degC",
        "21.5",
        "Repeatability",
        "Reproducibility",
        "Reversibility",
        "Interpolation",
        "Zero error",
        "Resolution",
        "weights and arms",
        "carried out by",
        "ISO 13850",
        "JCGM 100:2008",
        "7.5 kg",
    ):
        assert text in words, text
