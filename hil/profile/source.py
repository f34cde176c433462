"""Read a YAML file as plain values, keeping the place of every key and value."""

from __future__ import annotations

import re
from collections.abc import Collection
from dataclasses import dataclass, field
from functools import lru_cache
from pathlib import Path
from typing import Any, Literal

import yaml

from hil.profile.problems import Problem, ProfileError

LARGEST_BYTES = 256 * 1024
MOST_VALUES = 20_000  # otherwise aliases of aliases could fill the memory
DEEPEST = 40

_TAGS = ("map", "seq", "str", "int", "float", "bool", "null")

Path_ = tuple[str | int, ...]


@dataclass(frozen=True)
class Place:
    """Position of a key and its value in the file, 1-based."""

    file: str
    line: int
    column: int


@dataclass
class Source:
    """Plain values of one file and the place of each, by path from the root."""

    file: str
    data: Any
    places: dict[Path_, Place] = field(default_factory=dict)

    def place(self, path: Path_) -> Place:
        """Return the place of ``path``, or of the nearest enclosing key that exists."""
        while path and path not in self.places:
            path = path[:-1]
        return self.places.get(path, Place(self.file, 1, 1))

    def problem(
        self, path: Path_, what: str, fix: str, severity: Literal["error", "warning"] = "error"
    ) -> Problem:
        """Return a problem at ``path``, with its place."""
        place = self.place(path)
        return Problem(
            place.file, place.line, place.column, dotted(path), what, fix, severity=severity
        )

    def graft(self, path: Path_, part: Source) -> None:
        """Put another file's values and places at ``path``, which is a top-level key."""
        self.data[path[0]] = part.data
        for inner, place in part.places.items():
            self.places[path + inner] = place

    def lay_over(self, base: Source, whole: Collection[str] = ()) -> None:
        """Take values missing here from ``base``, with their places.

        Mappings are merged key by key. A value written here replaces the base's whole value at its
        key if it is not a mapping, has its own ``kind`` or ``protocol``, or is one of the top-level
        keys in ``whole``.
        """
        replaced: list[Path_] = []
        self.data = _laid_over(base.data, self.data, (), whole, replaced)
        for path, place in base.places.items():
            if not any(path[: len(gone)] == gone for gone in replaced):
                self.places.setdefault(path, place)


def _laid_over(
    below: dict[str, Any],
    above: dict[str, Any],
    path: Path_,
    whole: Collection[str],
    replaced: list[Path_],
) -> dict[str, Any]:
    result = dict(below)
    for key, value in above.items():
        under, here = below.get(key), (*path, key)
        if (
            isinstance(value, dict)
            and isinstance(under, dict)
            and not {"kind", "protocol"} & value.keys()
            and not (not path and key in whole)
        ):
            result[key] = _laid_over(under, value, here, whole, replaced)
        else:
            result[key] = value
            replaced.append(here)
    return result


class _Loader(yaml.SafeLoader):
    """Loader with scalars as in YAML 1.2: ``on``, ``12:30`` and dates stay text."""

    yaml_implicit_resolvers: dict[str, Any] = {}


_Loader.add_implicit_resolver(
    "tag:yaml.org,2002:null", re.compile(r"^(?:~|null|Null|NULL|)$"), ["~", "n", "N", ""]
)
_Loader.add_implicit_resolver(
    "tag:yaml.org,2002:bool", re.compile(r"^(?:true|True|TRUE|false|False|FALSE)$"), list("tTfF")
)
_Loader.add_implicit_resolver(
    "tag:yaml.org,2002:int",
    re.compile(r"^(?:[-+]?[0-9]{1,18}|0x[0-9a-fA-F]{1,15})$"),
    list("-+0123456789"),
)
_Loader.add_implicit_resolver(
    "tag:yaml.org,2002:float",
    re.compile(r"^[-+]?(?:\.[0-9]+|[0-9]+(?:\.[0-9]*)?)(?:[eE][-+]?[0-9]+)?$"),
    list("-+.0123456789"),
)


def read_source(path: Path, shown: str, text: str | None = None) -> Source:
    """Return values and places of one YAML file; ``shown`` names it in errors.

    ``text``, if given, replaces the file's contents: a change before it is written.

    Raises:
        ProfileError: unreadable, too large, not text, not YAML, not a mapping, a key twice.
    """
    text = _read_text(path, shown) if text is None else text
    try:
        root = _composed(text)
    except yaml.MarkedYAMLError as error:
        raise _yaml_problem(error, text, shown) from None
    except yaml.YAMLError as error:
        raise _refused(
            shown, 0, 0, "", f"not YAML: {_one_line(error)}", "save it as plain UTF-8 text"
        ) from None
    except RecursionError:
        raise _refused(shown, 1, 1, "", "nested too deeply", "write it flatter") from None
    if root is None:
        raise _refused(
            shown, 1, 1, "", "the file is empty", "start from a shipped profile, sequence or list"
        )
    if not isinstance(root, yaml.MappingNode):
        raise _refused(
            shown,
            root.start_mark.line + 1,
            root.start_mark.column + 1,
            "",
            "not a mapping",
            "write 'key: value' lines",
        )
    return _Reader(shown).read(root)


@lru_cache(maxsize=16)  # parsing takes most of the time, and profiles share parts
def _composed(text: str) -> yaml.Node | None:
    """Return the nodes of a text; callers must not change them."""
    loader = _Loader(text)
    try:
        root: yaml.Node | None = loader.get_single_node()
        return root
    finally:
        loader.dispose()


class _Reader:
    """Reader of composed nodes as plain values; collects problems instead of stopping."""

    def __init__(self, file: str) -> None:
        self.source = Source(file, None)
        self.problems: list[Problem] = []
        self.values = 0

    def read(self, root: yaml.Node) -> Source:
        self.source.data = self._value(root, ())
        if self.problems:
            raise ProfileError(self.problems)
        return self.source

    def _value(self, node: yaml.Node, path: Path_) -> Any:
        self.values += 1
        if self.values > MOST_VALUES or len(path) > DEEPEST:
            raise ProfileError(
                [
                    self._problem(
                        node,
                        path,
                        "aliases or nesting expand to too many values",
                        "write the values out",
                    )
                ]
            )
        if path not in self.source.places:
            self.source.places[path] = self._place(node)
        if node.tag.removeprefix("tag:yaml.org,2002:") not in _TAGS:
            self.problems.append(
                self._problem(
                    node, path, f"the tag '{_short(node.tag)}' is not read", "leave the tag out"
                )
            )
            return None
        if isinstance(node, yaml.MappingNode):
            return self._mapping(node, path)
        if isinstance(node, yaml.SequenceNode):
            return [self._value(item, (*path, i)) for i, item in enumerate(node.value)]
        return self._scalar(node, path)

    def _mapping(self, node: yaml.MappingNode, path: Path_) -> dict[str, Any]:
        values: dict[str, Any] = {}
        first_lines: dict[str, int] = {}
        for key_node, value_node in node.value:
            if not isinstance(key_node, yaml.ScalarNode):
                self.problems.append(
                    self._problem(key_node, path, "a key must be one word", "write 'key: value'")
                )
                continue
            key = str(key_node.value)
            inner = (*path, key)
            line = key_node.start_mark.line + 1
            if key == "<<" and key_node.style is None:
                self.problems.append(
                    self._problem(
                        key_node, inner, "merge keys are not read", "write the values out"
                    )
                )
                continue
            if key in first_lines:
                self.problems.append(
                    self._problem(
                        key_node,
                        inner,
                        f"the key is repeated here, first in line {first_lines[key]}",
                        "keep one of the two",
                    )
                )
                continue
            first_lines[key] = line
            # Point to the key of an empty or nested value.
            at_key = not isinstance(value_node, yaml.ScalarNode) or not value_node.value
            self.source.places[inner] = self._place(key_node if at_key else value_node)
            values[key] = self._value(value_node, inner)
        return values

    def _scalar(self, node: yaml.Node, path: Path_) -> Any:
        tag = node.tag.rpartition(":")[2]
        text = str(node.value)
        try:
            if tag == "int":
                return int(text, 16) if text.startswith("0x") else int(text)
            if tag == "float":
                return float(text)
            if tag == "bool":
                return {"true": True, "false": False}[text.lower()]
        except (ValueError, KeyError):
            self.problems.append(
                self._problem(
                    node, path, f"'{_short(text)}' does not fit its tag", "leave the tag out"
                )
            )
            return None
        return None if tag == "null" else text

    def _place(self, node: yaml.Node) -> Place:
        return Place(self.source.file, node.start_mark.line + 1, node.start_mark.column + 1)

    def _problem(self, node: yaml.Node, path: Path_, what: str, fix: str) -> Problem:
        place = self._place(node)
        return Problem(place.file, place.line, place.column, dotted(path), what, fix)


def dotted(path: Path_) -> str:
    """Return ``("rig", "weights", 1)`` as ``rig.weights[1]``."""
    text = ""
    for part in path:
        if isinstance(part, int):
            text += f"[{part}]"
        else:
            text += f".{part}" if text else _short(part)
    return text


def _read_text(path: Path, shown: str) -> str:
    try:
        if path.is_dir():
            raise _refused(shown, 0, 0, "", "this is a directory", "name the file in it")
        if path.exists() and not path.is_file():
            raise _refused(shown, 0, 0, "", "not a plain file", "name a plain file")
        with path.open("rb") as stream:
            raw = stream.read(LARGEST_BYTES + 1)
    except FileNotFoundError:
        raise _refused(shown, 0, 0, "", "no such file", "check the path") from None
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        raise _refused(
            shown, 0, 0, "", f"cannot be read: {reason}", "check the path and its permissions"
        ) from None
    if len(raw) > LARGEST_BYTES:
        raise _refused(
            shown,
            0,
            0,
            "",
            f"larger than {LARGEST_BYTES // 1024} kB",
            "such files are short texts; is this the right file?",
        )
    try:
        text = raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = raw[: error.start].count(b"\n") + 1
        raise _refused(
            shown, line, 0, "", "not UTF-8 text", "save it as UTF-8; is this the right file?"
        ) from None
    unprintable = yaml.reader.Reader.NON_PRINTABLE.search(text)
    if unprintable:
        line = text.count("\n", 0, unprintable.start()) + 1
        raise _refused(
            shown,
            line,
            0,
            "",
            f"holds the control character U+{ord(unprintable.group()):04X}",
            "remove it; is this a text file?",
        )
    return text


def _yaml_problem(error: yaml.MarkedYAMLError, text: str, shown: str) -> ProfileError:
    mark = error.problem_mark or error.context_mark
    line = mark.line + 1 if mark else 1
    column = mark.column + 1 if mark else 1
    lines = text.splitlines()
    here = lines[line - 1] if 0 < line <= len(lines) else ""
    if "\t" in here[: max(column, 1)] or "\\t" in str(error.problem):
        return _refused(
            shown, line, column, "", "a tab where YAML requires spaces", "indent with spaces"
        )
    if isinstance(error, yaml.composer.ComposerError) and "alias" in str(error.problem):
        return _refused(shown, line, column, "", str(error.problem), "write the value out")
    if "document" in str(error.problem) or "document" in str(error.context):
        return _refused(
            shown, line, column, "", "more than one document in the file", "keep one, without '---'"
        )
    return _refused(
        shown,
        line,
        column,
        "",
        f"not YAML: {_one_line(error.problem)}",
        "check colons, quotes, brackets and indentation near here",
    )


def _refused(file: str, line: int, column: int, key: str, what: str, fix: str) -> ProfileError:
    return ProfileError([Problem(file, line, column, key, what, fix)])


def _one_line(value: object) -> str:
    return _short(" ".join(str(value).split()), 160)


def _short(text: str, most: int = 60) -> str:
    return text if len(text) <= most else text[: most - 1] + "…"
