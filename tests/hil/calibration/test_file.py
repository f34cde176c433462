"""A calibration on file: whole, unchanged, of this rig, and written into the profile unaltered."""

from __future__ import annotations

import contextlib
import hashlib
import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow.parquet as pq
import pytest
import yaml
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from hil.calibration import calibration_file
from hil.calibration.archive import content_of
from hil.calibration.calibration_file import (
    CalibrationFile,
    CalibrationFileError,
    check_belongs,
    check_samples,
    list_calibrations,
    load_calibration,
    write_calibration,
)
from hil.calibration.comparison import compare, counts_for
from hil.profile.loader import load_profile
from hil.profile.schema import Profile
from tests.hil.calibration.kept_files import ERROR, MADE, kept
from tests.hil.calibration.made_up import PROFILE, made_up


@pytest.fixture(scope="module")
def one(tmp_path_factory: pytest.TempPathFactory) -> CalibrationFile:
    return kept(tmp_path_factory.mktemp("one"))


def test_a_file_holds_all_that_was_found(one: CalibrationFile) -> None:
    result = made_up()
    assert one.path.name == "20260304-050607-footplate-trainer.yaml"
    read = load_calibration(one.path, PROFILE)
    content = read.content
    assert content.points.column("load_N") == [p.load_N for p in result.points]
    assert content.points.column("reading_counts") == [p.reading_counts for p in result.points]
    assert content.points.column("part_gravity_N") == [p.parts["gravity"] for p in result.points]
    assert result.fit is not None and result.budget is not None
    np.testing.assert_array_equal(content.law.covariance, result.fit.covariance)
    assert content.uncertainty == result.budget.table
    assert content.conditions == {
        "loads": "weights on the lever",
        "gravity_m_s2": 9.80665,
        "supply_V": 36.0,
    }
    # The profile's part is the result, with date and identity.
    assert result.calibration is not None
    assert read.calibration == result.calibration.model_copy(
        update={"dated": "2026-03-04", "identity": read.identity}
    )
    assert read.identity.startswith("20260304-050607-footplate-trainer sha256:")
    assert read.sha256.startswith(read.identity.rpartition(":")[2])


def test_the_hash_is_one_that_anybody_can_take(one: CalibrationFile) -> None:
    """The hash covers JSON with sorted keys and no blanks, without hash and identity."""
    data = yaml.safe_load(one.path.read_text("utf-8"))
    stored = data.pop("sha256")
    del data["calibration"]["identity"]
    text = json.dumps(data, sort_keys=True, separators=(",", ":"), ensure_ascii=False)
    assert hashlib.sha256(text.encode()).hexdigest() == stored


def test_raw_samples_lie_beside_it_and_are_checked(tmp_path: Path) -> None:
    file = kept(tmp_path)
    assert file.content.samples is not None
    beside = tmp_path / file.content.samples.file
    table = pq.read_table(beside)
    points = table.column("point").to_numpy()
    counts = table.column("deflection_counts").to_numpy()
    for number, mean in enumerate(file.content.points.column("reading_counts")):
        assert counts[points == number].mean() == pytest.approx(mean, abs=1e-3)
    check_samples(file)
    beside.write_bytes(beside.read_bytes()[:-1] + b"?")
    with pytest.raises(CalibrationFileError, match="were changed"):
        check_samples(file)
    beside.unlink()
    with pytest.raises(CalibrationFileError, match="cannot be read"):
        check_samples(file)


def test_nothing_half_written_and_no_file_twice(tmp_path: Path) -> None:
    first, second = kept(tmp_path), kept(tmp_path, note="again")
    assert first.path.name != second.path.name and first.sha256 != second.sha256
    assert not [p for p in tmp_path.iterdir() if p.name.startswith(".")]
    assert [f.path.name for f in list_calibrations(tmp_path)] == sorted(
        (first.path.name, second.path.name)
    )
    with pytest.raises(CalibrationFileError, match="no force law"):
        result = made_up(findings=(ERROR,))
        content_of(
            type(result)(**{**vars(result), "calibration": None}),
            profile_file="p",
            drive="d",
            simulated=True,
        )


# -- refused -----------------------------------------------------------------------------------


def every_value(data: Any, path: tuple[Any, ...] = ()) -> list[tuple[Any, ...]]:
    if isinstance(data, dict):
        return [p for k, v in data.items() for p in every_value(v, (*path, k))]
    if isinstance(data, list):
        return [p for i, v in enumerate(data) for p in every_value(v, (*path, i))]
    return [path]


def test_any_value_that_was_changed_is_noticed(one: CalibrationFile, tmp_path: Path) -> None:
    text = one.path.read_text("utf-8")
    data = yaml.load(text, Loader=yaml.CSafeLoader)
    paths = every_value(data)
    rng = np.random.default_rng(1)
    chosen = {paths[i] for i in rng.choice(len(paths), 15, replace=False)}
    chosen |= {("sha256",), ("name",), ("calibration", "identity"), ("calibration", "zero")}
    for path in chosen:
        changed = yaml.load(text, Loader=yaml.CSafeLoader)
        part = changed
        for key in path[:-1]:
            part = part[key]
        old = part[path[-1]]
        part[path[-1]] = f"{old}x" if isinstance(old, str) else 1.0 if old is None else old + 1
        file = tmp_path / "changed.yaml"
        file.write_text(yaml.dump(changed, Dumper=yaml.CSafeDumper))
        with pytest.raises(
            CalibrationFileError, match=r"changed after|schema_version|damaged"
        ) as told:
            load_calibration(file)
        assert "\n" not in str(told.value)
    # Comments and order do not change the hash.
    file.write_text("# mine\n" + yaml.dump(data, sort_keys=True))
    assert load_calibration(file).sha256 == one.sha256


def other_arm(profile: Profile) -> Profile:
    rig = profile.rig.model_copy(update={"rod_arm": 0.066})
    return profile.model_copy(update={"rig": rig})


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (lambda p: load_profile("bench_slide"), "not of 'bench slide'"),
        (other_arm, "rig.rod_arm was 0.06, is 0.066"),
        (
            lambda p: p.model_copy(
                update={
                    "sensors": p.sensors.model_copy(
                        update={"deflection": p.sensors.deflection.model_copy(update={"bits": 11})}
                    )
                }
            ),
            "sensors.deflection.bits was 12, is 11",
        ),
    ],
)
def test_one_of_another_rig_is_refused(
    change: Callable[[Profile], Profile], words: str, one: CalibrationFile
) -> None:
    with pytest.raises(CalibrationFileError) as told:
        load_calibration(one.path, change(PROFILE))
    assert words in str(told.value) and "\n" not in str(told.value)


def test_what_the_law_does_not_rest_on_may_change(one: CalibrationFile) -> None:
    weights = PROFILE.rig.model_copy(update={"weights": (1.0,)})
    control = PROFILE.control.model_copy(update={"force_bandwidth": 20.0})
    check_belongs(one, PROFILE.model_copy(update={"rig": weights, "control": control}))


def test_one_with_an_error_is_kept_and_not_used(tmp_path: Path) -> None:
    file = kept(tmp_path, findings=(ERROR,))
    assert load_calibration(file.path).errors
    with pytest.raises(CalibrationFileError, match="a weight was not hung; hang it and repeat"):
        check_belongs(file, PROFILE)


@settings(
    max_examples=100, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(data=st.data())
def test_whatever_the_file_holds_there_is_one_clear_error(
    data: st.DataObject, one: CalibrationFile, tmp_path: Path
) -> None:
    raw = one.path.read_bytes()
    at = data.draw(st.integers(0, len(raw)))
    kind = data.draw(st.sampled_from(["cut", "put", "whole", "part"]))
    file = tmp_path / "broken.yaml"
    if kind == "cut":
        file.write_bytes(raw[:at])
    elif kind == "put":
        put = data.draw(st.binary(min_size=1, max_size=8))
        file.write_bytes(raw[:at] + put + raw[at + len(put) :])
    elif kind == "whole":
        file.write_bytes(data.draw(st.binary(max_size=80)))
    else:
        # A wrong value under a matching hash: the models must refuse it.
        top = yaml.load(raw, Loader=yaml.CSafeLoader)
        inside = top
        for key in (path := data.draw(st.sampled_from(every_value(top))))[:-1]:
            inside = inside[key]
        wrong = st.none() | st.integers() | st.floats() | st.text(max_size=5) | st.just([[1]])
        inside[path[-1]] = data.draw(wrong)
        _seal(top)
        file.write_text(yaml.dump(top))
    try:
        read = load_calibration(file)
    except CalibrationFileError as error:
        assert "\n" not in str(error) and len(str(error)) < 600
    else:
        assert kind == "part" or read.sha256 == one.sha256


def _seal(top: dict[str, Any]) -> None:
    """Store the matching hash."""
    top.pop("sha256", None)
    with contextlib.suppress(TypeError, ValueError):
        top["sha256"] = calibration_file._hash(top)
        top["calibration"]["identity"] = calibration_file.identity_of(top["name"], top["sha256"])


def test_a_bomb_of_aliases_is_not_unfolded(tmp_path: Path) -> None:
    file = tmp_path / "bomb.yaml"
    file.write_text(
        "a: &a [x, x]\n"
        + "".join(
            f"k{i}: &k{i} [*{'a' if i == 0 else f'k{i - 1}'}, *{'a' if i == 0 else f'k{i - 1}'}]\n"
            for i in range(60)
        )
    )
    for text in (file.read_text(), "[" * 5000):
        file.write_text(text)
        with pytest.raises(CalibrationFileError, match="damaged"):
            load_calibration(file)
    with pytest.raises(CalibrationFileError, match="no such file"):
        load_calibration(tmp_path / "none.yaml")


@settings(
    max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(note=st.text(max_size=40), zero=st.floats(1900, 2200))
@example(note="one\u0085two\u2028three\nfour", zero=2048.0)
def test_what_is_written_reads_back(note: str, zero: float, tmp_path: Path) -> None:
    content = content_of(
        made_up(raw=False), profile_file="p.yaml", drive="d", simulated=False, note=note
    )
    content["calibration"] = {**content["calibration"], "zero": zero}
    content["points"]["rows"] = content["points"]["rows"][:2]
    file = write_calibration(tmp_path, content, (), MADE)
    assert file.content.note == note.encode("utf-8", "replace").decode()
    assert load_calibration(file.path).calibration.zero == zero


# -- two files compared ------------------------------------------------------------------------


def test_comparing_finds_what_was_changed(tmp_path: Path) -> None:
    a = kept(tmp_path, raw=False)
    same = compare(a, kept(tmp_path, raw=False, note="same"))
    assert np.abs(same.difference_N).max() < 1e-6 and same.agree and same.zero_counts == 0
    moved = compare(a, kept(tmp_path, raw=False, zero=2050.0))
    # Ten counts of 15 mm / 4096: at 120 N/mm below the knee, at half that rate beyond.
    count_N = 120.0 * 15.0 / 4096
    assert moved.zero_counts == 10.0 and moved.zero_N == pytest.approx(10 * count_N)
    np.testing.assert_allclose(moved.difference_N[2:20], -10 * count_N, rtol=1e-6)
    assert moved.difference_N[-1] == pytest.approx(-5 * count_N, rel=1e-6)
    assert not moved.agree
    stiffer = compare(a, kept(tmp_path, raw=False, stiffer=1.01))
    np.testing.assert_allclose(stiffer.difference_N, 0.01 * stiffer.force_N, atol=1e-6)
    u = np.array([a.law.u95(f) for f in stiffer.force_N]) / 2
    np.testing.assert_allclose(stiffer.u_N, np.sqrt(2) * u)


@given(force=st.floats(-700, 700))
def test_the_reading_of_a_force_gives_that_force(force: float, one: CalibrationFile) -> None:
    law = one.law
    assert law.force(law.deflection(counts_for(law, force))) == pytest.approx(force, abs=1e-6)


# -- use ---------------------------------------------------------------------------------------
