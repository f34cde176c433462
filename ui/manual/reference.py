"""Reference pages written from the code, so that they cannot become outdated."""

from __future__ import annotations

import types
import typing
from collections.abc import Iterator
from typing import Any

from annotated_types import Ge, Gt, Le, Lt
from pydantic import BaseModel
from pydantic.fields import FieldInfo

from drivers.quantities import Dimension
from hil.core import COLUMNS, WORDING, Cause, Limit
from hil.profile import Profile
from hil.recorder import stored_columns

STATES = (
    ("De-energised", "off", "sensors are live; motor disabled", "power on"),
    ("Standby", "on, zero torque", "ready", "a behaviour, power off"),
    ("Running", "on", "one behaviour is active", "another behaviour, power off"),
    ("Stopped", "off, or braking and then off", "latched, with its cause", "reset"),
)


def columns() -> str:
    """Return the table of sample columns, one row a column."""
    lines = ["One row a cycle, SI units.", "", "| column | unit | type | meaning |"]
    lines.append("|---|---|---|---|")
    lines += [f"| `{c.name}` | {c.unit} | {c.kind} | {c.description} |" for c in COLUMNS]
    lines += ["", "Runs of a [rotary actuator](rotary.md) have in their place:", ""]
    lines += ["| column | unit | in place of |", "|---|---|---|"]
    lines += [
        f"| `{stored.name}` | {stored.unit} | `{column.name}` |"
        for column, stored in zip(COLUMNS, stored_columns("rotary"), strict=True)
        if stored.name != column.name
    ]
    return "\n".join(lines)


def limits() -> str:
    """Return the table of limits and other causes of a stop, with their fixes."""
    lines = [
        "The number is that of column `tripped`; a limit is also bit 1 << number of `limited`.",
        "",
        "| number | name | what happened | fix |",
        "|---|---|---|---|",
    ]
    for code in (*Limit, *Cause):
        w = WORDING[code]
        lines.append(f"| {int(code)} | {w.label} | {w.sentence} | {w.fix} |")
    return "\n".join(lines)


def states() -> str:
    """Return the table of the bench's states."""
    lines = ["| state | power stage | meaning | what may come next |", "|---|---|---|---|"]
    lines += [f"| {' | '.join(row)} |" for row in STATES]
    lines += [
        "",
        "Anyone may stop, in every state. A reset ends in De-energised and starts nothing.",
    ]
    return "\n".join(lines)


def measure_tests() -> str:
    """Return the table of guarded tests with set-up, purpose and risk."""
    from hil.measure import TESTS  # slow to load: not for every page

    lines = ["| `--only` | set-up | purpose | risk |", "|---|---|---|---|"]
    lines += [f"| `{t.key}` | {', '.join(t.fitting)} | {t.purpose} | {t.risk} |" for t in TESTS]
    return "\n".join(lines)


def profile_keys() -> str:
    """Return the table of profile keys with unit or type, default and range."""
    lines = [
        "Every quantity carries its unit. `drive` has the keys of its protocol; see",
        "[described boards](describe_a_board.md).",
        "",
        "| key | unit or type | default | range |",
        "|---|---|---|---|",
    ]
    # What an actuator and a rotary one have in common stands once.
    for key, kind, default, span in dict.fromkeys(_keys(Profile, "")):
        lines.append(f"| `{key}` | {kind} | {default} | {span} |")
    return "\n".join(lines)


def _keys(model: type[BaseModel], prefix: str) -> Iterator[tuple[str, str, str, str]]:
    for name, field in model.model_fields.items():
        key = f"{prefix}{field.alias or name}"
        parts = [*_models(field.annotation)]
        if not parts:
            yield key, _kind(field), _default(field), _span(field)
        for part in parts:
            yield from _keys(part, f"{key}.")


def _models(annotation: Any) -> Iterator[type[BaseModel]]:
    """Yield the models that a field may hold; nothing for a plain value."""
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        yield annotation
    elif typing.get_origin(annotation) in (typing.Union, types.UnionType, typing.Annotated):
        for part in typing.get_args(annotation):
            yield from _models(part)


def _kind(field: FieldInfo) -> str:
    for item in field.metadata:
        if isinstance(item, Dimension):
            return _units(item)
    for part in (field.annotation, *typing.get_args(field.annotation)):
        for item in getattr(part, "__metadata__", ()):
            if isinstance(item, Dimension):
                return _units(item)
        if typing.get_origin(part) is typing.Literal:
            return " or ".join(f"`{value}`" for value in typing.get_args(part))
    name = getattr(field.annotation, "__name__", "")
    return {"float": "number", "int": "whole number", "str": "text", "bool": "yes or no"}.get(
        name, str(name or "see the example")
    )


def _units(kind: Dimension) -> str:
    linear, rotary = kind.unit_of(False), kind.unit_of(True)
    return linear if linear == rotary else f"{linear}, rotary {rotary}"


def _default(field: FieldInfo) -> str:
    if field.is_required():
        return "required"
    value = field.get_default(call_default_factory=True)
    return "–" if value is None or value in ("", (), {}) else f"`{value}`"


def _span(field: FieldInfo) -> str:
    signs = {Gt: ">", Ge: "≥", Lt: "<", Le: "≤"}
    return ", ".join(
        f"{signs[type(item)]} {getattr(item, type(item).__name__.lower())}"
        for item in field.metadata
        if type(item) in signs
    )
