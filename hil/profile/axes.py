"""Axes files: several profiles that one rig host runs together, at one rate, on shared buses."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import combinations
from pathlib import Path
from typing import Annotated

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from drivers.registry import find_protocol
from drivers.suggest import did_you_mean
from drivers.transport import REFUSE_SHARE, SYNC, Budgeting, Claim, Claiming
from hil.profile.devices import drive_options
from hil.profile.explain import explain
from hil.profile.loader import SHIPPED, load_profile, part_path
from hil.profile.problems import Problem, ProfileError
from hil.profile.schema import Profile
from hil.profile.source import Source, read_source

AXES = SHIPPED / "axes"
MOST_AXES = 8  # each axis has its own processes, page and recorder
_NAME = re.compile(r"[a-z][a-z0-9_]{0,15}")  # also the name of a link directory


class _AxesFile(BaseModel):
    """Contents of an axes file: names of the axes, and the profile of each."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    name: Annotated[str, Field(min_length=1, max_length=80)]
    description: str = ""
    axes: dict[str, str]


@dataclass(frozen=True)
class Axes:
    """Several axes of one machine, checked together.

    Attributes:
        file: the axes file.
        paths, profiles: path and profile of each axis, in the order of the file; the first axis
            leads.
    """

    name: str
    description: str
    file: Path
    paths: dict[str, Path]
    profiles: dict[str, Profile]

    @property
    def rate_Hz(self) -> float:
        """Cycles per second, the same for every axis."""
        return self.leader.control.rate

    @property
    def leader(self) -> Profile:
        """Profile of the first axis."""
        return next(iter(self.profiles.values()))

    @property
    def simulated(self) -> bool:
        """True if every axis is a simulated rig."""
        return all(profile.simulation is not None for profile in self.profiles.values())

    def buses(self) -> dict[str, str]:
        """Return for each axis the first axis on the same wires."""
        first: dict[str, str] = {}
        of_wire: dict[str, str] = {}
        for name, profile in self.profiles.items():
            wires = [claim.wire for claim in _claims(profile)]
            known = [of_wire[wire] for wire in wires if wire in of_wire]
            first[name] = known[0] if known else name
            for wire in wires:
                of_wire.setdefault(wire, first[name])
        return first


def shipped_axes() -> list[str]:
    """Return the bare names of the shipped axes files, sorted."""
    files = sorted(AXES.glob("*.yaml"))
    return [file.stem for file in files if _names_axes(file)]


def find_axes(path: str | Path) -> Path | None:
    """Return the axes file for a path or a shipped bare name; None if the file is not an axes file."""
    given = Path(path)
    try:
        if given.is_file():
            return given if _names_axes(given) else None
    except (OSError, ValueError):
        return None
    shipped = AXES / f"{str(path).removesuffix('.yaml')}.yaml"
    return (
        shipped if shipped.parent == AXES and shipped.is_file() and _names_axes(shipped) else None
    )


def is_axes_file(path: str | Path) -> bool:
    """Return whether ``path``, or the shipped bare name, describes several axes."""
    return find_axes(path) is not None


def _names_axes(file: Path) -> bool:
    try:
        return "axes" in read_source(file, str(file)).data
    except ProfileError:
        return False  # reading the file as a profile gives the reason


def load_axes(path: str | Path) -> Axes:
    """Return the axes of a file, or of the shipped one of that bare name.

    Raises:
        ProfileError: with every problem of the file, of each profile, and between profiles.
    """
    file = find_axes(path)
    if file is None:
        hint = did_you_mean(str(path), shipped_axes()) or "name a file with the key 'axes';"
        fix = f"{hint} shipped: {', '.join(shipped_axes())}"
        raise ProfileError([Problem(str(path), 0, 0, "", "no axes file", fix)])
    source = read_source(file, str(path) if file == Path(path) else str(file))
    try:
        found = _AxesFile.model_validate(source.data)
    except ValidationError as error:
        raise ProfileError(explain(error, _AxesFile, source)) from None
    problems = list(_misnamed(found, source))
    paths: dict[str, Path] = {}
    profiles: dict[str, Profile] = {}
    for name, written in found.axes.items():
        profile_file = part_path(file, written)
        if profile_file is None or not profile_file.is_file():
            fix = "its path is relative to this file's directory; it ends in .yaml"
            problems.append(source.problem(("axes", name), f"no file '{written}'", fix))
            continue
        try:
            profiles[name] = load_profile(profile_file)
            paths[name] = profile_file
        except ProfileError as error:
            problems += error.problems
    problems = problems or list(_conflicts(profiles, source))
    if problems:
        raise ProfileError(problems)
    return Axes(found.name, found.description.strip(), file, paths, profiles)


def _misnamed(found: _AxesFile, source: Source) -> Iterator[Problem]:
    if not 2 <= len(found.axes) <= MOST_AXES:
        what = f"{len(found.axes)} axes"
        fix = f"name 2 to {MOST_AXES}; for one axis use its profile itself"
        yield source.problem(("axes",), what, fix)
    for name in found.axes:
        if _NAME.fullmatch(name) is None:
            what = f"'{name:.40}' cannot name an axis"
            fix = "use a small letter, then up to 15 small letters, digits or '_'"
            yield source.problem(("axes", name), what, fix)


def _conflicts(profiles: dict[str, Profile], source: Source) -> Iterator[Problem]:
    """Yield conflicts between profiles that are valid by themselves."""
    for first, second in combinations(profiles, 2):
        for what, fix in _differences(profiles[first], profiles[second]):
            yield source.problem(("axes", second), f"{what} of '{first}' and '{second}'", fix)
        yield from _collisions(first, second, profiles, source)
    yield from _overloaded(profiles, source)


def _differences(one: Profile, other: Profile) -> Iterator[tuple[str, str]]:
    """Yield (what, fix) for values that must agree."""
    if one.control.rate != other.control.rate:
        what = f"the rates {one.control.rate:g} Hz and {other.control.rate:g} Hz"
        yield what, "one rig host has one cycle: write the same control.rate"
    if one.motion != other.motion:
        yield f"the motions {one.motion} and {other.motion}", "run them as two benches"
    if (one.simulation is None) != (other.simulation is None):
        yield "a simulated and a real rig", "simulate both or neither"


def _collisions(
    first: str, second: str, profiles: dict[str, Profile], source: Source
) -> Iterator[Problem]:
    """Yield the first wire on which two axes claim the same resource."""
    taken = {(claim.wire, claim.what): claim for claim in _claims(profiles[first])}
    for claim in _claims(profiles[second]):
        if claim.what == SYNC:
            if (claim.wire, SYNC) not in taken or "." not in claim.key + taken[
                claim.wire, SYNC
            ].key:
                continue  # one of the axes sends it for both
            what = f"'{first}' and '{second}' both send the SYNC of {claim.wire}"
            fix = "a combined drive has a bus of its own: give it another one"
        elif (claim.wire, claim.what) not in taken:
            continue
        elif claim.what:
            what = f"'{first}' and '{second}' both use {claim.what} of {claim.wire}"
            fix = f"change drive.{claim.key} of '{second}', and set the same in its drive"
        else:
            what = f"'{first}' and '{second}' both use {claim.wire}"
            fix = f"connect '{second}' to a port of its own, see drive.{claim.key}"
        yield source.problem(("axes", second), what, fix)
        return


def _overloaded(profiles: dict[str, Profile], source: Source) -> Iterator[Problem]:
    """Yield each wire whose axes together send more than it carries."""
    shares: dict[str, dict[str, float]] = {}
    for name, profile in profiles.items():
        protocol = find_protocol(str(profile.drive["protocol"]))
        if not isinstance(protocol, Budgeting):
            continue
        wires = {claim.wire_key: claim.wire for claim in _claims(profile)}
        for budget in protocol.budgets(drive_options(profile), 1.0 / profile.control.rate):
            wire = wires.get(budget.key)
            if wire is None and (bus := wires.get(budget.key.rpartition(".")[0])) is not None:
                wire = f"{bus}, {budget.what}"  # one direction of the adapter's line
            if wire is not None:
                of_axes = shares.setdefault(wire, {})
                of_axes[name] = of_axes.get(name, 0.0) + budget.share
    for wire, of_axes in shares.items():
        total = sum(of_axes.values())
        if len(of_axes) > 1 and total > REFUSE_SHARE:
            what = f"{total:.0%} of {wire} are used at worst by {', '.join(of_axes)} together"
            fix = "lower control.rate of all, raise the bit rate, or use a bus for each"
            yield source.problem(("axes",), what, fix)


def _claims(profile: Profile) -> tuple[Claim, ...]:
    protocol = find_protocol(str(profile.drive["protocol"]))
    return protocol.claims(drive_options(profile)) if isinstance(protocol, Claiming) else ()
