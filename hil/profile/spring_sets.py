"""Spring sets of one rig: one profile each, in one folder, with a common base."""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path

from drivers.suggest import nearest
from hil.profile.loader import BASE, SHIPPED, find_profile, load_profile, part_path
from hil.profile.problems import Problem, ProfileError
from hil.profile.schema import Profile
from hil.profile.source import LARGEST_BYTES, read_source

MOST_BASES = 20
MOST_FILES = 200
# Finds the base of a file that cannot be parsed.
_BASE_LINE = re.compile(rf"^{BASE}:[ \t]*['\"]?([^'\"#\r\n]+?)['\"]?[ \t]*(?:#.*)?$", re.MULTILINE)


@dataclass(frozen=True)
class SpringSet:
    """One set; its name is that of its profile."""

    file: Path
    profile: Profile

    @property
    def name(self) -> str:
        return self.profile.name


@dataclass(frozen=True)
class BrokenSet:
    """A profile of the rig that cannot be read, and so cannot be chosen.

    Attributes:
        problem: the first one, with its place and fix.
    """

    file: Path
    problem: Problem

    def __str__(self) -> str:
        problem = self.problem
        # If the problem is in another file (the base), name that file in full.
        same = Path(problem.file).name == self.file.name
        place = (f"line {problem.line}: " if problem.line else "") if same else f"{problem.file}: "
        key = f"{problem.key}: " if problem.key else ""
        what = f"{place}{key}{problem.what}" + (f"; {problem.fix}" if problem.fix else "")
        return f"'{self.file.name}' is left out: {what}".replace("\n", "\\n")


@dataclass(frozen=True)
class RigSets:
    """Spring sets of a rig, the one in use first, and its unreadable profiles."""

    sets: tuple[SpringSet, ...]
    broken: tuple[BrokenSet, ...]


def rig_sets(profile: str | Path) -> RigSets:
    """Return the spring sets of the rig of a profile, and its unreadable profiles.

    They are the profiles in its folder with the same root of ``based_on`` but different springs. A
    file that cannot be read belongs to the rig if its base does.

    Raises:
        ProfileError: ``profile`` itself cannot be read.
    """
    own = find_profile(profile)
    found, broken = [SpringSet(own, load_profile(own))], []
    root = _root(own)
    for file in sorted(own.resolve().parent.glob("*.y*ml"))[:MOST_FILES]:
        if file == own.resolve() or _root(file) != root:
            continue
        try:
            other = SpringSet(file, load_profile(file))
        except ProfileError as error:
            broken.append(BrokenSet(file, error.problems[0]))
            continue
        if all(other.profile.actuator.springs != one.profile.actuator.springs for one in found):
            found.append(other)
    return RigSets(tuple(found), tuple(broken))


def spring_sets(profile: str | Path) -> list[SpringSet]:
    """Return the sets that can be read, as ``rig_sets``.

    Raises:
        ProfileError: ``profile`` itself cannot be read.
    """
    return list(rig_sets(profile).sets)


def choose_spring_set(profile: str | Path, words: str) -> SpringSet:
    """Return the one set whose name equals or contains ``words``, or whose file they name.

    Raises:
        ProfileError: no such set, or several; also lists the unreadable profiles.
    """
    rig = rig_sets(profile)
    sets = rig.sets
    wanted = words.casefold()
    for matches in (
        [one for one in sets if one.name.casefold() == wanted],
        [one for one in sets if one.file.stem.casefold() == wanted],
        [one for one in sets if wanted in one.name.casefold()],
    ):
        if len(matches) == 1:
            return matches[0]
    several = len([one for one in sets if wanted in one.name.casefold()]) > 1
    fix = f"write more of the name{nearest(words, [one.name for one in sets])}"
    what = f"'{words}' means {'more than one set' if several else 'no set'} of springs"
    left_out = [Problem(str(profile), 0, 0, "", str(one), "") for one in rig.broken]
    raise ProfileError([Problem(str(profile), 0, 0, "", what, fix), *left_out])


def _root(file: Path) -> Path | None:
    """Return the last file of the ``based_on`` chain; None if it is too long."""
    for _ in range(MOST_BASES):
        name = _base_of(file)
        base = part_path(file, name) if name is not None else None
        # A shipped profile used as a base is a template, not the user's rig.
        if base is None or (base.parent == SHIPPED and file.resolve().parent != SHIPPED):
            return file.resolve()
        file = base
    return None


def _base_of(file: Path) -> str | None:
    try:
        base = read_source(file, str(file)).data.get(BASE)
    except ProfileError:
        try:
            with file.open("rb") as opened:
                text = opened.read(LARGEST_BYTES).decode(errors="replace")
        except OSError:
            return None
        seen = _BASE_LINE.search(text)
        base = seen[1] if seen else None
    return base if isinstance(base, str) else None
