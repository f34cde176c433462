"""Sets of springs of one rig: a profile each beside the others, with one base in common."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from drivers.suggest import nearest
from hil.profile.loader import BASE, SHIPPED, find_profile, load_profile, part_path
from hil.profile.problems import Problem, ProfileError
from hil.profile.schema import Profile
from hil.profile.source import read_source

MOST_BASES = 20
MOST_FILES = 200


@dataclass(frozen=True)
class SpringSet:
    """One set: its profile's name is the set's name."""

    file: Path
    profile: Profile

    @property
    def name(self) -> str:
        return self.profile.name


def spring_sets(profile: str | Path) -> list[SpringSet]:
    """Return the sets of the rig that a profile belongs to, the one of ``profile`` first.

    They are the profiles in its folder that lead by ``based_on`` to the same file, and differ in
    their springs. Files that cannot be read are left out; alone it is the only one.

    Raises:
        ProfileError: ``profile`` itself cannot be read.
    """
    own = find_profile(profile)
    found = [SpringSet(own, load_profile(own))]
    root = _root(own)
    for file in sorted(own.resolve().parent.glob("*.y*ml"))[:MOST_FILES]:
        if file == own.resolve() or _root(file) != root:
            continue
        try:
            other = SpringSet(file, load_profile(file))
        except ProfileError:
            continue
        if all(other.profile.actuator.springs != one.profile.actuator.springs for one in found):
            found.append(other)
    return found


def choose_spring_set(profile: str | Path, words: str) -> SpringSet:
    """Return the set whose name is ``words``, or alone has them in it, or whose file they name.

    Raises:
        ProfileError: there is none, or more than one.
    """
    sets = spring_sets(profile)
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
    raise ProfileError([Problem(str(profile), 0, 0, "", what, fix)])


def _root(file: Path) -> Path | None:
    """Return the file that ``based_on`` leads to in the end; None for one that cannot be read."""
    for _ in range(MOST_BASES):
        try:
            name = read_source(file, str(file)).data.get(BASE)
        except ProfileError:
            return None
        base = part_path(file, name) if name is not None else None
        # A shipped profile that somebody's rig begins with is a pattern, and no rig of theirs.
        if base is None or (base.parent == SHIPPED and file.resolve().parent != SHIPPED):
            return file.resolve()
        file = base
    return None
