"""Writing values back changes these values and no other character."""

from __future__ import annotations

import difflib
import shutil
from pathlib import Path

import pytest
import yaml
from hypothesis import given, settings
from hypothesis import strategies as st

from hil.profile.loader import SHIPPED, load_profile
from hil.profile.problems import ProfileError
from hil.profile.write_back import edited, write_back


@pytest.fixture
def own(tmp_path: Path) -> Path:
    """Return the path of a user's own copy of the trainer's profile with all its parts."""
    shutil.copytree(SHIPPED, tmp_path / "mine")
    return tmp_path / "mine" / "footplate_trainer.yaml"


def changed_lines(before: str, after: str) -> list[str]:
    return [d for d in difflib.ndiff(before.splitlines(), after.splitlines()) if d[0] in "+-"]


def test_values_go_to_the_file_that_holds_them(own: Path) -> None:
    screw = own.parent / "actuators" / "footplate.yaml"
    before = own.read_text(), screw.read_text()
    written = write_back(
        own,
        {
            "actuator.screw.lead": "5 mm",
            "calibration.zero": "2051.5",
            "limits.travel.lower": "3 mm",
            "limits.speed.limited": "200 mm/s",
        },
    )
    profile = load_profile(own)
    assert profile.actuator.screw.lead == pytest.approx(0.005)
    assert profile.calibration.zero == 2051.5
    assert profile.limits.travel.lower == pytest.approx(0.003)
    assert profile.limits.speed.limited == pytest.approx(0.2)
    assert changed_lines(before[1], screw.read_text()) == ["-   lead: 10 mm", "+   lead: 5 mm"]
    assert changed_lines(before[0], own.read_text()) == [
        "-   zero: 2048                 # counts at no load",
        "+   zero: 2051.5                 # counts at no load",
        "-     lower: 2 mm",
        "+     lower: 3 mm",
        "-   speed: {limited: 250 mm/s, tripped: 320 mm/s}",
        "+   speed: {limited: 200 mm/s, tripped: 320 mm/s}",
    ]
    assert {w.file for w in written} == {own, screw}
    assert {w.backup.read_text() for w in written} == set(before)


def test_a_missing_key_is_put_at_the_end_of_its_mapping(own: Path) -> None:
    before = own.read_text()
    write_back(own, {"control.current_loop_lag": "1 ms"})
    assert changed_lines(before, own.read_text()) == ["+   current_loop_lag: 1 ms"]
    after = own.read_text()
    assert after.index("predictor:") < after.index("current_loop_lag:") < after.index("limits:")
    assert load_profile(own).control.current_loop_lag == pytest.approx(0.001)


@pytest.mark.parametrize(
    ("changes", "part"),
    [
        ({"limits.speed.limited": "20 kg"}, "speed"),
        ({"limits.speed.limited": "900 mm/s"}, "speed"),
        ({"limits.sped.limited": "200 mm/s"}, "sped"),
        ({"calibration.zero": "2050", "actuator.screw.lead": "-5 mm"}, "lead"),
        ({"calibration": "2050"}, "calibration"),
        ({"actuator": "x"}, "actuator"),
        ({"rig.weights[7]": "1 kg"}, "weights"),
        ({"name": "two\nlines"}, "name"),
        ({"": "1"}, "not a key"),
    ],
)
def test_what_makes_no_valid_profile_changes_nothing(
    own: Path, changes: dict[str, str], part: str
) -> None:
    def everything() -> dict[str, bytes]:
        return {str(f): f.read_bytes() for f in own.parent.rglob("*") if f.is_file()}

    before = everything()
    with pytest.raises(ProfileError, match=part):
        write_back(own, changes)
    assert everything() == before


def test_the_shipped_profile_is_not_touched() -> None:
    with pytest.raises(ProfileError, match="copy the profile"):
        write_back("footplate_trainer", {"calibration.zero": "2050"})


def test_a_part_beside_which_nothing_lies_is_the_shipped_one_and_stays(tmp_path: Path) -> None:
    mine = tmp_path / "mine.yaml"
    shutil.copy(SHIPPED / "footplate_trainer.yaml", mine)
    with pytest.raises(ProfileError, match="ships with"):
        write_back(mine, {"actuator.screw.lead": "5 mm"})


def test_line_ends_and_byte_order_mark_stay(own: Path) -> None:
    own.write_bytes(b"\xef\xbb\xbf" + own.read_bytes().replace(b"\n", b"\r\n"))
    before = own.read_bytes()
    write_back(own, {"calibration.zero": "2050", "control.current_loop_lag": "1 ms"})
    assert own.read_bytes() == before.replace(b"zero: 2048", b"zero: 2050").replace(
        b"predictor: true\r\n", b"predictor: true\r\n  current_loop_lag: 1 ms\r\n"
    )


def test_a_full_disk_changes_neither_file(own: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    screw = own.parent / "actuators" / "footplate.yaml"
    before = own.read_bytes(), screw.read_bytes(), sorted(own.parent.rglob("*"))
    replace = Path.replace

    def refuse(part: Path, target: Path) -> Path:
        if target == screw:
            raise OSError(28, "No space left on device")
        return replace(part, target)

    monkeypatch.setattr(Path, "replace", refuse)
    with pytest.raises(OSError, match="space"):
        write_back(own, {"calibration.zero": "2050", "actuator.screw.lead": "5 mm"})
    assert (own.read_bytes(), screw.read_bytes(), sorted(own.parent.rglob("*"))) == before


def test_an_anchored_value_is_not_touched() -> None:
    text = "a: &x 5\nb: *x\nc: &m {d: 1}\ne: *m\n"
    for path in (("a",), ("b",), ("c", "d"), ("e", "d"), ("e", "f")):
        with pytest.raises(ProfileError, match="anchor"):
            edited(text, path, "6")


@pytest.mark.parametrize(
    ("text", "path", "result"),
    [
        ("a:\nb: 1\n", ("a",), "a: 7\nb: 1\n"),
        ("a:   # why\nb: 1\n", ("a", "c"), "a: {c: 7}   # why\nb: 1\n"),
        ("a: {}\n", ("a", "b", "c"), "a: {b: {c: 7}}\n"),
        ("a: {b: 1,}  # x", ("a", "c"), "a: {b: 1, c: 7}  # x"),
        (
            "a:\n    b: 1  # one\n\n# two\nc: 2",
            ("a", "d", "e"),
            "a:\n    b: 1  # one\n    d:\n      e: 7\n\n# two\nc: 2",
        ),
        ("a: 1", ("b",), "a: 1\nb: 7"),
        ("a:\n  b: |\n    text\n  \nc: 2\n", ("a", "d"), None),
        (
            "a:\n  - b: 1\n    c: 2\n  - 3\n",
            ("a", 0, "d"),
            "a:\n  - b: 1\n    c: 2\n    d: 7\n  - 3\n",
        ),
        ("a: 'x''y' # c\n", ("a",), "a: 7 # c\n"),
        ('a: "x\n  y"\nb: 2\n', ("a",), "a: 7\nb: 2\n"),
        ("a: >-\n  long\n  text\nb: 2\n", ("a",), "a: 7\nb: 2\n"),
    ],
)
def test_each_form_of_yaml(text: str, path: tuple[str | int, ...], result: str | None) -> None:
    new = edited(text, path, "7")
    if result is not None:
        assert new == result
    value = yaml.safe_load(new)
    for part in path:
        value = value[part]
    assert value == 7


words = st.text("abcdefgh_", min_size=1, max_size=5)
scalars = st.one_of(
    st.integers(-999, 999).map(str),
    st.sampled_from(["5 mm", "0.25 N*m", "'a: b'", '"q # r"', "left", "true", "~", "1e-4 kg*m^2"]),
)
comments = st.sampled_from(["", "  # why", "   # a: b {c}"])


@st.composite
def mappings(draw: st.DrawFn, depth: int = 0) -> list[tuple[str, object]]:
    keys = draw(st.lists(words, min_size=1, max_size=4, unique=True))
    values: list[tuple[str, object]] = []
    for key in keys:
        if depth < 2 and draw(st.integers(0, 2)) == 0:
            values.append((key, draw(mappings(depth + 1))))
        else:
            values.append((key, draw(scalars)))
    return values


def written(draw: st.DrawFn, mapping: list[tuple[str, object]], column: int) -> list[str]:
    lines: list[str] = []
    for key, value in mapping:
        if draw(st.integers(0, 4)) == 0:
            lines.append(" " * draw(st.integers(0, 6)) + "# note")
        head = " " * column + key + ":"
        if isinstance(value, list):
            if draw(st.booleans()):
                lines.append(head + " " + flow(value) + draw(comments))
            else:
                lines.append(head + draw(comments))
                lines += written(draw, value, column + draw(st.integers(1, 4)))
        else:
            lines.append(f"{head} {value}" + draw(comments))
    return lines


def flow(value: object) -> str:
    if isinstance(value, list):
        return "{" + ", ".join(f"{k}: {flow(v)}" for k, v in value) + "}"
    return str(value)


def paths(mapping: list[tuple[str, object]], to: tuple[str, ...] = ()) -> list[tuple[str, ...]]:
    found = []
    for key, value in mapping:
        found += paths(value, (*to, key)) if isinstance(value, list) else [(*to, key)]
    return found


@settings(max_examples=150, deadline=None)
@given(data=st.data())
def test_any_value_set_reads_back_and_every_comment_stays(data: st.DataObject) -> None:
    mapping = data.draw(mappings())
    ending = data.draw(st.sampled_from(["\n", "\r\n"]))
    lines: list[str] = data.draw(st.composite(lambda draw: written(draw, mapping, 0))())
    text = ending.join(lines) + data.draw(st.sampled_from(["", ending]))
    path = data.draw(st.sampled_from(paths(mapping)))
    if data.draw(st.booleans()):
        path = (*path[:-1], "new_key_0", *data.draw(st.sampled_from([(), ("inner",)])))
    value = data.draw(st.sampled_from(["7", "1.5 mm", "a: b", "[x", "- y", "it's # so", "{z}"]))
    new = edited(text, path, value)
    expected, got = yaml.safe_load(text), yaml.safe_load(new)
    here, there = expected, got
    for part in path[:-1]:
        here, there = here.setdefault(part, {}), there[part]
    assert str(there[path[-1]]) == value
    here[path[-1]] = there[path[-1]]
    assert got == expected
    assert _comments(new) == _comments(text)
    assert new.count("\r\n") == (new.count("\n") if ending in text and ending == "\r\n" else 0)


def _comments(text: str) -> list[str]:
    notes = ("# note", "  # why", "   # a: b")
    return [
        line[line.index(note) :].strip()
        for line in text.splitlines()
        for note in notes
        if note in line
    ]


_VALUE = st.floats(48.0, 72.0).map(lambda x: f"{x:.5g} N/mm")


@settings(max_examples=20, deadline=None)
@given(value=_VALUE)
def test_any_measured_rate_reads_back(value: str, tmp_path_factory: pytest.TempPathFactory) -> None:
    folder = tmp_path_factory.mktemp("profile")
    shutil.copytree(SHIPPED, folder / "mine")
    own = folder / "mine" / "footplate_trainer.yaml"
    write_back(own, {"actuator.springs.rate_per_set": value})
    assert load_profile(own).actuator.springs.rate_per_set == pytest.approx(
        1e3 * float(value.split()[0])
    )
