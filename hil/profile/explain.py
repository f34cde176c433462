"""Turn pydantic's errors of a profile into a place, a reason and a fix."""

from __future__ import annotations

import re
import types
import typing
from typing import Any

from pydantic import BaseModel, ValidationError
from pydantic.fields import FieldInfo

from drivers.motion import ROTARY_UNITS, is_rotary
from drivers.quantities import Dimension, kind_in_words
from drivers.suggest import did_you_mean
from hil.profile.problems import Problem
from hil.profile.source import Path_, Source, dotted

EXAMPLES = {
    "m": "10 mm",
    "m/s": "250 mm/s",
    "m/s^2": "2 m/s^2",
    "N": "600 N",
    "N/s": "8000 N/s",
    "N/m": "60 N/mm",
    "N*s/m": "0.3 N*s/mm",
    "kg": "5 kg",
    "kg*m^2": "1.2e-4 kg*m^2",
    "N*m": "0.03 N*m",
    "N*m/A": "0.09 N*m/A",
    "N*m*s/rad": "1.0e-4 N*m*s/rad",
    "rad": "15 deg",
    "rad/s": "300 rad/s",
    "A": "14 A",
    "V": "36 V",
    "ohm": "0.15 ohm",
    "H": "0.15 mH",
    "F": "2 mF",
    "s": "20 ms",
    "Hz": "25 Hz",
    "degC": "70 degC",
    "Pa": "1700 MPa",
    "J": "180 W*h",
    "m/count": "3.66 um/count",
    "rad/s^2": "20 rad/s^2",
    "N*m/s": "500 N*m/s",
    "N*m/rad": "150 N*m/rad",
    "rad/count": "0.004 deg/count",
}


def example_of(unit: str, linear: str) -> str:
    """Return an example of a quantity along the output: ``linear``, or that of a rotary actuator."""
    return EXAMPLES[ROTARY_UNITS[unit][0]] if is_rotary() and unit in ROTARY_UNITS else linear


_UNION_TAGS = ("union_tag_invalid", "union_tag_not_found")


def explain(
    error: ValidationError, model: type[BaseModel], source: Source, prefix: Path_ = ()
) -> list[Problem]:
    """Return one problem for each place that ``model`` refused.

    ``prefix`` is the path of the model's own mapping in ``source``.
    """
    problems: dict[tuple[Path_, str], Problem] = {}
    for finding in error.errors(include_url=False, include_context=True):
        path = prefix + _written_path(finding["loc"], _at(source.data, prefix), finding["type"])
        if finding["type"] == "value_error":
            named, finding["msg"] = _named_key(str(finding["msg"]), _at(source.data, path))
            path += named
        if finding["type"] == "none_required":
            continue  # the other half of "a quantity or nothing" explains it better
        what, fix = _words(finding, model, source, prefix, path)
        problems.setdefault((path, what), source.problem(path, what, fix))
    return sorted(problems.values(), key=lambda p: (p.file != source.file, p.line, p.column))


def _at(data: Any, path: Path_) -> Any:
    for part in path:
        data = data[part]
    return data


def _written_path(location: tuple[int | str, ...], data: Any, kind: str) -> Path_:
    """Return pydantic's location without the tags of unions, which are not in the file."""
    path: Path_ = ()
    for i, part in enumerate(location):
        last = i == len(location) - 1
        present = (isinstance(data, dict) and part in data) or (
            isinstance(data, list) and isinstance(part, int) and part < len(data)
        )
        if present:
            data = data[part]
            path = (*path, part)
        elif last and kind == "missing":
            path = (*path, part)
    return path


def _named_key(message: str, data: Any) -> tuple[Path_, str]:
    """Return the first key named in a message about a whole mapping, if present, and the message.

    If the message begins with the key, the key is removed from it.
    """
    message = message.removeprefix("Value error, ")
    path: Path_ = ()
    inner = data
    start = re.match(r"[\w.\[\]]+(?=[: ])", message)
    spoken = start.group() if start else ""
    names = re.findall(r"\w+", spoken)
    for text in names:
        part: int | str = text
        if isinstance(inner, list) and text.isdigit() and int(text) < len(inner):
            part = int(text)
        elif not isinstance(inner, dict) or text not in inner:
            break
        path, inner = (*path, part), inner[part]
    if path:
        return path, message.removeprefix(f"{spoken}: ") if len(path) == len(names) else message
    keys = data if isinstance(data, dict) else {}
    return next(((word,) for word in re.findall(r"\w+", message) if word in keys), ()), message


def _words(
    finding: Any, model: type[BaseModel], source: Source, prefix: Path_, path: Path_
) -> tuple[str, str]:
    kind: str = finding["type"]
    context: dict[str, Any] = finding.get("ctx", {})
    value = finding.get("input")
    inner = path[len(prefix) :]
    data = _at(source.data, prefix)
    parent = _model_at(model, data, inner[:-1]) if inner else None
    name = str(path[-1]) if path else ""
    field = parent.model_fields.get(name) if parent else None
    example = _example(field)
    if kind == "extra_forbidden":
        return "unknown key", _known(parent, name)
    if kind == "missing":
        where = f" under '{dotted(path[:-1])}'" if path[:-1] else " at the top level"
        return "the key is missing", f"add '{name}: {example}'{where}"
    if kind == "value_error":
        what = str(finding["msg"])
        # Some messages contain their fix, after the first semicolon.
        what, _, own = what.partition("; ")
        return what, own or "correct one of the two"
    if kind in _UNION_TAGS:
        return _union_words(kind, context, _model_field(model, data, inner))
    if kind in ("quantity_unit", "quantity_text"):
        return _quantity_words(value, str(context.get("unit", "")))
    if words := _type_words(kind, value, context, inner):
        return words
    return f"{shown(value)} is impossible: {_bound(str(finding['msg']), field)}", (
        f"write for instance '{example}'" if _unit(field) else "change it"
    )


def _union_words(kind: str, context: dict[str, Any], field: FieldInfo | None) -> tuple[str, str]:
    """Return the texts for a part whose key selects one of several kinds."""
    tag = str(context.get("discriminator", "'kind'")).strip("'")
    tags = context.get("expected_tags") or _tags(field)
    if kind == "union_tag_not_found":
        return f"the key '{tag}' is missing", f"add '{tag}:' with one of {tags}"
    return f"{shown(f'{tag}: ' + str(context.get('tag')))} is not known", f"write one of {tags}"


def _quantity_words(value: object, unit: str) -> tuple[str, str]:
    """Return the texts for a value that is not a quantity with the unit."""
    example = f"'{EXAMPLES.get(unit, '1 ' + unit)}'"
    if isinstance(value, str):
        return (f"{shown(value)} is not {kind_in_words(unit)}", f"write for instance {example}")
    if isinstance(value, int | float) and not isinstance(value, bool):
        return f"{shown(value)} has no unit", f"write it with its unit, for instance {example}"
    return (
        f"{shown(value)} is not a quantity",
        f"write a number with its unit, for instance {example}",
    )


def _type_words(
    kind: str, value: object, context: dict[str, Any], inner: Path_
) -> tuple[str, str] | None:
    """Return the texts for a value of the wrong type; None for any other finding."""
    if kind in ("model_type", "model_attributes_type", "dict_type"):
        if inner in (("actuator",), ("rig",), ("drive",)):
            return f"{shown(value)} is not a mapping", (
                "indent its keys below, or name a file that ends in .yaml"
            )
        return f"{shown(value)} is not a mapping", "indent its keys below it"
    if kind in ("tuple_type", "list_type"):
        return f"{shown(value)} is not a list", "write it in brackets, such as '[a, b]'"
    if kind == "string_type":
        return f"{shown(value)} is not text", "put it in quotes"
    if kind == "literal_error":
        return f"{shown(value)} is not permitted", f"write {context.get('expected', 'another')}"
    if kind.startswith("bool_"):
        return f"{shown(value)} is neither true nor false", "write true or false"
    if kind.startswith(("int_", "float_")):
        whole = "a whole number" if kind.startswith("int_") else "a number without a unit"
        return f"{shown(value)} is not {whole}", f"write {whole}"
    return None


def _bound(message: str, field: FieldInfo | None) -> str:
    """Return pydantic's text about a bound, with its unit."""
    text = message.replace("Input should", "it must")
    unit = _unit(field)
    return f"{text} {unit}" if unit and text[-1:].isdigit() else text


def shown(value: object) -> str:
    """Return a value as shown in a one-line message."""
    if value is None:
        return "nothing"
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, dict):
        return "a mapping"
    if isinstance(value, list):
        return "a list"
    text = " ".join(str(value).split())
    return f"'{text if len(text) <= 60 else text[:59] + '…'}'"


def _known(parent: type[BaseModel] | None, name: str) -> str:
    if parent is None:
        return "remove it"
    names = [field.alias or key for key, field in parent.model_fields.items()]
    return did_you_mean(name, names) or "known here: " + ", ".join(names)


def _model_at(model: type[BaseModel], data: Any, path: Path_) -> type[BaseModel] | None:
    """Return the model that holds the keys at ``path``."""
    found: type[BaseModel] | None = model
    named: FieldInfo | None = None  # a mapping whose keys are names, not fields
    for part in path:
        if isinstance(part, int):
            data = data[part] if isinstance(data, list) and part < len(data) else None
            continue
        data = data.get(part) if isinstance(data, dict) else None
        if named is not None:
            found, named = _choose(named, data), None
            continue
        field = found.model_fields.get(part) if found else None
        found = _choose(field, data)
        if field is not None and typing.get_origin(_bare(field.annotation)) is dict:
            found, named = None, field
    return found


def _bare(annotation: Any) -> Any:
    """Return a type without its annotations."""
    while typing.get_origin(annotation) is typing.Annotated:
        annotation = typing.get_args(annotation)[0]
    return annotation


def _model_field(model: type[BaseModel], data: Any, path: Path_) -> FieldInfo | None:
    parent = _model_at(model, data, path[:-1]) if path else None
    return parent.model_fields.get(str(path[-1])) if parent else None


def _models(annotation: Any) -> list[Any]:
    if hasattr(annotation, "model_for"):
        return [annotation]
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return [annotation]
    if typing.get_origin(annotation) is types.GenericAlias:
        return []
    return [model for part in typing.get_args(annotation) for model in _models(part)]


def _choose(field: FieldInfo | None, data: Any) -> type[BaseModel] | None:
    models = _models(field.annotation) if field else []
    model: type[BaseModel]
    if len(models) > 1 and isinstance(data, dict):
        for model in models:
            for name, inner in model.model_fields.items():
                tags = typing.get_args(inner.annotation)
                if typing.get_origin(inner.annotation) is typing.Literal and (
                    data.get(name) in tags
                ):
                    return model
    first = models[0] if models else None
    # A placeholder model selects the one that fits.
    model_for = getattr(first, "model_for", None)
    found: type[BaseModel] | None = first if model_for is None else model_for(data)
    return found


def _tags(field: FieldInfo | None) -> str:
    tags = [
        repr(tag)
        for model in (_models(field.annotation) if field else [])
        for inner in model.model_fields.values()
        if typing.get_origin(inner.annotation) is typing.Literal
        for tag in typing.get_args(inner.annotation)[:1]
    ]
    return ", ".join(tags[:6])


def _unit(field: FieldInfo | None) -> str:
    if field is None:
        return ""
    stack: list[Any] = [field.annotation, *field.metadata]
    while stack:
        item = stack.pop()
        if isinstance(item, Dimension):
            return item.unit_of(is_rotary())
        stack.extend(getattr(item, "__metadata__", ()))
        stack.extend(typing.get_args(item))
    return ""


def _example(field: FieldInfo | None) -> str:
    unit = _unit(field)
    if unit:
        return EXAMPLES.get(unit, f"1 {unit}")
    if field is None:
        return "…"
    if typing.get_origin(field.annotation) is typing.Literal:
        return str(typing.get_args(field.annotation)[0])
    return {int: "1", float: "1.0", str: "text", bool: "true"}.get(
        typing.cast(Any, field.annotation), "…"
    )
