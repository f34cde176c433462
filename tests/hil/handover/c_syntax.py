"""The C law read by a C parser, with its operations counted.

Independent of ``hil.handover``: types come from the C declarations, branches and loops from the C
syntax.
"""

from __future__ import annotations

import functools
import subprocess
from collections import Counter
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from pycparser import c_ast, c_parser

Count = Counter[str]
ARITHMETIC = {"+": "add", "-": "add", "*": "multiply", "/": "divide"}
COMPARISONS = {"<", "<=", ">", ">=", "==", "!="}
LIBRARY = {"sqrt", "exp", "log", "sin", "cos", "pow", "hypot", "copysign", "fabs", "isnan"}


class Unit:
    """The syntax of law.c with law.h, in one precision."""

    def __init__(self, folder: Path, single: bool = False) -> None:
        # The parser cannot read the compiler's own headers; only function names of <math.h> are
        # used.
        text = (folder / "law.c").read_text().replace("#include <math.h>\n", "")
        words = ["gcc", "-std=c99", "-E", "-P", f"-I{folder}", "-x", "c", "-"]
        words += ["-DLAW_SINGLE"] if single else []
        done = subprocess.run(words, input=text, capture_output=True, text=True, check=True)
        self.tree = c_parser.CParser().parse(done.stdout)
        self.functions = {n.decl.name: n for n in self.tree.ext if isinstance(n, c_ast.FuncDef)}
        self.structs = {
            n.type.name: {field.name: field.type for field in n.type.decls}
            for n in self.tree.ext
            if isinstance(n, c_ast.Decl) and isinstance(n.type, c_ast.Struct) and n.type.decls
        }

    # ------------------------------------------------------------------ types

    def locals_of(self, function: c_ast.FuncDef) -> dict[str, Any]:
        """Return the types of parameters and local names."""
        arguments = function.decl.type.args
        found = {a.name: a.type for a in (arguments.params if arguments else []) if a.name}
        for item in function.body.block_items or []:
            if isinstance(item, c_ast.Decl):
                found[item.name] = item.type
        return found

    def type_of(self, node: Any, names: dict[str, Any]) -> Any:
        """Return the declared type of an expression; 'real' or 'int' for a computed one."""
        if isinstance(node, c_ast.ID):
            return names.get(node.name, "real")  # NAN and INFINITY
        if isinstance(node, c_ast.StructRef):
            base = self.type_of(node.name, names)
            if node.type == "->":
                base = base.type
            return self.structs[base.type.name][node.field.name]
        if isinstance(node, c_ast.ArrayRef):
            return self.type_of(node.name, names).type
        if isinstance(node, c_ast.FuncCall):
            name = node.name.name
            if name in self.functions:
                return self.functions[name].decl.type.type
            return "int" if name == "isnan" else "real"
        if isinstance(node, c_ast.Cast):
            return node.to_type.type
        if isinstance(node, c_ast.Constant):
            return "int" if node.type == "int" else "real"
        if isinstance(node, c_ast.TernaryOp):
            return self._wider(node.iftrue, node.iffalse, names)
        if isinstance(node, c_ast.BinaryOp):
            if node.op in COMPARISONS or node.op in ("&&", "||"):
                return "int"
            return self._wider(node.left, node.right, names)
        if isinstance(node, c_ast.UnaryOp):
            return "int" if node.op == "!" else self.type_of(node.expr, names)
        raise AssertionError(f"{type(node).__name__} has no type")

    def _wider(self, one: Any, other: Any, names: dict[str, Any]) -> str:
        return "real" if "real" in (self.kind(one, names), self.kind(other, names)) else "int"

    def kind(self, node: Any, names: dict[str, Any]) -> str:
        """Return 'real', 'int' or 'other' (a pointer, an array, a struct)."""
        found = self.type_of(node, names)
        if isinstance(found, str):
            return found
        if isinstance(found, c_ast.TypeDecl) and isinstance(found.type, c_ast.IdentifierType):
            return "int" if found.type.names == ["int"] else "real"
        return "other"


@functools.cache
def unit_of(folder: Path, single: bool = False) -> Unit:
    """Return the unit of a folder that does not change; read once."""
    return Unit(folder, single)


def walk(node: Any) -> Iterator[Any]:
    yield node
    for _, child in node.children():
        yield from walk(child)


# ---------------------------------------------------------------------- operations


class Operations:
    """Worst-case operation count of each function of a unit.

    Args:
        longest: iterations of a loop whose end is an argument.
    """

    def __init__(self, unit: Unit, longest: int) -> None:
        self._unit, self._longest = unit, longest
        self._names: dict[str, Any] = {}

    def of(self, name: str) -> Count:
        function = self._unit.functions[name]
        before, self._names = self._names, self._unit.locals_of(function)
        found = self._block(function.body.block_items or [])
        self._names = before
        return found

    def _block(self, items: list[Any]) -> Count:
        total: Count = Counter()
        for place, item in enumerate(items):
            if isinstance(item, c_ast.If):
                yes, no = self._side(item.iftrue), self._side(item.iffalse)
                ends = [ends_with_return(item.iftrue), ends_with_return(item.iffalse)]
                total += self._cost(item.cond)
                if not any(ends):
                    total += yes | no
                    continue
                rest = self._block(items[place + 1 :])
                return total + ((yes if ends[0] else yes + rest) | (no if ends[1] else no + rest))
            total += self._statement(item)
        return total

    def _side(self, node: Any) -> Count:
        return Counter() if node is None else self._block(node.block_items or [])

    def _statement(self, node: Any) -> Count:
        if isinstance(node, c_ast.For):
            rounds = self._rounds(node)
            each = self._cost(node.cond)
            inner = self._side(node.stmt) + self._cost(node.next)
            return self._cost(node.init) + times(each, rounds + 1) + times(inner, rounds)
        if isinstance(node, c_ast.While):
            each = self._cost(node.cond)
            return times(each, self._longest + 1) + times(self._side(node.stmt), self._longest)
        if isinstance(node, c_ast.Return):
            return Counter() if node.expr is None else self._cost(node.expr)
        if isinstance(node, c_ast.Decl):
            return Counter() if node.init is None else self._cost(node.init)
        return self._cost(node)

    def _rounds(self, node: c_ast.For) -> int:
        first, last = value_of(node.init.rvalue), value_of(node.cond.right)
        if first is None or last is None:
            return self._longest
        return {"<": last - first, ">": first - last, ">=": first - last + 1}[node.cond.op]

    def _cost(self, node: Any) -> Count:
        if isinstance(node, c_ast.TernaryOp):
            sides = self._cost(node.iftrue) | self._cost(node.iffalse)
            return self._cost(node.cond) + sides
        inner = sum((self._cost(child) for _, child in node.children()), Counter[str]())
        if isinstance(node, c_ast.FuncCall):
            name = node.name.name.removesuffix("f") if node.name.name != "isnan" else "compare"
            if node.name.name in self._unit.functions:
                return inner + self.of(node.name.name)
            assert name in LIBRARY or name == "compare", name
            return inner + Counter({name: 1})
        if isinstance(node, c_ast.UnaryOp):
            if node.op in ("++", "p++", "--", "p--"):
                return inner + Counter({"integer": 1})
            if node.op == "-" and not isinstance(unwrapped(node.expr), c_ast.Constant):
                real = self._unit.kind(node.expr, self._names) == "real"
                return inner + Counter({"add" if real else "integer": 1})
            return inner
        if isinstance(node, c_ast.BinaryOp):
            return inner + self._operation(node)
        return inner

    def _operation(self, node: c_ast.BinaryOp) -> Count:
        if node.op in ("&&", "||"):
            return Counter()
        kinds = [self._unit.kind(side, self._names) for side in (node.left, node.right)]
        real = "real" in kinds
        if node.op in COMPARISONS:
            truth = node.op == "!=" and not real and value_of(node.right) == 0
            return Counter() if truth else Counter({"compare" if real else "integer": 1})
        return Counter({ARITHMETIC.get(node.op, "integer") if real else "integer": 1})


def times(count: Count, many: int) -> Count:
    return Counter({kind: many * number for kind, number in count.items()})


def ends_with_return(node: Any) -> bool:
    if isinstance(node, c_ast.Compound):
        return bool(node.block_items) and ends_with_return(node.block_items[-1])
    if isinstance(node, c_ast.If):
        return ends_with_return(node.iftrue) and ends_with_return(node.iffalse)
    return isinstance(node, c_ast.Return)


def unwrapped(node: Any) -> Any:
    while isinstance(node, c_ast.Cast):
        node = node.expr
    return node


def value_of(node: Any) -> int | None:
    """Return the value of an integer constant; None for anything else."""
    if isinstance(node, c_ast.Constant) and node.type == "int":
        return int(node.value)
    if isinstance(node, c_ast.BinaryOp) and node.op in ("+", "-"):
        left, right = value_of(node.left), value_of(node.right)
        if left is None or right is None:
            return None
        return left + right if node.op == "+" else left - right
    return None
