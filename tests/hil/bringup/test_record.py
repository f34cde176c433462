"""The bring-up record: complete after each step, readable, and safe to resume from."""

from __future__ import annotations

import dataclasses
import html.parser
from collections.abc import Generator
from pathlib import Path

import numpy as np
import pyarrow.parquet as pq
import pytest
import yaml

from drivers.base import Capabilities, Mode
from hil.bench.facts import DriveFacts, drive_facts, facts_from_dict, facts_to_dict
from hil.bench.lockstep import LockstepBench
from hil.bringup.findings import finding
from hil.bringup.procedure import bring_up
from hil.bringup.record import BringUpRecord, needed, profile_hash
from hil.bringup.record_files import RecordError, kept_plots, plot_text
from hil.bringup.step import Context, Measured, Plot, Result, Step, Trace, Verdict
from hil.bringup.steps import STEPS
from hil.control import standing
from hil.core.samples import COLUMNS, INDEX
from hil.procedures.lockstep_runner import LockstepRunner
from hil.procedures.procedure import Action, Ended, Pause, Seen
from hil.profile.loader import load_profile

PROFILE = load_profile("footplate_trainer")
FACTS = DriveFacts("a drive", {"firmware": "3"}, {"current_A": 30.0}, 0.1, 1.2, 3.0)
POWER = INDEX["power_stage"]
PLOT = Plot("noise", "time / s", "counts", (Trace("x", np.arange(5.0), np.arange(5.0)),))


def step(
    key: str, *needs: str, bad: bool = False, recheck_on_resume: bool = False, s: float = 0.02
) -> Step:
    def run(context: Context) -> Generator[Action, Seen, Result]:
        yield Pause(s)
        context.known[f"{key}_V"] = 36.0
        result = Result(key, text=f"{key} & <done>", plots=[PLOT])
        result.measured.append(Measured("supply", 36.0, "V", "31 to 42", "the profile", not bad))
        if bad:
            result.findings.append(finding("supply_low", changes={"calibration.zero": "2050"}))
        return result

    return Step(
        key,
        key.title(),
        "it waits",
        "nothing",
        "nothing",
        run,
        needs=needs,
        recheck_on_resume=recheck_on_resume,
    )


def began(folder: Path, steps: list[Step]) -> BringUpRecord:
    return BringUpRecord.begin(folder, PROFILE, "x/trainer.yaml", FACTS, steps, True)


def carried_out(record: BringUpRecord, steps: list[Step]) -> Ended:
    runner = LockstepRunner(LockstepBench(PROFILE), operator=_Nobody())
    context = record.context(PROFILE, FACTS, True)
    return runner.run(
        record.watch(bring_up(steps, context, record.passed, record.on_start, record.on_result))
    )


class _Nobody:
    holding = False

    def act(self, hand: object) -> float:
        return 0.0

    def read(self, question: object) -> float:
        return float("nan")

    def choose(self, question: object) -> str:
        return ""

    def hold_to_run(self, wanted: object) -> bool:
        return True


def verdicts(folder: Path) -> dict[str, str]:
    data = yaml.safe_load((folder / "bringup.yaml").read_text())
    return {entry["step"]: entry["verdict"] for entry in data["steps"]}


def test_what_was_done_is_on_the_disk(tmp_path: Path) -> None:
    steps = [step("a"), step("b", "a", bad=True), step("c", "b")]
    record = began(tmp_path / "r", steps)
    assert verdicts(tmp_path / "r") == dict.fromkeys("abc", "not run")
    assert carried_out(record, steps).how == "finished"
    record.close()
    data = yaml.safe_load((tmp_path / "r" / "bringup.yaml").read_text())
    assert [e["verdict"] for e in data["steps"]] == ["pass", "fail", "not run"]
    assert data["profile"]["sha256"] == profile_hash(PROFILE)
    assert data["drive"] == {"identity": "a drive", "details": {"firmware": "3"}}
    assert data["known"] == {"a_V": 36.0, "b_V": 36.0}
    assert data["proposed_changes"] == {"calibration.zero": "2050"}
    assert data["carried_out_by"] is None and data["signed"] is None
    assert data["steps"][1]["findings"][0]["code"] == "supply_low"
    table = pq.read_table(tmp_path / "r" / data["steps"][0]["samples"])
    assert table.column_names == [column.name for column in COLUMNS]
    assert table.num_rows >= 20
    cycles = np.concatenate(
        [pq.read_table(tmp_path / "r" / e["samples"])["cycle"] for e in data["steps"][:2]]
    )
    assert (np.diff(cycles) == 1).all()  # no sample between the steps is missing


def test_plots_are_drawn_again_from_what_was_kept(tmp_path: Path) -> None:
    steps = [step("a")]
    record = began(tmp_path, steps)
    carried_out(record, steps)
    record.close()
    (entry,) = record.data["steps"]
    (plot,) = kept_plots(tmp_path, entry)
    assert (plot.title, plot.x_label, plot.y_label) == (PLOT.title, PLOT.x_label, PLOT.y_label)
    assert plot.traces[0].label == "x" and np.array_equal(plot.traces[0].y, PLOT.traces[0].y)
    odd = Plot(
        "t",
        "x",
        "y",
        (Trace("a", np.array([0.0, 1.0]), np.array([np.nan, 2.0])),),
        (("low", 1.5), ("unknown", np.nan)),
    )
    (tmp_path / "evidence" / "odd.json").write_text(plot_text(odd))
    (again,) = kept_plots(tmp_path, {"plots": [{"data": "../../evidence/odd.json"}]})
    assert np.isnan(again.traces[0].y[0]) and again.traces[0].y[1] == 2.0
    assert again.levels[0] == ("low", 1.5) and np.isnan(again.levels[1][1])
    for damaged in ("", "{}", '{"title": 1, "traces": [{"label": "a", "x": [1], "y": []}]}'):
        (tmp_path / "evidence" / "odd.json").write_text(damaged)
        kept = {"plots": [{"data": "odd.json"}, {"title": "of an older record"}]}
        assert kept_plots(tmp_path, kept) == []


class _Reader(html.parser.HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.links: list[str] = []
        self.tags: list[str] = []
        self.open: list[str] = []
        self.names: list[str] = []
        self.text = ""

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        self.names += [v or "" for k, v in attrs if k == "id"]
        if tag not in ("meta", "br"):
            self.open.append(tag)
        self.links += [v or "" for k, v in attrs if k in ("src", "href", "xlink:href")]

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.handle_starttag(tag, attrs)
        if tag not in ("meta", "br"):
            self.open.pop()

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag, self.getpos()

    def handle_data(self, data: str) -> None:
        self.text += data


def test_the_page_stands_alone_and_says_it_all(tmp_path: Path) -> None:
    steps = [step("a"), step("b", bad=True)]
    record = began(tmp_path, steps)
    carried_out(record, steps)
    record.close()
    reader = _Reader()
    reader.feed((tmp_path / "bringup.html").read_text())
    assert all(link.startswith("#") for link in reader.links)  # nothing is loaded
    assert not {"script", "img", "link", "iframe"} & set(reader.tags)
    assert reader.tags.count("svg") == 2
    assert not reader.open and len(set(reader.names)) == len(reader.names)
    assert {link[1:] for link in reader.links} <= set(reader.names)
    for part in (
        "a & <done>",
        "the supply voltage is too low",
        "charge the battery",
        "supply_low",
        "carried out by",
        "date",
        "signature",
        "ISO 13850",
        "Simulated rig",
        "1 of 2 steps",
        "31 to 42",
        "calibration.zero",
        PROFILE.stop.load,
    ):
        assert part in reader.text, part


def test_resuming_proves_again_what_may_have_changed(tmp_path: Path) -> None:
    steps = [step("a"), step("b", recheck_on_resume=True), step("c", bad=True), step("d", "c")]
    record = began(tmp_path, steps)
    carried_out(record, steps)
    record.close()
    again = BringUpRecord.load(tmp_path, PROFILE, steps)
    assert again.passed == {"a", "b"} and again.known["a_V"] == 36.0
    assert [s.key for s in again.to_run()] == ["b", "c", "d"]
    corrected = [steps[0], steps[1], step("c"), steps[3]]
    again.close()
    final = BringUpRecord.load(tmp_path, PROFILE, corrected)
    carried_out(final, final.to_run())
    final.close()
    assert set(verdicts(tmp_path).values()) == {"pass"}
    assert len(yaml.safe_load((tmp_path / "bringup.yaml").read_text())["resumed"]) == 1


def test_a_step_that_fails_anew_unproves_what_relied_on_it(tmp_path: Path) -> None:
    sound = [
        step("a", recheck_on_resume=True),
        step("b", "a"),
        step("c", "b", recheck_on_resume=True),
        step("d"),
    ]
    record = began(tmp_path, sound)
    carried_out(record, sound)
    record.close()
    assert set(verdicts(tmp_path).values()) == {"pass"}
    broken = [step("a", recheck_on_resume=True, bad=True), *sound[1:]]
    again = BringUpRecord.load(tmp_path, PROFILE, broken)
    assert [s.key for s in again.to_run()] == ["a", "c"]
    carried_out(again, again.to_run())
    again.close()
    assert verdicts(tmp_path) == {"a": "fail", "b": "not run", "c": "not run", "d": "pass"}


def test_one_step_brings_what_it_needs(tmp_path: Path) -> None:
    steps = [step("a", recheck_on_resume=True), step("b", "a"), step("x"), step("c", "b")]
    record = began(tmp_path, steps)
    assert [s.key for s in record.to_reach("c")] == ["a", "b", "c"]
    carried_out(record, steps)
    assert [s.key for s in record.to_reach("c")] == ["a", "c"]
    assert [s.key for s in record.to_reach("x")] == ["x"]
    record.close()


@pytest.mark.parametrize("moment", ["step", "between"])
def test_cut_off_at_any_moment_it_can_be_gone_on_with(tmp_path: Path, moment: str) -> None:
    steps = [step("a"), step("b", s=0.5), step("c")]
    record = began(tmp_path, steps)
    context = record.context(PROFILE, FACTS, True)
    procedure = record.watch(
        bring_up(steps, context, record.passed, record.on_start, record.on_result)
    )
    seen = next(procedure)
    for _ in range(100):
        running = [e["step"] for e in record.data["steps"] if e["text"].startswith("begun")]
        done = [e["step"] for e in record.data["steps"] if e["verdict"] == Verdict.PASS]
        if running == ["b"] if moment == "step" else done == ["a"]:
            break
        seen = procedure.send(Seen())
    else:
        raise AssertionError(f"never came to it; last {seen}")
    # All entries are on the disk before the record is closed.
    record.wait()
    again = BringUpRecord.load(tmp_path, PROFILE, steps)
    assert [s.key for s in again.to_run()] == ["b", "c"]
    assert (tmp_path / "bringup.html").exists()
    again.close()
    record.close()


@pytest.mark.parametrize(
    ("change", "part"),
    [
        ({"name": "another rig"}, "record of 'footplate trainer'"),
        ({"calibration": PROFILE.calibration.model_copy(update={"zero": 2000})}, "has changed"),
    ],
)
def test_a_record_of_another_rig_is_refused(
    tmp_path: Path, change: dict[str, object], part: str
) -> None:
    began(tmp_path, [step("a")]).close()
    with pytest.raises(RecordError, match=part):
        BringUpRecord.load(tmp_path, PROFILE.model_copy(update=change), [step("a")])


def test_how_a_rig_is_simulated_is_no_part_of_its_profile(tmp_path: Path) -> None:
    assert PROFILE.simulation is not None
    made = PROFILE.simulation.model_copy(update={"injected_faults": ("bus_lossy",), "seed": 9})
    assert profile_hash(PROFILE.model_copy(update={"simulation": made})) == profile_hash(PROFILE)


@pytest.mark.parametrize(
    "text",
    [
        "",
        "a: [",
        "schema_version: 9\n",
        "schema_version: 2\nsteps: 3\n",
        "schema_version: 2\nsteps: [{}]\n",
        "\0",
    ],
)
def test_a_damaged_record_is_one_error(tmp_path: Path, text: str) -> None:
    (tmp_path / "bringup.yaml").write_text(text)
    with pytest.raises(RecordError, match=r"bringup\.yaml"):
        BringUpRecord.load(tmp_path, PROFILE, [step("a")])


def test_no_record_and_one_too_many_are_refused(tmp_path: Path) -> None:
    with pytest.raises(RecordError, match="holds no"):
        BringUpRecord.load(tmp_path, PROFILE, [step("a")])
    began(tmp_path, [step("a")]).close()
    with pytest.raises(RecordError, match="already"):
        began(tmp_path, [step("a")])


def test_a_full_disk_is_said(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    record = began(tmp_path, [step("a")])

    def refuse(_path: Path, _data: bytes) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("hil.bringup.record.write_whole", refuse)
    assert carried_out(record, [step("a")]).how == "finished"  # the rig goes first
    with pytest.raises(OSError, match="space"):
        record.close()


def test_what_goes_wrong_in_writing_is_not_lost(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    record = began(tmp_path, [step("a")])
    monkeypatch.setattr("hil.bringup.record_page.plot_svg", lambda _plot: 1 / 0)
    assert carried_out(record, [step("a")]).how == "finished"
    with pytest.raises(RecordError, match="ZeroDivisionError"):
        record.close()


def test_applied_changes_are_kept_and_no_longer_proposed(tmp_path: Path) -> None:
    steps = [step("a", bad=True)]
    record = began(tmp_path, steps)
    carried_out(record, steps)
    changed = PROFILE.model_copy(
        update={"calibration": PROFILE.calibration.model_copy(update={"zero": 2050})}
    )
    record.applied(changed, {"calibration.zero": "2050"})
    record.close()
    again = BringUpRecord.load(tmp_path, changed, steps)
    assert again.data["applied_changes"] == {"calibration.zero": "2050"}
    assert again.data["proposed_changes"] == {}
    again.close()


def test_facts_come_over_the_link_unchanged() -> None:
    capabilities = Capabilities(
        frozenset(Mode), 1.0, 3.0, 0.001, 0.1, 1.0, "d", {"a": "b"}, {"current_A": 3.0}
    )
    facts = drive_facts(capabilities, PROFILE)
    assert 0.1 < facts.bus_load < 1.0
    assert facts_from_dict(facts_to_dict(facts)) == facts
    unknown = dataclasses.replace(facts, bus_load=float("nan"))
    assert facts_to_dict(unknown)["bus_load"] is None
    assert np.isnan(facts_from_dict(facts_to_dict(unknown)).bus_load)


def test_a_step_under_power_relies_on_every_step_before_it() -> None:
    steps = {s.key: s for s in STEPS}
    before: set[str] = set()
    for s in STEPS:
        assert needed(s.key, steps) <= before, f"{s.key} relies on what comes later"
        if s.energises:
            assert needed(s.key, steps) == before, f"{s.key} may be energised without some"
        before.add(s.key)
    assert len(steps) == len(STEPS)


def test_a_real_rig_stands_verified_only_while_every_step_does(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    tmp_path.chmod(0o700)
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "state"))
    real = PROFILE.model_copy(update={"simulation": None})
    for bad, is_open in ((True, False), (False, True), (True, False)):
        steps = [step("a"), step("b", "a", bad=bad)]
        folder = tmp_path / f"r{bad}{is_open}{len(list(tmp_path.iterdir()))}"
        record = BringUpRecord.begin(folder, real, "x/trainer.yaml", FACTS, steps, False)
        carried_out(record, steps)
        record.close()
        assert standing(real).open is is_open
