"""Loading of a profile file as a checked :class:`~hil.profile.schema.Profile`, and the reverse."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from drivers.base import DriverError, Examining
from drivers.motion import speak, speaking
from drivers.registry import find_protocol, protocol_names
from drivers.suggest import did_you_mean
from hil.profile.checks import inconsistencies
from hil.profile.conventions import AS_INSIDE, Conventions, converted
from hil.profile.devices import rig_parameters
from hil.profile.explain import explain
from hil.profile.explain import shown as shown_value
from hil.profile.findings import Finding
from hil.profile.plausible import (
    adds_no_torque,
    implausible_watch,
    lacks_source,
    later_than_the_drive,
    too_narrow,
)
from hil.profile.problems import Problem, ProfileError
from hil.profile.rotary import motion_of, rotary_values, with_arc_tables
from hil.profile.schema import Profile
from hil.profile.source import Path_, Source, read_source
from hil.profile.wire_load import overloaded

__all__ = [
    "Examined",
    "Problem",
    "ProfileError",
    "examine_profile",
    "find_profile",
    "load_profile",
    "profile_from_dict",
    "profile_to_dict",
    "shipped_profiles",
]

SHIPPED = Path(__file__).resolve().parents[2] / "profiles"
INCLUDED = ("actuator", "rig", "drive")
BASE = "based_on"  # another profile; this one contains only the differences


@dataclass(frozen=True)
class Examined:
    """Result of reading a profile: the profile if there is no error, and every problem.

    ``conventions`` are those of the file; the profile is in those used inside.
    """

    profile: Profile | None
    problems: list[Problem]
    conventions: Conventions = AS_INSIDE

    @property
    def errors(self) -> list[Problem]:
        return [problem for problem in self.problems if problem.severity == "error"]

    @property
    def warnings(self) -> list[Problem]:
        return [problem for problem in self.problems if problem.severity == "warning"]


def load_profile(path: str | Path) -> Profile:
    """Return the profile at ``path``, or the shipped one of that bare name; all values in SI.

    From here on the process speaks of its kind of motion, see ``drivers.motion``.

    Raises:
        ProfileError: with every problem found, each with file, line, key and fix.
    """
    examined = examine_profile(path)
    if examined.profile is None:
        raise ProfileError(examined.errors)
    speak(examined.profile.motion)
    return examined.profile


def examine_profile(path: str | Path, texts: Mapping[Path, str] | None = None) -> Examined:
    """Read a profile as :func:`load_profile`, but never raise; keep warnings.

    ``texts`` replace the contents of files (resolved paths) that are to be changed.
    """
    try:
        file = find_profile(path)
        shown = str(path) if file == Path(path) else str(file)
        source = _read_with_parts(file, shown, texts or {})
        _refuse_axes(source, file)
    except ProfileError as error:
        return Examined(None, error.problems)
    with speaking(motion_of(source.data)):
        return _examined(source)


def _refuse_axes(source: Source, file: Path) -> None:
    """Refuse an axes file where the profile of one rig is needed, and name its profiles."""
    axes = source.data.get("axes")
    if isinstance(axes, dict):
        parts = (part_path(file, str(written)) for written in axes.values())
        paths = ", ".join(str(path) for path in parts if path is not None)
        fix = f"name the profile of one axis: {paths}"
        raise ProfileError([source.problem(("axes",), "several axes, not one rig", fix)])


def _examined(source: Source) -> Examined:
    problems: list[Problem] = []
    profile: Profile | None = None
    conventions = AS_INSIDE
    try:
        profile = Profile.model_validate(source.data)
        conventions = Conventions.of(profile.actuator.motor)
        profile = with_arc_tables(converted(profile))
    except ValidationError as error:
        problems += explain(error, Profile, source)
    if isinstance(source.data.get("drive"), dict):
        problems += _drive_problems(source, profile)
    if profile is not None:
        found = [_placed(finding, source) for finding in inconsistencies(profile)]
        if not any(problem.severity == "error" for problem in problems + found):
            found += _simulation(profile, source)
        problems += found
    if any(problem.severity == "error" for problem in problems):
        profile = None
    return Examined(profile, problems, conventions)


def _placed(finding: Finding, source: Source) -> Problem:
    return source.problem(finding.path, finding.what, finding.fix, finding.severity)


def find_profile(path: str | Path) -> Path:
    """Return the file for a path or for a shipped profile's bare name.

    Raises:
        ProfileError: no such file; lists the shipped names.
    """
    given = Path(path)
    shipped = shipped_profiles()
    try:
        if given.exists():
            return given
    except (OSError, ValueError):
        return given  # reading it gives the reason
    bare = str(path).removesuffix(".yaml")
    if bare in shipped:
        return SHIPPED / f"{bare}.yaml"
    several = SHIPPED / "axes" / f"{bare}.yaml"
    if "axes" not in Path(bare).parts and several.is_file():
        return several  # reading it gives the reason
    hint = did_you_mean(bare, shipped) or "check the path, or name a shipped profile;"
    raise ProfileError(
        [
            Problem(
                str(path),
                0,
                0,
                "",
                "no such file",
                f"{hint} shipped: {', '.join(shipped) or 'none'}",
            )
        ]
    )


def shipped_profiles() -> list[str]:
    """Return the bare names of the shipped profiles, sorted."""
    return sorted(file.stem for file in SHIPPED.glob("*.yaml"))


def profile_to_dict(profile: Profile) -> dict[str, Any]:
    """Return plain values for JSON, SI numbers without units; ``drive`` stays as written.

    A rotary profile has its angles in rad and its torques in N·m.
    """
    return profile.model_dump(mode="json") if profile.motion == "linear" else rotary_values(profile)


def profile_from_dict(data: object, inside: bool = False) -> Profile:
    """Return the profile of a dump; the inverse of :func:`profile_to_dict`.

    Args:
        inside: values along a rotary output are those of the arc, see ``drivers.motion``.

    Raises:
        ProfileError: ``data`` is not a dumped profile.
    """
    if not isinstance(data, dict):
        raise ProfileError(
            [Problem("profile", 0, 0, "", "not a mapping", "pass what profile_to_dict returned")]
        )
    source = Source("profile", data)
    try:
        context: dict[str, object] = {"si": True}
        if inside:
            return Profile.model_validate(data, context=context)
        context["motion"] = motion_of(data)
        return with_arc_tables(Profile.model_validate(data, context=context))
    except ValidationError as error:
        problems = explain(error, Profile, source)
        raise ProfileError(
            [Problem(p.file, 0, 0, p.key, p.what, p.fix) for p in problems]
        ) from None


def part_path(file: Path, name: object) -> Path | None:
    """Return the file that ``name`` in a profile includes, or None if it is not a file."""
    if not isinstance(name, str) or not name.endswith((".yaml", ".yml")):
        return None
    beside = file.parent / name
    return SHIPPED / name if not beside.exists() and (SHIPPED / name).exists() else beside


def read_with_parts(file: Path) -> Source:
    """Return the values of a profile, its base and its parts; data files have full paths.

    Raises:
        ProfileError: a file cannot be read.
    """
    return _read_with_parts(file, str(file), {})


def _read_with_parts(
    file: Path, shown: str, texts: Mapping[Path, str], above: tuple[Path, ...] = ()
) -> Source:
    source = read_source(file, shown, texts.get(file.resolve()) if texts else None)
    problems: list[Problem] = []
    base = _base(source, file, texts, (*above, file.resolve()))
    # A part in a file replaces the base's part; a part written out is laid over it.
    whole = [key for key in INCLUDED if part_path(file, source.data.get(key)) is not None]
    for key in INCLUDED:
        name = source.data.get(key)
        part_file = part_path(file, name)
        if part_file is None:
            if key == "drive" and isinstance(name, dict):
                _resolve_files(name, file.parent)
            continue
        if part_file.resolve() == file.resolve():
            problems.append(source.problem((key,), "the file names itself", "name another file"))
            continue
        if not part_file.is_file():
            problems.append(
                source.problem(
                    (key,),
                    f"no file '{name}'",
                    "the file is searched for in this file's directory, then among the shipped "
                    "parts",
                )
            )
            continue
        try:
            text = texts.get(part_file.resolve()) if texts else None
            part = read_source(part_file, str(part_file), text)
        except ProfileError as error:
            problems += error.problems
            continue
        if key == "drive":
            _resolve_files(part.data, part_file.parent)
        source.graft((key,), part)
    if problems:
        raise ProfileError(problems)
    if base is not None:
        source.lay_over(base, whole)
    return source


def _base(
    source: Source, file: Path, texts: Mapping[Path, str], above: tuple[Path, ...]
) -> Source | None:
    """Return the profile of ``based_on``, and remove that key."""
    if BASE not in source.data:
        return None
    name = source.data.pop(BASE)
    base = part_path(file, name)
    what, fix = "", "the file is searched for in this file's directory, then among the shipped ones"
    if base is None:
        what, fix = f"{shown_value(name)} is not a profile", "name a file that ends in .yaml"
    elif not base.is_file():
        what = f"no file '{name}'"
    elif base.resolve() in above:
        what, fix = "the profile is based on itself", "name another file"
    if what or base is None:
        raise ProfileError([source.problem((BASE,), what, fix)])
    return _read_with_parts(base, str(base), texts, above)


def _resolve_files(drive: dict[str, Any], directory: Path) -> None:
    """Resolve names of a maker's data sheet or database relative to the file that contains them."""
    for key in ("eds", "dbc"):
        name = drive.get(key)
        if isinstance(name, str) and name:
            drive[key] = str((directory / name).resolve())
    members = drive.get("members")
    for member in members.values() if isinstance(members, dict) else ():
        if isinstance(member, dict):
            _resolve_files(member, directory)


def _drive_problems(source: Source, profile: Profile | None) -> list[Problem]:
    data = source.data["drive"]
    path: Path_ = ("drive", "protocol")
    name = data.get("protocol")
    fix = f"write one of: {', '.join(protocol_names())}"
    if not isinstance(name, str):
        what = "the key is missing" if name is None else f"{shown_value(name)} is not text"
        return [source.problem(path, what, fix)]
    try:
        protocol = find_protocol(name)
    except DriverError as error:
        return [source.problem(path, str(error), fix)]
    try:
        options = protocol.options.model_validate(data)
    except ValidationError as error:
        return explain(error, protocol.options, source, ("drive",))
    found = list(implausible_watch(options))
    if "eds" in data and data["eds"] and not Path(data["eds"]).is_file():
        found.append(
            Finding(
                ("drive", "eds"),
                f"no file '{Path(data['eds']).name}'",
                "the file is searched for in the directory of the file that names it",
            )
        )
    elif isinstance(protocol, Examining):
        for lacking in protocol.shortcomings(options):
            # A missing key has no line: use that of the sheet.
            written = lacking.path if lacking.path[0] in data else ("eds",)
            found.append(Finding(("drive", *written), lacking.what, lacking.fix))
    if profile is not None:
        found += overloaded(protocol, options, profile.control.rate)
        found += lacks_source(options, profile.control.source)
        found += adds_no_torque(options, profile.control)
        found += too_narrow(options, profile)
        found += later_than_the_drive(options, profile.limits.most_cycle_late)
    return [_placed(finding, source) for finding in found]


def _simulation(profile: Profile, source: Source) -> list[Problem]:
    if profile.simulation is None:
        return []
    problems = []
    try:
        rig_parameters(profile)
    except ProfileError as error:
        for problem in error.problems:
            key = problem.key or "simulation"
            problems.append(source.problem(tuple(key.split(".")), problem.what, problem.fix))
    return problems
