"""Words that fit at the cursor of a sequence file, and the ranges of this rig. No Qt."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Literal, get_args, get_origin

from pydantic import BaseModel

from drivers.motion import DAMPING, FORCE, LENGTH, SPEED, STIFFNESS
from hil.control import passive_bounds
from hil.profile import Profile
from hil.sequences import MEASURED_VALUES, STEP_MODELS, Head

_DO = re.compile(r"\bdo:\s*([a-z_]+)")
_BARE = re.compile(r"^\s*-\s*([a-z_]+)\s*$")
_VALUE = re.compile(r"([a-z_]+):\s*(?:'|\")?([^,:{}\[\]]*)$")
_WORD = re.compile(r"([a-z_]*)$")


@dataclass(frozen=True)
class Hint:
    """Completion and range at the cursor.

    Attributes:
        words: that fit here and begin with ``typed``.
        typed: part of the word before the cursor.
        range: permitted values of what is being written, as text; '' if it has none.
    """

    words: tuple[str, ...] = ()
    typed: str = ""
    range: str = ""


def hint(text: str, cursor: int, profile: Profile) -> Hint:
    """Return what fits at ``cursor`` of a sequence file."""
    before = text[:cursor]
    line = before.rpartition("\n")[2]
    match = _WORD.search(line)
    typed = match[1] if match else ""
    head = line[: len(line) - len(typed)]
    value = _VALUE.search(line)
    kind = kind_at(text, cursor)
    if value is not None and value[1] == "do":
        return _of(STEP_MODELS, typed)
    if value is not None:
        words = _choices(kind, value[1])
        return Hint(_begin(words, typed), typed, range_of(kind, value[1], profile))
    if re.fullmatch(r"\s*-\s*", head):
        return _of((*_alone(), "{do: "), typed)
    if re.search(r"[{,]\s*$", head) or (kind and re.fullmatch(r"\s+", head)):
        if not kind:
            return _of(("do: ",), typed)
        return _of(tuple(f"{name}: " for name in _keys(kind)), typed)
    if head == "":
        return _of(tuple(f"{name}: " for name in Head.model_fields), typed)
    return Hint(typed=typed)


def kind_at(text: str, cursor: int) -> str:
    """Return the kind of the step that the cursor is in; '' outside one."""
    lines = text[:cursor].split("\n")
    rest = text[cursor:].partition("\n")[0]
    step: list[str] = [lines[-1] + rest]
    for line in reversed(lines[:-1]):
        if step[0].lstrip().startswith("-"):
            break
        step.insert(0, line)
    joined = "\n".join(step)
    if not joined.lstrip().startswith("-"):
        return ""
    found = _DO.search(joined) or _BARE.match(joined)
    kind = found[1] if found else ""
    return kind if kind in STEP_MODELS else ""


def range_of(kind: str, key: str, profile: Profile) -> str:
    """Return the range of a value on this rig as text; '' if the rig sets none."""
    limits = profile.limits
    force = f"{FORCE(-limits.force.limited):.4g} to {FORCE(limits.force.limited):.4g}{FORCE}"
    travel = f"{LENGTH(limits.travel.lower):.4g} to {LENGTH(limits.travel.upper):.4g}{LENGTH}"
    ranges = {
        "force": force,
        "bias": force,
        "position": travel,
        "rest": travel,
        "speed": f"up to {SPEED(limits.speed.limited):.4g}{SPEED}",
        "damping": f"0 to {DAMPING.written(limits.damping, '.4g')}",
        "stiffness": f"up to {STIFFNESS(passive_bounds(profile)[0]):.4g}{STIFFNESS}",
        "frequency": f"up to {min(profile.control.rate / 10, 500):.4g} Hz",
        "for": "up to 3600 s",
    }
    if kind == "push":
        ranges["frequency"] = "up to 20 Hz"
        ranges["force"] = "of a hand at the load, simulated rig"
    if key == "mass" and profile.rig.weights:
        return "one of " + ", ".join(f"{weight:g} kg" for weight in profile.rig.weights)
    text = ranges.get(key, "")
    return f"{key}: {text}" if text else ""


def _of(words: object, typed: str) -> Hint:
    return Hint(_begin(tuple(str(word) for word in words), typed), typed)  # type: ignore[attr-defined]


def _begin(words: tuple[str, ...], typed: str) -> tuple[str, ...]:
    return tuple(word for word in words if word.startswith(typed) and word != typed)


def _keys(kind: str) -> list[str]:
    fields = STEP_MODELS[kind].model_fields
    return [field.alias or name for name, field in fields.items() if name != "do"]


def _alone() -> tuple[str, ...]:
    """Return the kinds of step that need nothing else and may be a bare word."""
    return tuple(
        kind
        for kind, model in STEP_MODELS.items()
        if not any(
            field.is_required() for name, field in model.model_fields.items() if name != "do"
        )
    )


def _choices(kind: str, key: str) -> tuple[str, ...]:
    model: type[BaseModel] | None = STEP_MODELS.get(kind)
    if model is None:
        return ()
    if kind == "wait_until" and key in ("value", "of"):
        return tuple(MEASURED_VALUES)
    for name, field in model.model_fields.items():
        if (field.alias or name) != key:
            continue
        kinds = (field.annotation, *get_args(field.annotation))
        words = [w for one in kinds if get_origin(one) is Literal for w in get_args(one)]
        if bool in kinds:
            return ("true", "false")
        return tuple(str(word) for word in words)
    return ()
