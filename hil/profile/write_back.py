"""Write changed values into a profile's own files, leaving all else untouched.

Only the characters of a value are replaced, or one line is inserted for a missing key: comments,
order, blank lines and line ends stay as written. Values that a profile
includes from another file (``actuator: actuators/x.yaml``) are changed there.
"""

from __future__ import annotations

import contextlib
import datetime
import os
import re
import shutil
import tempfile
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import yaml

from hil.profile.conventions import AS_INSIDE, CONVERTED, Conventions
from hil.profile.loader import BASE, INCLUDED, SHIPPED, examine_profile, find_profile, part_path
from hil.profile.problems import Problem, ProfileError
from hil.profile.source import Path_, Source, _Loader, dotted, read_source

_PART = re.compile(r"[^.\[\]]+|\[\d+\]")
_NUMBER = re.compile(r"\s*[-+]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][-+]?[0-9]{1,3})?")
BOM = "\ufeff"


@dataclass(frozen=True)
class Written:
    """A changed file, and the copy of its earlier contents."""

    file: Path
    backup: Path


def write_back(path: str | Path, changes: Mapping[str, str]) -> list[Written]:
    """Set dotted keys (``actuator.screw.lead``) to value texts with unit (``5 mm``).

    Currents and winding are given as used inside, and written in the file's conventions. Either all
    files are changed or none; each is copied first to the same folder, named ``.before-`` and the
    time.

    Raises:
        ProfileError: a key or value that cannot be written, a profile that ships with the
            program, or a result that is not a valid profile; nothing is changed then.
        OSError: the disk refused; nothing is changed then.
    """
    return _write(*changed_texts(path, changes))


def write_part(path: str | Path, key: str, lines: Sequence[str]) -> list[Written]:
    """Replace everything under the top-level ``key`` by ``lines``; nothing else changes.

    In a profile that takes the part from its base, they are appended. Comments inside the part are
    lost; the copy keeps them.

    Raises:
        ProfileError, OSError: as :func:`write_back`; or the part is in another file.
    """
    main = find_profile(path).resolve()
    before = read_source(main, str(path))
    if main.is_relative_to(SHIPPED):
        raise _shipped(str(main), key)
    missing = key not in before.data
    if (missing and BASE not in before.data) or part_path(main, before.data.get(key)) is not None:
        raise _refused(str(main), key, "no such part in this file", "write it by hand")
    text = main.read_bytes().decode("utf-8")
    mark = text.startswith(BOM)
    text = text.removeprefix(BOM)
    root = _compose(text)
    if not isinstance(root, yaml.MappingNode) or root.flow_style:
        raise _refused(str(main), key, "the file is in flow style", "write it out in lines first")
    newline = _line_end(text)
    new = newline.join([f"{_key(key)}:", *(f"  {line}" for line in lines)])
    if missing:
        new = text.rstrip() + 2 * newline + new + newline
    else:
        name, value = next((k, v) for k, v in root.value if k.value == key)
        end = re.search(r"\r?\n", text[_end(value) :])
        at = _end(value) + end.start() if end else len(text)
        if text[: _end(value)].endswith("\n"):  # behind a block of text
            at = _end(value) - len(newline)
        new = text[: name.start_mark.index] + new + text[at:]
    after = read_source(main, str(path), new)
    here, there = before.data, dict(after.data)
    if {**here, key: None} != {**there, key: None}:
        raise _refused(
            str(main), key, "the part cannot be set without touching others", "write it by hand"
        )
    texts = {main: new}
    examined = examine_profile(main, texts)
    if examined.profile is None:
        raise ProfileError(examined.errors)
    return _write(texts, {main: mark})


def _write(texts: Mapping[Path, str], raw: Mapping[Path, bool]) -> list[Written]:
    """Write all files or none; ``raw``: which begin with a byte-order mark."""
    stamp = datetime.datetime.now().strftime("%Y%m%d-%H%M%S")
    ready: list[tuple[Path, Path, Path]] = []
    done: list[tuple[Path, Path]] = []
    try:
        for file, text in texts.items():
            backup = _free(file.with_name(f"{file.name}.before-{stamp}"))
            shutil.copy2(file, backup)
            number, name = tempfile.mkstemp(prefix=f".{file.name}.", dir=file.parent)
            ready.append((file, Path(name), backup))
            with os.fdopen(number, "wb") as out:
                out.write((BOM if raw[file] else "").encode() + text.encode())
                out.flush()
                os.fsync(out.fileno())
            shutil.copymode(file, name)
        for file, part, backup in ready:
            part.replace(file)
            done.append((file, backup))
    except OSError:
        for file, backup in done:
            shutil.copy2(backup, file)
        for _file, part, backup in ready:
            for left in (part, backup):
                with contextlib.suppress(OSError):
                    left.unlink()
        raise
    return [Written(file, backup) for file, _part, backup in ready]


def changed_texts(
    path: str | Path, changes: Mapping[str, str]
) -> tuple[dict[Path, str], dict[Path, bool]]:
    """Return the new text of each changed file, and whether it begins with a byte-order mark.

    Raises:
        ProfileError: as :func:`write_back`.
    """
    main = find_profile(path).resolve()
    top = read_source(main, str(path)).data
    texts: dict[Path, str] = {}
    marks: dict[Path, bool] = {}
    concerned = not CONVERTED.isdisjoint(changes)
    conventions = examine_profile(main).conventions if concerned else AS_INSIDE
    for key, value in changes.items():
        value = _as_stated(conventions, key, value)
        file, inner = _where(main, top, key, _parse(str(path), key))
        if file.is_relative_to(SHIPPED):
            raise _shipped(str(file), key)
        if file not in texts:
            text = file.read_bytes().decode("utf-8")
            marks[file] = text.startswith(BOM)
            texts[file] = text.removeprefix(BOM)
        texts[file] = edited(texts[file], inner, value, str(file), key)
    examined = examine_profile(main, texts)
    if examined.profile is None:
        raise ProfileError(examined.errors)
    return texts, marks


def _as_stated(conventions: Conventions, key: str, value: str) -> str:
    """Return a value text in the convention in which the file states ``key``."""
    factor = conventions.stated_over_inside(key)
    number = _NUMBER.match(value)
    if factor == 1.0 or number is None:
        return value
    return f"{float(number[0]) * factor:.6g}{value[number.end() :]}"


def edited(text: str, path: Path_, value: str, shown: str = "profile", key: str = "") -> str:
    """Return ``text`` with the value at ``path`` replaced or inserted; all else untouched.

    Raises:
        ProfileError: not possible without touching anything else.
    """
    key = key or dotted(path)
    if not value.strip() or len(value.splitlines()) != 1 or not value.isprintable():
        raise _refused(shown, key, f"{value!r} is not a value of one line", "give one, with unit")
    before = read_source(Path(shown), shown, text)
    root = _compose(text)
    node, at, keys = root, 0, list(path)
    while at < len(keys):
        if text[node.start_mark.index : node.start_mark.index + 1] in ("&", "!"):
            raise _refused(
                shown,
                key,
                "the value has an anchor or a tag and may be used in several places",
                "write the value out in the file first",
            )
        child = _child(node, keys[at])
        if child is None:
            break
        node, at = child, at + 1
    new = _set(text, node, keys[at:], value.strip(), shown, key)
    _check(before, read_source(Path(shown), shown, new), path, shown, key)
    return new


def _set(
    text: str, node: yaml.Node, missing: list[str | int], value: str, shown: str, key: str
) -> str:
    if any(isinstance(part, int) for part in missing):
        raise _refused(shown, key, "no such entry of the list", "write it by hand")
    names = [str(part) for part in missing]
    start, end = node.start_mark.index, node.end_mark.index
    flow = _in_flow(text, node)
    if isinstance(node, yaml.ScalarNode):
        if text[start : start + 1] in ("&", "!"):
            raise _refused(
                shown,
                key,
                "the value has an anchor or a tag",
                "write the value out in the file first",
            )
        if names and node.tag != "tag:yaml.org,2002:null":
            raise _refused(
                shown, key, "there is a single value where keys belong", "write it by hand"
            )
        put = _flow_text(names, value) if names else _scalar_text(value, flow)
        if node.style in ("|", ">"):
            put += _line_end(text) if text[start:end].endswith("\n") else ""
        if start == end:  # no value: insert right after the colon
            put = f" {put}"
        return text[:start] + put + text[end:]
    if not isinstance(node, yaml.MappingNode) or not names:
        raise _refused(shown, key, "there is no single value", "write it by hand")
    if node.flow_style:
        inner = text[start:end].rstrip()[:-1].rstrip()
        comma = "" if inner.endswith(("{", ",")) else ","
        space = "" if inner.endswith("{") else " "
        put = f"{comma}{space}{_key(names[0])}: {_flow_text(names[1:], value)}"
        return text[: start + len(inner)] + put + text[start + len(inner) :]
    column = node.value[0][0].start_mark.column
    lines = [f"{' ' * (column + 2 * i)}{_key(name)}:" for i, name in enumerate(names)]
    lines[-1] += " " + _scalar_text(value, False)
    at = _end(node)
    newline = _line_end(text)
    if text[:at].endswith("\n"):  # behind a block of text
        return text[:at] + newline.join(lines) + newline + text[at:]
    rest = re.search(r"\r?\n", text[at:])
    at = at + rest.start() if rest else len(text)
    return text[:at] + newline + newline.join(lines) + text[at:]


def _check(before: Source, after: Source, path: Path_, shown: str, key: str) -> None:
    """Check that only this value changed: a last check before writing."""
    here, there = before.data, after.data
    try:
        for part in path[:-1]:
            if isinstance(here, dict) and here.get(part) is None:
                here[part] = {}
            here, there = here[part], there[part]
        here[path[-1]] = there[path[-1]]
        same = before.data == after.data
    except (KeyError, IndexError, TypeError):
        same = False
    if not same:
        raise _refused(
            shown, key, "the value cannot be set without touching others", "write it by hand"
        )


def _compose(text: str) -> yaml.Node:
    loader = _Loader(text)
    try:
        node = loader.get_single_node()
    finally:
        loader.dispose()
    assert node is not None
    return node


def _child(node: yaml.Node, key: str | int) -> yaml.Node | None:
    if isinstance(node, yaml.MappingNode):
        return next((v for k, v in node.value if k.value == key), None)
    if isinstance(node, yaml.SequenceNode) and isinstance(key, int) and key < len(node.value):
        child: yaml.Node = node.value[key]
        return child
    return None


def _in_flow(text: str, node: yaml.Node) -> bool:
    """Return whether the node is inside brackets."""
    depth = 0
    for token in yaml.scan(text, Loader=yaml.SafeLoader):
        if token.start_mark.index >= node.start_mark.index:
            break
        if isinstance(token, yaml.FlowMappingStartToken | yaml.FlowSequenceStartToken):
            depth += 1
        elif isinstance(token, yaml.FlowMappingEndToken | yaml.FlowSequenceEndToken):
            depth -= 1
    return depth > 0


def _end(node: yaml.Node) -> int:
    """Return the end of a node's text; PyYAML's block marks lie after following comments."""
    if isinstance(node, yaml.CollectionNode) and not node.flow_style and node.value:
        last = node.value[-1]
        if isinstance(last, tuple):
            return max(_end(last[1]), int(last[0].end_mark.index))
        return _end(last)
    return int(node.end_mark.index)


def _scalar_text(value: str, flow: bool) -> str:
    """Return the value plain if it reads back as itself, else quoted."""
    try:
        node = _compose(f"{{k: {value}}}\n" if flow else f"k: {value}\n").value[0][1]
        if isinstance(node, yaml.ScalarNode) and node.value == value and node.style is None:
            return value
    except (yaml.YAMLError, IndexError):
        pass
    return "'" + value.replace("'", "''") + "'"


def _flow_text(names: list[str], value: str) -> str:
    text = _scalar_text(value, True)
    for name in reversed(names):
        text = f"{{{_key(name)}: {text}}}"
    return text


def _key(name: str) -> str:
    return _scalar_text(name, True)


def _line_end(text: str) -> str:
    return "\r\n" if "\r\n" in text else "\n"


def _parse(shown: str, key: str) -> Path_:
    parts = _PART.findall(key)
    path = tuple(int(p[1:-1]) if p.startswith("[") else p for p in parts)
    if not path or dotted(path) != key:
        raise _refused(shown, key, "not a key of a profile", "write it as actuator.screw.lead")
    return path


def _where(main: Path, top: object, key: str, path: Path_) -> tuple[Path, Path_]:
    assert isinstance(top, dict)
    if path[0] in INCLUDED:
        part = part_path(main, top.get(path[0]))
        if part is not None:
            if len(path) < 2:
                raise _refused(str(main), key, "another file is named there", "name a key in it")
            return part.resolve(), path[1:]
    return main, path


def _free(path: Path) -> Path:
    number, free = 1, path
    while free.exists():
        number += 1
        free = path.with_name(f"{path.name}-{number}")
    return free


def _shipped(file: str, key: str) -> ProfileError:
    return _refused(
        file,
        key,
        "this file ships with the program",
        "copy the profile and its parts to your own directory, and use the copy",
    )


def _refused(file: str, key: str, what: str, fix: str) -> ProfileError:
    return ProfileError([Problem(file, 0, 0, key, what, fix)])
