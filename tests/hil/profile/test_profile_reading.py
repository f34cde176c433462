"""Files read, files refused before any key is read, and the conversion back to data."""

from __future__ import annotations

import json
import os
import random
from pathlib import Path
from typing import Any

import pytest
import yaml
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from hil.profile.loader import (
    SHIPPED,
    ProfileError,
    examine_profile,
    load_profile,
    profile_from_dict,
    profile_to_dict,
    shipped_profiles,
)
from hil.profile.schema import Polynomial, TwoSlopes
from hil.profile.source import LARGEST_BYTES, read_source

FOOTPLATE = (SHIPPED / "footplate_trainer.yaml").read_text()


def refused(path: Path) -> ProfileError:
    with pytest.raises(ProfileError) as caught:
        load_profile(path)
    return caught.value


@pytest.mark.parametrize("name", ["footplate_trainer", "bench_slide"])
def test_shipped_profiles_load_without_warnings(name: str) -> None:
    assert name in shipped_profiles()
    examined = examine_profile(name)
    assert [str(problem) for problem in examined.problems] == []
    assert examined.profile == load_profile(SHIPPED / f"{name}.yaml")


def test_values_are_si_as_the_demo_scenario_has_them() -> None:
    profile = load_profile("footplate_trainer")
    actuator, rig = profile.actuator, profile.rig
    assert actuator.screw.lead == pytest.approx(0.010)
    assert actuator.motor.torque_constant == pytest.approx(0.09)
    assert actuator.motor.rotor_inertia == pytest.approx(1.2e-4)
    assert actuator.stroke == pytest.approx(0.055)
    assert actuator.springs.rate_per_set == pytest.approx(60e3)
    assert actuator.springs.preload == pytest.approx(0.003)
    assert actuator.springs.solid_deflection == pytest.approx(0.009)
    assert rig.kind == "lever"
    assert (rig.rod_arm, rig.load_arm) == pytest.approx((0.060, 0.420))
    assert rig.weights == pytest.approx((2.5, 5.0, 7.5))
    assert profile.sensors.deflection.bits == 12
    assert profile.sensors.deflection.span == pytest.approx(0.015)
    assert profile.sensors.motor.counts_per_revolution == 4096
    assert profile.calibration.deflection_per_count == pytest.approx(0.015 / 4096)
    assert isinstance(profile.calibration.spring_law, TwoSlopes)
    assert profile.limits.supply.low == pytest.approx(31.0)
    assert profile.limits.drive_temperature.tripped == pytest.approx(85.0)
    assert profile.limits.damping == pytest.approx(1000.0)
    assert isinstance(load_profile("bench_slide").calibration.spring_law, Polynomial)


@pytest.mark.parametrize("name", ["footplate_trainer", "bench_slide"])
def test_dumped_profile_comes_back_the_same(name: str) -> None:
    profile = load_profile(name)
    text = json.dumps(profile_to_dict(profile), allow_nan=False)
    assert profile_from_dict(json.loads(text)) == profile
    # A lead of 10 mm is 0.01 in the dump; in a person's file the unit is still required.
    assert json.loads(text)["actuator"]["screw"]["lead"] == profile.actuator.screw.lead


def test_data_that_is_no_dump_is_refused() -> None:
    data = profile_to_dict(load_profile("footplate_trainer"))
    data["actuator"]["screw"]["led"] = data["actuator"]["screw"].pop("lead")
    with pytest.raises(ProfileError, match="did you mean 'lead'"):
        profile_from_dict(data)
    wrongs: tuple[Any, ...] = (None, [], "text", {})
    for wrong in wrongs:
        with pytest.raises(ProfileError):
            profile_from_dict(wrong)


def test_unknown_name_lists_what_is_shipped() -> None:
    error = refused(Path("footplate_traner"))
    assert "did you mean 'footplate_trainer'" in error.fix
    assert "bench_slide" in error.fix
    assert "no such file" in str(error)


def test_bare_name_works_from_anywhere(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    assert load_profile("footplate_trainer").name == "footplate trainer"
    # A file in the working directory takes precedence.
    Path("footplate_trainer.yaml").write_text("name: [\n")
    with pytest.raises(ProfileError):
        load_profile("footplate_trainer.yaml")


BROKEN = [
    ("", 1, "empty", "shipped profile"),
    ("# only a comment\n", 1, "empty", "shipped profile"),
    ("just words\n", 1, "not a mapping", "key: value"),
    ("- 1\n- 2\n", 1, "not a mapping", "key: value"),
    ("name: x\n\tdescription: y\n", 2, "tab", "spaces"),
    ("name: x\nlimits:\n\tforce: 3\n", 3, "tab", "spaces"),
    ("name: x\nlimits: {a: 1\n", 3, "not YAML", "brackets"),
    ("name: 'x\n", 2, "not YAML", "quotes"),
    ("name: a: b\n", 1, "not YAML", "colons"),
    ("name: x\nname: y\n", 2, "repeated here, first in line 1", "keep one"),
    (
        "limits:\n  force: 1\n  speed: 2\n  force: 3\n",
        4,
        "repeated here, first in line 2",
        "keep one",
    ),
    ("---\nname: x\n---\nname: y\n", 3, "more than one document", "keep one"),
    ("name: !!python/object/apply:os.system ['true']\n", 1, "tag", "leave the tag out"),
    ("name: !mine x\n", 1, "tag", "leave the tag out"),
    ("a: !!int x\n", 1, "does not fit", "leave the tag out"),
    ("a: !!bool 3\n", 1, "does not fit", "leave the tag out"),
    ("a: *nowhere\n", 1, "undefined alias", "write the value out"),
    ("a: &x [*x]\n", 1, "too many values", "write the values out"),
    ("a: &x {b: 1}\nc:\n  <<: *x\n", 3, "merge keys", "write the values out"),
    ("? [a, b]\n: 1\n", 1, "one word", "key: value"),
    ("a: " + "[" * 3000 + "\n", 1, "deep", "flatter"),
    ("a: " + "[" * 100 + "]" * 100 + "\n", 1, "too many values", "write the values out"),
    ("name: x\nb: \x07\n", 2, "control character U+0007", "text file"),
]


@pytest.mark.parametrize(("text", "line", "what", "fix"), BROKEN, ids=[b[2] for b in BROKEN])
def test_broken_file_is_named(tmp_path: Path, text: str, line: int, what: str, fix: str) -> None:
    file = tmp_path / "broken.yaml"
    file.write_text(text)
    problem = refused(file).problems[0]
    assert problem.file == str(file)
    assert problem.line == line
    assert what in problem.what, problem.what
    assert fix in problem.fix, problem.fix


def test_aliases_that_multiply_are_refused(tmp_path: Path) -> None:
    lines = ["a0: &a0 [x, x, x, x, x, x, x, x, x]"]
    lines += [f"a{i}: &a{i} [{', '.join([f'*a{i - 1}'] * 9)}]" for i in range(1, 10)]
    file = tmp_path / "bomb.yaml"
    file.write_text("\n".join(lines))
    assert "too many values" in str(refused(file))


def test_honest_aliases_are_read(tmp_path: Path) -> None:
    file = tmp_path / "alias.yaml"
    file.write_text("a: &x 5 mm\nb: *x\n")
    assert read_source(file, "alias.yaml").data == {"a": "5 mm", "b": "5 mm"}


def test_scalars_are_those_of_yaml_1_2(tmp_path: Path) -> None:
    file = tmp_path / "scalars.yaml"
    lines = ["a: on", "b: 12:30", "c: 2026-01-15", "d: 1e-4", "e: 017", "f: true", "g: ~", "h: no"]
    file.write_text("\n".join([*lines, "i: 1."]))
    assert read_source(file, "s").data == {
        "a": "on",
        "b": "12:30",
        "c": "2026-01-15",
        "d": 1e-4,
        "e": 17,
        "f": True,
        "g": None,
        "h": "no",
        "i": 1.0,
    }


def test_files_that_are_no_text(tmp_path: Path) -> None:
    file = tmp_path / "binary.yaml"
    file.write_bytes(b"name: x\n\xff\xfe\x00\x80")
    assert (refused(file).line, "not UTF-8" in str(refused(file))) == (2, True)
    file.write_bytes("name: x\n".encode("utf-16"))
    assert "UTF-8" in str(refused(file))
    file.write_bytes(b"#" * (LARGEST_BYTES + 1))
    assert "larger than 256 kB" in str(refused(file))
    assert "directory" in str(refused(tmp_path))
    assert "no such file" in str(refused(tmp_path / "none.yaml"))
    assert "cannot be read" in str(refused(Path("a" * 5000)))
    pipe = tmp_path / "pipe.yaml"
    os.mkfifo(pipe)
    assert "not a plain file" in str(refused(pipe))
    with pytest.raises(ProfileError):
        load_profile("null\0byte.yaml")


def test_a_file_that_fails_while_it_is_read() -> None:
    # Address 0 of a process is never mapped, so that root gets an input error as well.
    assert "cannot be read" in str(refused(Path("/proc/self/mem")))


def test_a_byte_order_mark_is_no_mistake(tmp_path: Path) -> None:
    file = tmp_path / "marked.yaml"
    file.write_text(FOOTPLATE, encoding="utf-8-sig")
    assert load_profile(file) == load_profile("footplate_trainer")


def test_windows_line_ends_are_no_mistake(tmp_path: Path) -> None:
    file = tmp_path / "crlf.yaml"
    file.write_bytes(FOOTPLATE.replace("\n", "\r\n").encode())
    assert load_profile(file) == load_profile("footplate_trainer")


def test_file_in_several_parts_equals_file_in_one(tmp_path: Path) -> None:
    text = FOOTPLATE
    for key, part in (("actuator", "actuators/footplate"), ("rig", "rigs/footplate_lever")):
        inner = (SHIPPED / f"{part}.yaml").read_text()
        indented = "".join(f"  {line}\n" for line in inner.splitlines())
        text = text.replace(f"{key}: {part}.yaml\n", f"{key}:\n{indented}")
    file = tmp_path / "one.yaml"
    file.write_text(text)
    assert load_profile(file) == load_profile("footplate_trainer")


SCALARS = st.one_of(
    st.none(),
    st.booleans(),
    st.integers(),
    st.floats(),
    st.text(max_size=12),
    st.sampled_from(
        [
            "0 N",
            "-5 mm",
            "1e30 N/mm",
            "1e-30 kg",
            "nan V",
            "inf s",
            "5 mm",
            "1 degC",
            "a.yaml",
            "lever",
            "linear",
            "polynomial",
            "bound",
            "9**9**9 m",
            "3 m/0",
        ]
    ),
)
VALUES = st.recursive(
    SCALARS,
    lambda inner: st.one_of(
        st.lists(inner, max_size=3), st.dictionaries(st.text(max_size=5), inner, max_size=3)
    ),
    max_leaves=6,
)


def _paths(value: object, path: tuple[object, ...] = ()) -> list[tuple[object, ...]]:
    here = [path] if path else []
    if isinstance(value, dict):
        return here + [p for k, v in value.items() for p in _paths(v, (*path, k))]
    if isinstance(value, list):
        return here + [p for i, v in enumerate(value) for p in _paths(v, (*path, i))]
    return here


def _whole(name: str) -> dict[str, object]:
    data = yaml.safe_load((SHIPPED / f"{name}.yaml").read_text())
    for key in ("actuator", "rig", "drive"):
        if isinstance(data[key], str):
            data[key] = yaml.safe_load((SHIPPED / data[key]).read_text())
    return data


@settings(
    max_examples=100, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(
    name=st.sampled_from(["footplate_trainer", "bench_slide"]),
    picks=st.lists(
        st.tuples(st.floats(0, 0.999), st.sampled_from(["set", "del", "rename"]), VALUES),
        min_size=1,
        max_size=4,
    ),
)
def test_a_mutated_profile_raises_nothing_but_profile_error(
    tmp_path: Path, name: str, picks: list[tuple[float, str, object]]
) -> None:
    data = _whole(name)
    for share, what, value in picks:
        paths = _paths(data)
        if not paths:
            break
        *up, last = paths[int(share * len(paths))]
        holder: object = data
        for part in up:
            holder = holder[part]  # type: ignore[index]
        if what == "set":
            holder[last] = value  # type: ignore[index]
        elif what == "rename" and isinstance(holder, dict):
            holder[f"{last}x"] = holder.pop(last)
        else:
            del holder[last]  # type: ignore[attr-defined]
    file = tmp_path / "mutated.yaml"
    file.write_text(yaml.safe_dump(data, sort_keys=False, allow_unicode=True))
    _raises_only_profile_error(file)


@settings(
    max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(seed=st.integers(0, 2**32), changes=st.integers(1, 12))
def test_scrambled_text_raises_nothing_but_profile_error(
    tmp_path: Path, seed: int, changes: int
) -> None:
    random_ = random.Random(seed)
    text = bytearray(FOOTPLATE.encode())
    for _ in range(changes):
        at = random_.randrange(len(text))
        text[at : at + random_.randrange(3)] = random_.choice(
            [b"\t", b"{", b"]", b": ", b"\n", b"&a ", b"*a", b"- ", b"\xff", b"9", b"'", b""]
        )
    file = tmp_path / "scrambled.yaml"
    file.write_bytes(bytes(text))
    _raises_only_profile_error(file)


def _raises_only_profile_error(file: Path) -> None:
    try:
        load_profile(file)
    except ProfileError as error:
        assert error.problems
        for problem in error.problems:
            assert problem.what and problem.fix, problem
            assert "\n" not in str(problem)
            assert str(problem).startswith(problem.file)
        json.dumps(error.as_data())
