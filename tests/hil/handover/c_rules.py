"""Coding rules, each checked in the syntax of the law's C.

These are the rules of MISRA C:2012 that a program can check here; numbers from memory.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from typing import Any

from pycparser import c_ast

from tests.hil.handover.c_syntax import COMPARISONS, LIBRARY, Unit, ends_with_return, walk


def _nodes(unit: Unit, *kinds: Any) -> list[Any]:
    return [node for node in walk(unit.tree) if isinstance(node, kinds)]


def _calls(function: Any) -> set[str]:
    return {n.name.name for n in walk(function) if isinstance(n, c_ast.FuncCall)}


def no_recursion(unit: Unit) -> list[str]:
    calls = {name: _calls(f) & set(unit.functions) for name, f in unit.functions.items()}
    done: set[str] = set()
    while ready := {name for name in calls if name not in done and calls[name] <= done}:
        done |= ready
    return sorted(set(calls) - done)


def known_calls(unit: Unit) -> list[str]:
    names = {name for f in unit.functions.values() for name in _calls(f)}
    plain = {n if n == "isnan" or n in LIBRARY else n.removesuffix("f") for n in names}
    return sorted(plain - LIBRARY - set(unit.functions))


def compound_bodies(unit: Unit) -> list[str]:
    bodies = [n.stmt for n in _nodes(unit, c_ast.For, c_ast.While)]
    for node in _nodes(unit, c_ast.If):
        bodies += [node.iftrue] + ([node.iffalse] if node.iffalse is not None else [])
    return [str(type(body)) for body in bodies if not isinstance(body, c_ast.Compound)]


def boolean_conditions(unit: Unit) -> list[str]:
    def boolean(node: Any) -> bool:
        if isinstance(node, c_ast.UnaryOp):
            return node.op == "!" and boolean(node.expr)
        if not isinstance(node, c_ast.BinaryOp):
            return False
        if node.op in ("&&", "||"):
            return boolean(node.left) and boolean(node.right)
        return node.op in COMPARISONS

    tests = _nodes(unit, c_ast.If, c_ast.While, c_ast.For, c_ast.TernaryOp)
    tests += [n for n in _nodes(unit, c_ast.UnaryOp) if n.op == "!"]
    return [
        str(getattr(n, "cond", None) or n.expr)
        for n in tests
        if not boolean(n.cond if hasattr(n, "cond") else n.expr)
    ]


def simple_loops(unit: Unit) -> list[str]:
    wrong = []
    for function in unit.functions.values():
        names = unit.locals_of(function)
        for loop in (n for n in walk(function) if isinstance(n, c_ast.For)):
            counter = loop.init.lvalue.name
            written = [
                n
                for n in walk(loop.stmt)
                if isinstance(n, c_ast.Assignment)
                and isinstance(n.lvalue, c_ast.ID)
                and n.lvalue.name == counter
            ]
            if unit.kind(loop.init.lvalue, names) != "int" or written:
                wrong.append(counter)
            if loop.cond.left.name != counter or loop.next.expr.name != counter:
                wrong.append(counter)
    return wrong


def assignments_alone(unit: Unit) -> list[str]:
    wrong = []
    for node in walk(unit.tree):
        loop = isinstance(node, c_ast.For)
        if isinstance(node, c_ast.Compound | c_ast.Case | c_ast.Default):
            continue
        for name, child in node.children():
            if isinstance(child, c_ast.Assignment) and not (loop and name == "init"):
                wrong.append(str(child.lvalue))
            steps = isinstance(child, c_ast.UnaryOp) and child.op in ("++", "p++", "--", "p--")
            if steps and not (loop and name == "next"):
                wrong.append(str(child.expr))
    return wrong


def results_used(unit: Unit) -> list[str]:
    wrong = []
    for node in _nodes(unit, c_ast.Compound):
        for item in node.block_items or []:
            if isinstance(item, c_ast.FuncCall):
                function = unit.functions[item.name.name]
                if function.decl.type.type.type.names != ["void"]:
                    wrong.append(item.name.name)
    return wrong


def one_kind(unit: Unit) -> list[str]:
    """Find operands, assignments and return values of mixed kinds, which hide a conversion."""
    wrong = []
    for function in unit.functions.values():
        names = unit.locals_of(function)
        returned = function.decl.type.type.type.names
        for node in walk(function):
            sides: list[Any] = []
            if isinstance(node, c_ast.BinaryOp) and node.op not in ("&&", "||"):
                sides = [node.left, node.right]
            elif isinstance(node, c_ast.Assignment):
                sides = [node.lvalue, node.rvalue]
            elif isinstance(node, c_ast.TernaryOp):
                sides = [node.iftrue, node.iffalse]
            kinds = {unit.kind(side, names) for side in sides}
            if isinstance(node, c_ast.Return) and node.expr is not None:
                kinds = {unit.kind(node.expr, names), "int" if returned == ["int"] else "real"}
            if {"real", "int"} <= kinds:
                wrong.append(f"{function.decl.name}: {type(node).__name__}")
    return wrong


def no_pointer_arithmetic(unit: Unit) -> list[str]:
    wrong = []
    for function in unit.functions.values():
        names = unit.locals_of(function)
        for node in walk(function):
            if not (isinstance(node, c_ast.BinaryOp) and node.op in ("+", "-")):
                continue
            if "other" in {unit.kind(side, names) for side in (node.left, node.right)}:
                wrong.append(function.decl.name)
    return wrong


def nothing_unreachable(unit: Unit) -> list[str]:
    return [
        str(type(item))
        for node in _nodes(unit, c_ast.Compound)
        for item in (node.block_items or [])[:-1]
        if ends_with_return(item)
    ]


def used_locals(unit: Unit) -> list[str]:
    wrong = []
    for name, function in unit.functions.items():
        used = {n.name for n in walk(function.body) if isinstance(n, c_ast.ID)}
        wrong += [f"{name}: {local}" for local in unit.locals_of(function) if local not in used]
    return wrong


def none_of(*kinds: Any) -> Callable[[Unit], list[str]]:
    return lambda unit: [type(node).__name__ for node in _nodes(unit, *kinds)]


def no_static_data(unit: Unit) -> list[str]:
    return [
        node.name
        for node in unit.tree.ext
        if isinstance(node, c_ast.Decl) and node.name and not isinstance(node.type, c_ast.FuncDecl)
    ]


def static_functions(unit: Unit) -> list[str]:
    return [
        name
        for name, function in unit.functions.items()
        if "static" not in function.decl.storage and not name.lower().startswith("law_")
    ]


# Number of each rule and the function that finds its violations.
RULES: dict[str, Callable[[Unit], list[str]]] = {
    "2.1": nothing_unreachable,
    "2.2": used_locals,
    "8.8": static_functions,
    "8.9": no_static_data,
    "10.4": one_kind,
    "13.4": assignments_alone,
    "14.2": simple_loops,
    "14.4": boolean_conditions,
    "15.1": none_of(c_ast.Goto, c_ast.Label),
    "15.4": none_of(c_ast.Break, c_ast.Continue),
    "15.6": compound_bodies,
    "16.1": none_of(c_ast.Switch),
    "17.2": no_recursion,
    "17.7": results_used,
    "18.4": no_pointer_arithmetic,
    "19.2": none_of(c_ast.Union),
    "21.3": known_calls,
}


def rules_named(readme: str) -> set[str]:
    """Return the numbers of the rules that the README lists as checked by syntax."""
    part = readme[readme.index("Checked by syntax") : readme.index("Checked by the compiler")]
    return set(re.findall(r"\((\d+\.\d+)\)", part))
