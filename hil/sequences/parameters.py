"""Parameters of a sequence: values within a range, chosen at each performance."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from pydantic import ValidationError
from pydantic_core import PydanticCustomError

from drivers.quantities import dimension
from drivers.suggest import did_you_mean
from hil.profile import Problem, Source, explain, shown
from hil.sequences.sequence_steps import Parameter

# Kinds of quantity that a step may take.
_UNITS = ("N", "m", "s", "m/s", "N/m", "N*s/m", "kg", "Hz", "V", "degC")


@dataclass(frozen=True)
class Ranged:
    """A parameter as it is declared.

    Attributes:
        unit: SI unit; '' for a whole number.
        least, most: permitted values in SI.
        value, words: the default and the range, as written.
    """

    unit: str
    least: float
    most: float
    value: Any
    words: str

    def read(self, given: object) -> float:
        """Return ``given`` in SI.

        Raises:
            ValueError: "what; fix": wrong kind, or outside the range.
        """
        if self.unit:
            try:
                number = dimension(self.unit).parse(given)
            except PydanticCustomError as error:
                raise ValueError(f"{error.message()}; write {self.words}") from None
        elif isinstance(given, int) and not isinstance(given, bool):
            number = float(given)
        else:
            raise ValueError(f"{shown(given)} is not a whole number; write {self.words}")
        # Units are converted in floating point: 60 mm is 0.06 m plus a rounding error.
        slack = 1e-9 * max(abs(self.least), abs(self.most))
        if not self.least - slack <= number <= self.most + slack:
            raise ValueError(f"{shown(given)} is outside its range; write {self.words}")
        return number


def read_parameters(source: Source) -> tuple[dict[str, Ranged], list[Problem]]:
    """Return the parameters that a file declares, and the problems found."""
    found: dict[str, Ranged] = {}
    problems: list[Problem] = []
    for name, data in source.data.get("parameters", {}).items():
        path = ("parameters", name)
        if not isinstance(data, dict):
            problems.append(
                source.problem(path, "not a mapping", "write '{value: 20 N, from: 5 N, to: 60 N}'")
            )
            continue
        try:
            declared = Parameter.model_validate(data)
        except ValidationError as error:
            problems += explain(error, Parameter, source, path)
            continue
        words = f"{shown(declared.least)} to {shown(declared.most)}"
        unit = _unit_of(declared.value)
        if unit is None:
            fix = "write for instance '20 N', or a whole number"
            problems.append(
                source.problem((*path, "value"), f"{shown(declared.value)} is not a quantity", fix)
            )
            continue
        anything = Ranged(unit, float("-inf"), float("inf"), declared.value, "the same kind")
        ends = {}
        for key, end in (("from", declared.least), ("to", declared.most)):
            try:
                ends[key] = anything.read(end)
            except ValueError as error:
                what, _, _ = str(error).partition("; ")
                fix = "write it in the unit of its 'value'"
                problems.append(source.problem((*path, key), what, fix))
        if len(ends) < 2:
            continue
        ranged = Ranged(unit, ends["from"], ends["to"], declared.value, words)
        try:
            ranged.read(declared.value)
        except ValueError as error:
            what, _, fix = str(error).partition("; ")
            problems.append(source.problem((*path, "value"), what, fix))
            continue
        found[name] = ranged
    return found, problems


def settle_values(
    declared: Mapping[str, Ranged], given: Mapping[str, object]
) -> tuple[dict[str, Any], list[tuple[str, str, str]]]:
    """Return the value of every parameter, and (name, what, fix) of every wrong one."""
    values = {name: ranged.value for name, ranged in declared.items()}
    wrong = []
    for name, value in given.items():
        ranged = declared.get(name)
        if ranged is None:
            wrong.append((name, f"no parameter '{name}'", nearest(name, declared)))
            continue
        try:
            ranged.read(value)
        except ValueError as error:
            what, _, fix = str(error).partition("; ")
            wrong.append((name, what, fix))
            continue
        values[name] = value
    return values, wrong


def with_values(
    data: Any, values: Mapping[str, Any], path: tuple[str | int, ...]
) -> tuple[Any, list[tuple[tuple[str | int, ...], str, str]]]:
    """Return ``data`` with each ``{parameter: NAME}`` replaced, and (path, what, fix) of errors.

    Lists of steps are left as they are: each step is looked at on its own.
    """
    if not isinstance(data, dict):
        return data, []
    if data.keys() == {"parameter"}:
        name = data["parameter"]
        if isinstance(name, str) and name in values:
            return values[name], []
        return None, [((*path, "parameter"), f"no parameter {shown(name)}", nearest(name, values))]
    result, wrong = {}, []
    for key, inner in data.items():
        result[key], found = with_values(inner, values, (*path, key))
        wrong += found
    return result, wrong


def nearest(name: object, known: Mapping[str, Any]) -> str:
    """Return the fix for an unknown name."""
    if hint := did_you_mean(name, known):
        return hint
    if known:
        return f"declared: {', '.join(known)}"
    return "declare it under 'parameters' of the file"


def _unit_of(value: object) -> str | None:
    if isinstance(value, int) and not isinstance(value, bool):
        return ""
    for unit in _UNITS:
        try:
            dimension(unit).parse(value)
        except PydanticCustomError:
            continue
        return unit
    return None
