"""The law as Python: the bench's own methods, copied line by line, on the numbers of ``law.json``."""

from __future__ import annotations

import ast
import enum
import inspect
import textwrap
from collections.abc import Iterator
from typing import Any

from hil.handover.c_functions import reached
from hil.handover.law import Law
from hil.handover.translated import Graph, Method, is_object

PACKAGE = "hookeline_law"


def objects(law: Law) -> dict[str, Any]:
    """Return every object of the law with the fields that are used, as plain values for JSON."""
    graph = Graph(law)
    reached(graph)
    found = {}
    for slot in graph.slots.values():
        if slot.fields:
            values = {key: _plain(getattr(slot.value, key), graph) for key in sorted(slot.fields)}
            found[slot.path or "law"] = {"class": type(slot.value).__name__, "fields": values}
    return found


def _plain(value: Any, graph: Graph) -> Any:
    if isinstance(value, enum.Enum):
        return int(value.value)
    if isinstance(value, bool | int | str) or value is None:
        return value
    if isinstance(value, float):
        # JSON cannot represent the others.
        return value if -1.8e308 < value < 1.8e308 else {"number": str(value)}
    if isinstance(value, tuple | list):
        return {"tuple" if isinstance(value, tuple) else "list": [_plain(x, graph) for x in value]}
    assert is_object(value)
    return {"object": graph.slot(value).path or "law"}


def python_files(law: Law) -> dict[str, str]:
    """Return the modules of the package by file name, without those common to all laws."""
    modules: dict[str, list[Method]] = {}
    for function in reached(Graph(law)):
        method = function.method
        modules.setdefault(method.function.__module__, []).append(method)
    files = {}
    for module, methods in modules.items():
        files[f"{module.rpartition('.')[2]}.py"] = "\n".join(_module(module, methods)) + "\n"
    classes = {
        method.owner.__name__: module.rpartition(".")[2]
        for module, methods in modules.items()
        for method in methods
        if method.owner is not None
    }
    files["classes.py"] = _index(classes)
    return files


def _index(classes: dict[str, str]) -> str:
    lines = ['"""Classes by the name that law.json gives them."""', ""]
    lines += [f"from .{module} import {name}" for name, module in sorted(classes.items())]
    lines += ["", "CLASSES = {"]
    lines += [f'    "{name}": {name},' for name in sorted(classes)]
    return "\n".join([*lines, "}", ""])


def _module(module: str, methods: list[Method]) -> Iterator[str]:
    yield f'"""Copied from the bench\'s {module}: only what the law uses."""'
    yield ""
    yield "from __future__ import annotations"
    yield ""
    yield from _names(methods)
    for method in methods:
        if method.owner is None:
            yield ""
            yield ""
            yield method.text.rstrip()
    owners = dict.fromkeys(method.owner for method in methods if method.owner is not None)
    for owner in owners:
        yield ""
        yield ""
        yield f"class {owner.__name__}:"
        for i, method in enumerate(m for m in methods if m.owner is owner):
            if i:
                yield ""
            if isinstance(inspect.getattr_static(owner, method.name, None), property):
                yield "    @property"
            yield textwrap.indent(method.text.rstrip(), "    ")


def _names(methods: list[Method]) -> Iterator[str]:
    """Yield imports, constants and codes that the methods use."""
    imports: set[str] = set()
    constants: dict[str, Any] = {}
    codes: dict[str, set[str]] = {}
    enums: dict[str, Any] = {}
    for method in methods:
        known = method.function.__globals__
        for node in ast.walk(method.tree):
            if isinstance(node, ast.Attribute) and isinstance(node.value, ast.Name):
                value = known.get(node.value.id)
                if isinstance(value, enum.EnumMeta):
                    codes.setdefault(node.value.id, set()).add(node.attr)
                    enums[node.value.id] = value
            if not isinstance(node, ast.Name) or node.id not in known:
                continue
            value = known[node.id]
            if inspect.isfunction(value) and value.__module__ != method.function.__module__:
                # Copied with the rest of its own module.
                home = value.__module__.rpartition(".")[2]
                imports.add(f"from .{home} import {value.__name__}")
            elif inspect.ismodule(value):
                imports.add(f"import {value.__name__}")
            elif isinstance(value, bool | int | float):
                # A member of an enumeration that is bound to a name of its own is its number here.
                constants[node.id] = int(value) if isinstance(value, enum.Enum) else value
            elif inspect.isbuiltin(value) and value.__module__.startswith("_"):
                imports.add(f"from {value.__module__.lstrip('_')} import {value.__name__}")
    yield from sorted(imports)
    if imports:
        yield ""
    for name, value in sorted(constants.items()):
        yield f"{name} = {_literal(value)}"
    for name, members in sorted(codes.items()):
        yield ""
        yield ""
        yield f"class {name}:"
        for member in sorted(members):
            yield f"    {member} = {int(enums[name][member].value)}"


def _literal(value: float) -> str:
    return repr(value) if -1.8e308 < value < 1.8e308 else f'float("{value}")'
