"""Expressions of the bench's source as C99, with the type of each.

Types: ``real`` and ``int``; ``("array", n)`` and ``("rows", n, m)`` of reals, ``("row", m)``;
``("object", slot)``; ``("tuple", types)`` for what a function returns.
"""

from __future__ import annotations

import ast
import builtins
import enum
import math
import re
from typing import Any

from hil.control import Estimator, ObserverGains
from hil.handover.translated import Graph, Method, NotTranslatable, Slot, is_object

Type = Any
REAL, INT = "real", "int"
# Computed in double even where the rest is float: differences of positions that nearly cancel.
WIDE = (Estimator, ObserverGains)
MATH = {
    "sqrt": "R_SQRT",
    "exp": "R_EXP",
    "log": "R_LOG",
    "sin": "R_SIN",
    "cos": "R_COS",
    "hypot": "R_HYPOT",
    "copysign": "R_COPYSIGN",
}
OPERATORS: dict[type, str] = {
    ast.Add: "+",
    ast.Sub: "-",
    ast.Mult: "*",
    ast.Div: "/",
    ast.LShift: "<<",
    ast.BitOr: "|",
    ast.BitAnd: "&",
}
COMPARISONS: dict[type, str] = {
    ast.Lt: "<",
    ast.LtE: "<=",
    ast.Gt: ">",
    ast.GtE: ">=",
    ast.Eq: "==",
    ast.NotEq: "!=",
}


def number(value: float | enum.Enum) -> str:
    """Return a literal that reads back exactly."""
    if isinstance(value, enum.Enum):
        return str(int(value.value))
    if isinstance(value, bool | int) and abs(value) < 2**31:
        return str(int(value))
    if math.isnan(value):
        return "R_NAN"
    if math.isinf(value):
        return "R_INFINITY" if value > 0 else "(-R_INFINITY)"
    return f"R({float(value)!r})" if value >= 0 else f"(-R({-float(value)!r}))"


def as_real(code: str, kind: Type) -> str:
    """Return code that converts a whole number explicitly; real code stays."""
    if kind != INT:
        return code
    return f"R({code}.0)" if re.fullmatch(r"\d+", code) else f"((real){code})"


def type_of(value: Any, graph: Graph) -> Type:
    """Return the type of a field from the value that it was built with."""
    if isinstance(value, bool | int | str | enum.Enum) or value is None:
        return INT
    if isinstance(value, float):
        return REAL
    if isinstance(value, tuple | list):
        rows = [row for row in value if isinstance(row, tuple | list)]
        return ("rows", len(value), len(rows[0])) if rows else ("array", len(value))
    if is_object(value):
        return ("object", graph.slot(value))
    raise NotTranslatable(f"a field of type {type(value).__name__}")


class Expressions:
    """Expressions of one method.

    Attributes:
        calls: methods that were called and must be written too.
        locals: C name and type of each local name.
    """

    def __init__(self, graph: Graph, method: Method, owner: Slot | None) -> None:
        self.graph, self.method, self.owner = graph, method, owner
        self.locals: dict[str, Type] = {}
        self.calls: list[tuple[Method, Slot | None]] = []

    def refuse(self, node: ast.AST, what: str) -> NotTranslatable:
        line = getattr(node, "lineno", 0)
        return NotTranslatable(
            f"{self.method.file}:{line}: {what}; Fix: write it with numbers, branches and calls "
            "that hil.handover.c_source knows"
        )

    # ------------------------------------------------------------------ constants

    def constant(self, node: ast.AST) -> Any:
        """Return the value of a node known at translation, else NotImplemented."""
        if isinstance(node, ast.Constant):
            return node.value
        if isinstance(node, ast.Name) and node.id not in self.locals:
            known = self.method.function.__globals__
            return known.get(node.id, getattr(builtins, node.id, NotImplemented))
        if isinstance(node, ast.Attribute):
            inner = self.constant(node.value)
            if inner is not NotImplemented and (inner is math or isinstance(inner, enum.EnumMeta)):
                return getattr(inner, node.attr)
        return NotImplemented

    def truth(self, node: ast.AST) -> bool | None:
        """Return a truth value known at translation, or None."""
        if isinstance(node, ast.UnaryOp) and isinstance(node.op, ast.Not):
            inner = self.truth(node.operand)
            return None if inner is None else not inner
        if isinstance(node, ast.Attribute | ast.Name):
            kind = self.expression(node)[1]
            if kind[0] in ("array", "rows") and isinstance(kind[1], int):
                return bool(kind[1])
        return None

    # ------------------------------------------------------------------ expressions

    def real(self, node: ast.AST) -> str:
        return self.expression(node)[0]

    def expression(self, node: ast.AST) -> tuple[str, Type]:
        """Return C code and its type."""
        value = self.constant(node)
        if isinstance(value, bool | int | float | enum.Enum):
            return number(value), REAL if isinstance(value, float) else INT
        handler = getattr(self, f"_{type(node).__name__.lower()}", None)
        if handler is None:
            raise self.refuse(node, f"{type(node).__name__} is not known")
        found: tuple[str, Type] = handler(node)
        return found

    def _name(self, node: ast.Name) -> tuple[str, Type]:
        if node.id == "self" and self.owner is not None:
            return "self", ("object", self.owner)
        if node.id not in self.locals:
            raise self.refuse(node, f"the name '{node.id}' is not known")
        return node.id, self.locals[node.id]

    def _attribute(self, node: ast.Attribute) -> tuple[str, Type]:
        code, kind = self.expression(node.value)
        if kind[0] != "object":
            raise self.refuse(node, f"'.{node.attr}' of a number")
        slot: Slot = kind[1]
        method = self.property_of(node)
        if method is not None:
            self.calls.append((method, slot))
            kind = self.returned(method)
            return self._narrowed(f"{c_name(method)}({code})", kind, slot), kind
        value = getattr(slot.value, node.attr)
        kind = type_of(value, self.graph)
        self._use(slot, node.attr)
        code = f"{code}->{member(node.attr)}"
        read = isinstance(node.ctx, ast.Load)
        return (self._narrowed(code, kind, slot) if read else code), kind

    def property_of(self, node: ast.Attribute) -> Method | None:
        """Return the method behind an attribute of an object; None if it is a field."""
        kind = self.expression(node.value)[1]
        if kind[0] != "object":
            return None
        owner = type(kind[1].value)
        getter = getattr(owner, node.attr, None)
        if isinstance(getter, property) and getter.fget is not None:
            return Method(owner, node.attr, getter.fget)
        return None

    def _narrowed(self, code: str, kind: Type, slot: Slot) -> str:
        """Cast a double result where the rest is float."""
        wide = type(slot.value) in WIDE and self.method.owner not in WIDE
        return f"((real){code})" if wide and kind == REAL else code

    def _use(self, slot: Slot, name: str) -> None:
        # All objects of a class have one struct.
        for other in self.graph.slots.values():
            if type(other.value) is type(slot.value):
                other.fields.add(name)

    def _subscript(self, node: ast.Subscript) -> tuple[str, Type]:
        code, kind = self.expression(node.value)
        index = node.slice
        at = self.constant(index)
        if isinstance(index, ast.UnaryOp) and isinstance(index.op, ast.USub):
            at = -int(self.constant(index.operand))
        if kind[0] in ("array", "row", "rows"):
            place = self.real(index)
            if isinstance(at, int):
                place = str(at)
                if at < 0:
                    many = kind[1]
                    place = str(at % max(many, 1)) if isinstance(many, int) else f"{many} - {-at}"
            return f"{code}[{place}]", ("row", kind[2]) if kind[0] == "rows" else REAL
        raise self.refuse(node, "an index into what is not a row of numbers")

    def _binop(self, node: ast.BinOp) -> tuple[str, Type]:
        (left, a), (right, b) = self.expression(node.left), self.expression(node.right)
        if isinstance(node.op, ast.Pow):
            return f"R_POW({left}, {right})", REAL
        sign = OPERATORS.get(type(node.op))
        if sign is None:
            raise self.refuse(node, f"{type(node.op).__name__} is not known")
        kind = INT if (a, b) == (INT, INT) and sign != "/" else REAL
        if kind == REAL:
            left, right = as_real(left, a), as_real(right, b)
        return f"({left} {sign} {right})", kind

    def _unaryop(self, node: ast.UnaryOp) -> tuple[str, Type]:
        if isinstance(node.op, ast.Not):
            return f"(!{self.condition(node.operand)})", INT
        code, kind = self.expression(node.operand)
        if not isinstance(node.op, ast.USub):
            raise self.refuse(node, f"{type(node.op).__name__} is not known")
        return f"(-{code})", kind

    def _boolop(self, node: ast.BoolOp) -> tuple[str, Type]:
        sign = " && " if isinstance(node.op, ast.And) else " || "
        return f"({sign.join(self.condition(value) for value in node.values)})", INT

    def _compare(self, node: ast.Compare) -> tuple[str, Type]:
        parts, left = [], node.left
        for operator, right in zip(node.ops, node.comparators, strict=True):
            sign = COMPARISONS.get(type(operator))
            if sign is None:
                raise self.refuse(node, f"{type(operator).__name__} is not known")
            if sign == "!=" and ast.dump(left) == ast.dump(right):
                parts.append(f"(isnan({self.real(left)}) != 0)")  # only a NaN is not itself
            else:
                one, other = self._sides(left, right)
                parts.append(f"({one} {sign} {other})")
            left = right
        return (parts[0] if len(parts) == 1 else f"({' && '.join(parts)})"), INT

    def _sides(self, left: ast.AST, right: ast.AST) -> tuple[str, str]:
        (one, a), (other, b) = self.expression(left), self.expression(right)
        if REAL in (a, b):
            return as_real(one, a), as_real(other, b)
        # (a > 0) == (b > 0)
        one = f"({one})" if isinstance(left, ast.Compare) else one
        return one, f"({other})" if isinstance(right, ast.Compare) else other

    def _ifexp(self, node: ast.IfExp) -> tuple[str, Type]:
        known = self.truth(node.test)
        if known is not None:
            return self.expression(node.body if known else node.orelse)
        (yes, a), (no, b) = self.expression(node.body), self.expression(node.orelse)
        kind = REAL if REAL in (a, b) else a
        if kind == REAL:
            yes, no = as_real(yes, a), as_real(no, b)
        return f"({self.condition(node.test)} ? {yes} : {no})", kind

    def condition(self, node: ast.AST) -> str:
        """Return a condition; a number is true if it is not 0, an object always."""
        known = self.truth(node)
        if known is not None:
            return "1" if known else "0"
        code, kind = self.expression(node)
        if kind[0] in ("array", "rows"):
            return f"({kind[1]} > 0)"
        truth = isinstance(node, ast.Compare | ast.BoolOp) or code.startswith("(!")
        return code if truth else f"({code} != 0)"

    # ------------------------------------------------------------------ calls

    def _call(self, node: ast.Call) -> tuple[str, Type]:
        method, slot, arguments = self.called(node)
        if method is None:
            return self._builtin(node)
        kind = self.returned(method)
        if not isinstance(kind, str) and kind[0] == "tuple":
            raise self.refuse(node, "a function that returns several must be unpacked at once")
        code = f"{c_name(method)}({', '.join(arguments)})"
        return (code if slot is None else self._narrowed(code, kind, slot)), kind

    def called(self, node: ast.Call) -> tuple[Method | None, Slot | None, list[str]]:
        """Return method, its object and C arguments; no method for a function of Python."""
        if isinstance(node.func, ast.Attribute) and self.constant(node.func) is NotImplemented:
            code, kind = self.expression(node.func.value)
            if kind[0] == "object":
                slot: Slot = kind[1]
                function = getattr(type(slot.value), node.func.attr)
                method = Method(type(slot.value), node.func.attr, function)
                self.calls.append((method, slot))
                return method, slot, [code, *self._arguments(node, method)]
        function = self.constant(node.func)
        if function is NotImplemented or not hasattr(function, "__code__"):
            return None, None, []
        method = Method(None, function.__name__, function)
        self.calls.append((method, None))
        return method, None, self._arguments(node, method)

    def _arguments(self, node: ast.Call, method: Method) -> list[str]:
        names = [argument.arg for argument in method.tree.args.args if argument.arg != "self"]
        if node.keywords:
            raise self.refuse(node, "arguments by name are not known")
        codes: list[str] = []
        for argument in node.args:
            code, kind = self.expression(argument)
            codes.append(code)
            if kind[0] in ("array", "rows") and method.owner is None:
                codes.append(str(kind[1]))  # a plain function takes rows of any length
        defaults = method.function.__defaults__ or ()
        missing = len(names) - len(node.args)
        codes += [number(float(value)) for value in defaults[len(defaults) - missing :]]
        return codes

    def _builtin(self, node: ast.Call) -> tuple[str, Type]:
        name = node.func.attr if isinstance(node.func, ast.Attribute) else ast.unparse(node.func)
        if name == "len":
            kind = self.expression(node.args[0])[1]
            return str(kind[1]), INT
        arguments = [self.expression(argument) for argument in node.args]
        kind = REAL if any(t == REAL for _, t in arguments) else INT
        codes = [as_real(code, t) if kind == REAL else code for code, t in arguments]
        if name in ("min", "max"):
            macro = f"{'r' if kind == REAL else 'i'}_{name}"
            joined = codes[0]
            for code in codes[1:]:
                joined = f"{macro}({joined}, {code})"
            return joined, kind
        if name == "abs":
            return f"R_ABS({codes[0]})", REAL
        if name in MATH:
            return f"{MATH[name]}({', '.join(codes)})", REAL
        if name == "bisect_right":
            length = self.expression(node.args[0])[1][1]
            return f"r_after({codes[0]}, {length}, {codes[1]})", INT
        raise self.refuse(node, f"'{name}' is not known")

    def returned(self, method: Method) -> Type:
        """Return the type of a method's return annotation."""
        return annotated(method.function.__annotations__.get("return"), method)


def annotated(annotation: Any, method: Method) -> Type:
    """Return the type of an annotation as it is written in the source."""
    known = method.function.__globals__
    text = str(annotation)
    if text in ("None", ""):
        return "void"
    if text == "float":
        return REAL
    if text in ("int", "bool"):
        return INT
    if text == "list[float]":
        return ("array", "n")
    return _of_type(eval(text, known), text, method)


def _of_type(value: Any, text: str, method: Method) -> Type:
    arguments = getattr(value, "__args__", None)
    if arguments and arguments[-1] is Ellipsis:  # of any length
        inner = arguments[0]
        return ("array", "n") if inner is float else ("rows", "n", len(inner.__args__))
    if getattr(value, "__origin__", None) is tuple and arguments:
        if all(argument is float for argument in arguments):
            return ("tuple", [REAL] * len(arguments))
        return ("tuple", [REAL if a is float else ("array", len(a.__args__)) for a in arguments])
    if isinstance(value, type) and value.__module__ != "builtins":
        return ("class", value)
    raise NotTranslatable(
        f"{method.file}:{method.tree.lineno}: the annotation '{text}' is not known; Fix: take and "
        "return numbers and objects of the law"
    )


def c_name(method: Method) -> str:
    """Return the C name of a method."""
    name = method.name.strip("_")
    return f"{method.owner.__name__}_{name}" if method.owner else f"law_{name}"


def member(name: str) -> str:
    """Return the C name of a field: ``_x`` and ``x`` differ, and no name is a keyword of C."""
    return f"{name[1:]}_" if name.startswith("_") else name
