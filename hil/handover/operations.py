"""Worst-case operations of the law, counted from the syntax of the source that it is written from.

Of a branch the larger side counts, operation by operation; a loop counts as often as it can run. So
no path through the law takes more of any one kind, though none may take them all.
"""

from __future__ import annotations

import ast
from collections import Counter
from collections.abc import Sequence

from hil.handover.c_expressions import MATH, REAL, c_name
from hil.handover.c_functions import CFunction, reached
from hil.handover.law import Law
from hil.handover.translated import ENTRIES, Graph, fields_of

ADD, MULTIPLY, DIVIDE, COMPARE, INTEGER = "add", "multiply", "divide", "compare", "integer"
KINDS: dict[type, str] = {ast.Add: ADD, ast.Sub: ADD, ast.Mult: MULTIPLY, ast.Div: DIVIDE}
Count = Counter[str]


def worst_case(law: Law) -> dict[str, dict[str, int]]:
    """Return operations by entry of the law and by kind; ``cycle`` is a whole cycle.

    ``add`` has subtractions and changes of sign, ``compare`` those of reals, ``integer`` all of whole
    numbers, those of loops included; other names are functions of the mathematical library. Loads,
    stores, conversions, truth tests and calls are not counted.
    """
    graph = Graph(law)
    counter = Operations(reached(graph), longest_row(graph))
    found = {entry: counter.of(f"Law_{entry}") for entry in ENTRIES}
    begin = found["reference"] | found["begin"]
    cycle = begin + found["sense"] + (found["act"] | found["rest"])
    return {name: dict(sorted(count.items())) for name, count in (("cycle", cycle), *found.items())}


def longest_row(graph: Graph) -> int:
    """Return the length of the longest row of numbers in the law: no loop over one runs longer."""
    rows = [
        len(value)
        for slot in graph.slots.values()
        for value in fields_of(slot.value).values()
        if isinstance(value, tuple | list)
    ]
    return max(rows, default=0)


class Operations:
    """Counts of functions, each counted once."""

    def __init__(self, functions: Sequence[CFunction], longest: int) -> None:
        self._functions = {c_name(function.method): function for function in functions}
        self._longest = longest
        self._counted: dict[str, Count] = {}

    def of(self, name: str) -> Count:
        """Return the count of one function by its name in C, with all that it calls."""
        if name not in self._counted:
            function = self._functions[name]
            counting = _Counting(self, function, self._longest)
            self._counted[name] = counting.block(function.method.tree.body)
        return self._counted[name]


class _Counting:
    def __init__(self, all_of: Operations, function: CFunction, longest: int) -> None:
        self._all, self._function, self._longest = all_of, function, longest

    # ------------------------------------------------------------------ statements

    def block(self, nodes: Sequence[ast.stmt]) -> Count:
        total: Count = Counter()
        for place, node in enumerate(nodes):
            if isinstance(node, ast.If) and self._function.truth(node.test) is None:
                yes, no = self.block(node.body), self.block(node.orelse)
                ends = [any(map(self._function.ends, way)) for way in (node.body, node.orelse)]
                total += self.cost(node.test)
                if not any(ends):
                    total += yes | no
                    continue
                rest = self.block(nodes[place + 1 :])
                return total + ((yes if ends[0] else yes + rest) | (no if ends[1] else no + rest))
            total += self._statement(node)
            if self._function.ends(node):
                break
        return total

    def _statement(self, node: ast.stmt) -> Count:
        if isinstance(node, ast.If):
            return self.block(node.body if self._function.truth(node.test) else node.orelse)
        if isinstance(node, ast.For):
            return self._loop(node)
        if isinstance(node, ast.AugAssign):
            return self.cost(ast.copy_location(ast.BinOp(node.target, node.op, node.value), node))
        if isinstance(node, ast.Assign | ast.Expr | ast.Return):
            return Counter() if node.value is None else self.cost(node.value)
        raise self._function.refuse(node, f"{type(node).__name__} is not counted")

    def _loop(self, node: ast.For) -> Count:
        call = node.iter
        name = ast.unparse(call.func) if isinstance(call, ast.Call) else ""
        if isinstance(call, ast.Call) and name == "range":
            rounds = len(range(*map(self._whole, call.args)))
            stop = call.args[min(len(call.args) - 1, 1)]
            # The end of a range is looked up in each round, its start once.
            head = _times(self.cost(stop), rounds + 1)
            head += self.cost(call.args[0]) if len(call.args) > 1 else Counter()
        else:
            over = call.args[0] if isinstance(call, ast.Call) else call
            rounds = self._length(over)
            if rounds == 0:
                return Counter()
            head = self.cost(over) + Counter({INTEGER: int(name == "reversed")})
        return head + _times(self.block(node.body), rounds) + Counter({INTEGER: 2 * rounds + 1})

    def _length(self, node: ast.AST) -> int:
        many = self._function.expression(node)[1][1]
        return many if isinstance(many, int) else self._longest

    def _whole(self, node: ast.AST) -> int:
        value = self._function.constant(node)
        if isinstance(value, int):
            return value
        if isinstance(node, ast.UnaryOp) and isinstance(node.op, ast.USub):
            return -self._whole(node.operand)
        if isinstance(node, ast.BinOp) and isinstance(node.op, ast.Add | ast.Sub):
            left, right = self._whole(node.left), self._whole(node.right)
            return left + right if isinstance(node.op, ast.Add) else left - right
        if isinstance(node, ast.Call) and ast.unparse(node.func) == "len":
            return self._length(node.args[0])
        raise self._function.refuse(node, "the end of a loop is not a constant")

    # ------------------------------------------------------------------ expressions

    def cost(self, node: ast.AST) -> Count:
        """Return the operations of an expression."""
        function = self._function
        if function.constant(node) is not NotImplemented:
            return Counter()
        if isinstance(node, ast.IfExp):
            known = function.truth(node.test)
            if known is not None:
                return self.cost(node.body if known else node.orelse)
            return self.cost(node.test) + (self.cost(node.body) | self.cost(node.orelse))
        if isinstance(node, ast.Call):
            return self._call(node)
        inner = sum((self.cost(child) for child in self._operands(node)), Counter[str]())
        return inner + self._own(node)

    @staticmethod
    def _operands(node: ast.AST) -> list[ast.AST]:
        if isinstance(node, ast.Compare):
            # An operand between two signs is written twice.
            middle = node.comparators[:-1]
            return [node.left, *middle, *node.comparators]
        return [child for child in ast.iter_child_nodes(node) if isinstance(child, ast.expr)]

    def _own(self, node: ast.AST) -> Count:
        function = self._function
        if isinstance(node, ast.BinOp):
            if isinstance(node.op, ast.Pow):
                return Counter({"pow": 1})
            real = function.expression(node)[1] == REAL
            return Counter({KINDS.get(type(node.op), INTEGER) if real else INTEGER: 1})
        if isinstance(node, ast.UnaryOp) and isinstance(node.op, ast.USub):
            if function.constant(node.operand) is not NotImplemented:
                return Counter()
            return Counter({ADD if function.expression(node)[1] == REAL else INTEGER: 1})
        if isinstance(node, ast.Compare):
            sides = [node.left, *node.comparators]
            kinds = [function.expression(side)[1] for side in sides]
            found: Count = Counter()
            for place, sign in enumerate(node.ops):
                real = REAL in kinds[place : place + 2]
                truth = isinstance(sign, ast.NotEq) and function.constant(sides[place + 1]) == 0
                found[COMPARE if real else INTEGER] += int(real or not truth)
            return found
        if isinstance(node, ast.Attribute):
            method = function.property_of(node)
            return Counter() if method is None else self._all.of(c_name(method))
        return Counter()

    def _call(self, node: ast.Call) -> Count:
        function = self._function
        inner = sum((self.cost(argument) for argument in node.args), Counter[str]())
        method, _, _ = function.called(node)
        if method is not None:
            assert isinstance(node.func, ast.Attribute | ast.Name)
            owner = node.func.value if isinstance(node.func, ast.Attribute) else None
            whose = Counter[str]() if owner is None else self.cost(owner)
            return inner + whose + self._all.of(c_name(method))
        name = node.func.attr if isinstance(node.func, ast.Attribute) else ast.unparse(node.func)
        if name == "len":
            return Counter()
        if name in ("min", "max"):
            real = function.expression(node)[1] == REAL
            return inner + Counter({COMPARE if real else INTEGER: len(node.args) - 1})
        if name == "bisect_right":
            rounds = self._length(node.args[0])
            return inner + Counter({COMPARE: rounds + 1, INTEGER: 2 * rounds + 1})
        assert name == "abs" or name in MATH
        return inner + Counter({"fabs" if name == "abs" else name: 1})


def _times(count: Count, many: int) -> Count:
    return Counter({kind: many * number for kind, number in count.items()})
