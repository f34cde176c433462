"""Profiles with one mistake each, and the error that must name it."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from hil.profile.loader import SHIPPED, Problem, ProfileError, load_profile

FOOTPLATE = (SHIPPED / "footplate_trainer.yaml").read_text()
# Old text, new text, part of the new text in the reported line, key, what, fix.
Mistake = tuple[str, str, str, str, str, str]


def edited(text: str, old: str, new: str) -> str:
    assert text.count(old) == 1, f"{old!r} stands {text.count(old)} times"
    return text.replace(old, new)


def problems_of(path: Path) -> list[Problem]:
    with pytest.raises(ProfileError) as caught:
        load_profile(path)
    assert str(caught.value).splitlines() == [str(p) for p in caught.value.problems]
    return caught.value.problems


def line_of(text: str, part: str) -> int:
    assert text.count(part) == 1, f"{part!r} stands {text.count(part)} times"
    return text[: text.index(part)].count("\n") + 1


def one_is_named(tmp_path: Path, mistake: Mistake) -> None:
    """Assert one problem of the key: file, line, what is wrong, and the fix."""
    old, new, part, key, what, fix = mistake
    text = edited(FOOTPLATE, old, new)
    file = tmp_path / "profile.yaml"
    file.write_text(text)
    problems = problems_of(file)
    found = [p for p in problems if p.key == key and re.search(what, p.what)]
    assert len(found) == 1, [str(p) for p in problems]
    problem = found[0]
    assert problem.file == str(file)
    assert problem.line == line_of(text, part)
    assert re.search(fix, problem.fix), problem.fix
    assert problem.fix
    assert str(problem) == f"{file}:{problem.line}: {key}: {problem.what}; {problem.fix}"
