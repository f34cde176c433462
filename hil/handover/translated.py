"""Objects, fields and methods that a law reaches, read from the source that the bench runs.

The graph is walked from one built ``Law``: each object once, each field with the value that it
was built with. Only fields that the methods use are kept.
"""

from __future__ import annotations

import ast
import enum
import functools
import inspect
import textwrap
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

from hil.handover.law import Law

ENTRIES = ("reference", "begin", "sense", "rest", "act")  # of Law, in the order of a cycle
# Fields that a receiver reads after a cycle: path of the object, field.
READ = (
    ("estimator", "output_position_m"),
    ("estimator", "output_velocity_m_s"),
    ("estimator", "nut_velocity_m_s"),
    ("estimator", "deflection_rate_m_s"),
    ("estimator", "motor_force_N"),
    ("supervisor.heat", "heat"),
    ("", "deflection_m"),
    ("", "spring_force_N"),
    ("", "force_u95_N"),
    ("", "shaped_force_N"),
    ("", "torque_N_m"),
    ("", "velocity_m_s"),
    ("", "limited"),
    ("", "tripped"),
)


class NotTranslatable(Exception):
    """Source that the translator does not support; the text names file and line."""


@dataclass
class Slot:
    """One object of the law: ``name`` in the code, ``path`` from the law in Python."""

    name: str
    path: str
    value: Any
    fields: set[str] = field(default_factory=set)


@dataclass(frozen=True)
class Method:
    """A function of the bench's source."""

    owner: type | None
    name: str
    function: Callable[..., Any]

    @property
    def tree(self) -> ast.FunctionDef:
        """Its syntax, with the lines of its file."""
        return _syntax(self.function)

    @property
    def text(self) -> str:
        """Its source, not indented, without decorators."""
        text = textwrap.dedent(inspect.getsource(self.function))
        return text[text.index("def ") :]

    @property
    def file(self) -> str:
        return inspect.getsourcefile(self.function) or "?"


@functools.cache
def _syntax(function: Callable[..., Any]) -> ast.FunctionDef:
    lines, first = inspect.getsourcelines(function)
    [node] = ast.parse(textwrap.dedent("".join(lines))).body
    assert isinstance(node, ast.FunctionDef)
    ast.increment_lineno(node, first - 1)
    return node


def is_object(value: object) -> bool:
    """Return whether a field holds an object, not a number, a text or a row of numbers."""
    return not isinstance(
        value, bool | int | float | str | tuple | list | dict | enum.Enum | type(None)
    ) and hasattr(type(value), "__dict__")


class Graph:
    """Slots of one law.

    Attributes:
        slots: slots by the identity of their object, the law's own first.
    """

    def __init__(self, law: Law) -> None:
        self.law = law
        self.slots: dict[int, Slot] = {}
        self._walk(law, "")

    def _walk(self, value: Any, path: str) -> None:
        if id(value) in self.slots:
            return
        name = path.replace(".", "_") or "law"
        self.slots[id(value)] = Slot(name, path, value)
        for key, inner in fields_of(value).items():
            if is_object(inner) and type(inner).__module__.startswith("hil."):
                self._walk(inner, f"{path}.{key}" if path else key)

    def of_class(self, owner: type) -> Slot:
        """Return the first slot of a class; all of one class have fields of one kind."""
        for slot in self.slots.values():
            if type(slot.value) is owner:
                return slot
        raise KeyError(owner)

    def slot(self, value: object) -> Slot:
        return self.slots[id(value)]

    def at(self, path: str) -> Slot:
        """Return the slot at a path from the law.

        Raises:
            KeyError: no such object.
        """
        value: Any = self.law
        for part in path.split(".") if path else ():
            value = getattr(value, part)
        return self.slots[id(value)]


def fields_of(value: Any) -> dict[str, Any]:
    """Return an object's fields with their values."""
    if hasattr(type(value), "model_fields"):
        return {name: getattr(value, name) for name in type(value).model_fields}
    return dict(vars(value))
