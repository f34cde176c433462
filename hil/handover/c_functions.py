"""Methods of the bench's source as C functions: statements; expressions are in ``c_expressions``."""

from __future__ import annotations

import ast
import re

from hil.handover.c_expressions import INT, REAL, Expressions, Type, annotated, as_real, c_name
from hil.handover.law import Law
from hil.handover.translated import ENTRIES, READ, Graph, Method, Slot

INDENT = "    "


def reached(graph: Graph) -> list[CFunction]:
    """Return every function that the entries call, directly or not; note the fields they use.

    Raises:
        NotTranslatable: the source cannot be written in C.
    """
    found: dict[str, CFunction] = {}
    waiting: list[tuple[Method, Slot | None]] = [
        (Method(Law, entry, getattr(Law, entry)), graph.slot(graph.law)) for entry in ENTRIES
    ]
    while waiting:
        method, slot = waiting.pop()
        if c_name(method) not in found:
            found[c_name(method)] = function = CFunction(graph, method, slot)
            waiting += function.calls
    for path, key in READ:
        graph.at(path).fields.add(key)
    return list(found.values())


class CFunction(Expressions):
    """One method as C."""

    def __init__(self, graph: Graph, method: Method, owner: Slot | None) -> None:
        super().__init__(graph, method, owner)
        self.lines: list[str] = []
        self.declared: dict[str, str] = {}
        self.temporaries = 0
        self.result = self.returned(method)
        self.head, self.body = self._written()

    def _written(self) -> tuple[str, str]:
        tree = self.method.tree
        parameters = self._parameters(tree)
        head = self._head(parameters)
        self.block(tree.body, 1)
        known = [name for name, _ in parameters]
        body = ["{", *(f"{INDENT}{text};" for text in self.declared.values())]
        whole = "\n".join(self.lines)
        for name in (["self"] if self.owner is not None else []) + known:
            if not _mentions(whole, name):
                body.append(f"{INDENT}(void){name};")
        return head, "\n".join([*body, *self.lines, "}"])

    def _parameters(self, tree: ast.FunctionDef) -> list[tuple[str, str]]:
        found: list[tuple[str, str]] = []
        for argument in tree.args.args:
            name = argument.arg
            if name == "self":
                continue
            text = self.method.function.__annotations__.get(name)
            kind = annotated(text, self.method)
            if kind in (REAL, INT):
                self.locals[name] = kind
                found.append((name, f"{kind} {name}"))
            elif kind[0] == "class":
                slot = self.graph.of_class(kind[1])
                self.locals[name] = ("object", slot)
                found.append((name, f"struct {kind[1].__name__} *{name}"))
            elif kind[0] == "rows":
                self.locals[name] = ("rows", f"{name}_n", kind[2])
                found += [(name, f"real (*{name})[{kind[2]}]"), (f"{name}_n", f"int {name}_n")]
            elif kind[0] == "array":  # of any length
                self.locals[name] = ("array", f"{name}_n")
                found += [(name, f"const real *{name}"), (f"{name}_n", f"int {name}_n")]
            else:
                self.locals[name] = ("array", len(kind[1]))
                found.append((name, f"const real *{name}"))
        return found

    def _head(self, parameters: list[tuple[str, str]]) -> str:
        texts = [text for _, text in parameters]
        if self.owner is not None:
            texts.insert(0, f"struct {type(self.owner.value).__name__} *self")
        kind = self.result
        if not isinstance(kind, str):
            texts.append("real *out")
            kind = "void"
        entry = self.method.owner is Law and self.method.name in ENTRIES
        return f"{'' if entry else 'static '}{kind} {c_name(self.method)}({', '.join(texts)})"

    # ------------------------------------------------------------------ statements

    def put(self, depth: int, text: str) -> None:
        self.lines.append(INDENT * depth + text)

    def statement(self, node: ast.stmt, depth: int) -> None:
        handler = getattr(self, f"_do_{type(node).__name__.lower()}", None)
        if handler is None:
            raise self.refuse(node, f"{type(node).__name__} is not known")
        handler(node, depth)

    def block(self, nodes: list[ast.stmt], depth: int) -> None:
        for node in nodes:
            self.statement(node, depth)
            if self.ends(node):
                return  # what follows is never reached

    def ends(self, node: ast.stmt) -> bool:
        """Return whether nothing after a statement is reached."""
        if isinstance(node, ast.If):
            known = self.truth(node.test)
            ways = (
                [node.body, node.orelse] if known is None else [node.body if known else node.orelse]
            )
            return all(any(self.ends(inner) for inner in way) for way in ways)
        return isinstance(node, ast.Return)

    def _do_expr(self, node: ast.Expr, depth: int) -> None:
        if isinstance(node.value, ast.Constant):
            return  # a docstring
        code, kind = self.expression(node.value)
        self.put(depth, f"{code};" if kind == "void" else f"(void){code};")

    def _do_if(self, node: ast.If, depth: int) -> None:
        known = self.truth(node.test)
        if known is not None:
            self.block(node.body if known else node.orelse, depth)
            return
        self.put(depth, f"if ({self.condition(node.test)}) {{")
        self.block(node.body, depth + 1)
        if node.orelse:
            self.put(depth, "} else {")
            self.block(node.orelse, depth + 1)
        self.put(depth, "}")

    def _do_return(self, node: ast.Return, depth: int) -> None:
        if node.value is None:
            self.put(depth, "return;")
        elif isinstance(self.result, str):
            code, kind = self.expression(node.value)
            self.put(depth, f"return {as_real(code, kind) if self.result == REAL else code};")
        elif isinstance(node.value, ast.Tuple):
            place = 0
            for item in node.value.elts:
                code, kind = self.expression(item)
                many = 1 if kind in (REAL, INT) else kind[1]
                for i in range(many):
                    at = "" if kind in (REAL, INT) else f"[{i}]"
                    self.put(depth, f"out[{place}] = {code}{at};")
                    place += 1
            self.put(depth, "return;")
        else:
            raise self.refuse(node, "a function that returns several must return them one by one")

    def _do_assign(self, node: ast.Assign, depth: int) -> None:
        if len(node.targets) == 1 and isinstance(node.targets[0], ast.Tuple):
            self._unpack(node.targets[0], node.value, depth)
            return
        if isinstance(node.value, ast.Tuple):
            self._row(node, depth)
            return
        code, kind = self.expression(node.value)
        for target in reversed(node.targets):  # a = b = c: the last is assigned the value
            self._store(target, code, kind, depth)
            if len(node.targets) > 1:
                code = self.real(target)

    def _row(self, node: ast.Assign, depth: int) -> None:
        """Fill a local row of numbers."""
        [target] = node.targets
        assert isinstance(node.value, ast.Tuple)
        if not isinstance(target, ast.Name):
            raise self.refuse(node, "a row of numbers goes into a local name only")
        many = len(node.value.elts)
        codes = [self.real(item) for item in node.value.elts]
        self._declare(target.id, ("array", many), node)
        for i, code in enumerate(codes):
            self.put(depth, f"{target.id}[{i}] = {code};")

    def _store(self, target: ast.expr, code: str, kind: Type, depth: int) -> None:
        if isinstance(target, ast.Name):
            self._declare(target.id, kind, target)
            if kind[0] == "array" and kind[1] == 0:
                del self.declared[target.id]  # code that would read it is left out too
                return
            code = as_real(code, kind) if self.locals[target.id] == REAL else code
            self.put(depth, f"{target.id} = {code};")
            return
        place, own = self.expression(target)
        if own in (REAL, INT):
            self.put(depth, f"{place} = {as_real(code, kind) if own == REAL else code};")
            return
        for i in range(own[1]):
            self.put(depth, f"{place}[{i}] = {code}[{i}];")

    def _declare(self, name: str, kind: Type, node: ast.AST) -> None:
        known = self.locals.get(name)
        if known is not None and (known == kind or {known, kind} <= {REAL, INT}):
            if known == INT and kind == REAL and name in self.declared:
                self.locals[name] = REAL
                self.declared[name] = f"real {name}"
            return
        if known is not None:
            raise self.refuse(node, f"'{name}' has two types")
        self.locals[name] = kind
        if kind in (REAL, INT):
            text = f"{kind} {name}"
        elif kind[0] == "object":
            text = f"struct {type(kind[1].value).__name__} *{name}"
        elif kind[0] == "row" or (kind[0] == "array" and not isinstance(node, ast.Assign)):
            text = f"real *{name}"
        elif kind[0] == "array":
            text = f"real {name}[{max(kind[1], 1)}]"
        else:
            text = f"real (*{name})[{kind[2]}]"
        self.declared[name] = text

    def _unpack(self, target: ast.Tuple, value: ast.expr, depth: int) -> None:
        if isinstance(value, ast.Tuple):
            found = [self.expression(item) for item in value.elts]
            # All of the right side is taken before the left is touched.
            simple = all(isinstance(t, ast.Name) and t.id not in self.locals for t in target.elts)
            if not simple:
                found = [self._kept(code, kind, depth) for code, kind in found]
            for place, (code, kind) in zip(target.elts, found, strict=True):
                self._store(place, code, kind, depth)
            return
        if isinstance(value, ast.Call):
            method, _, arguments = self.called(value)
            kind = self.returned(method) if method is not None else None
            if method is None or kind is None or isinstance(kind, str):
                raise self.refuse(value, "this call does not return several numbers")
            kinds = kind[1]
            many = sum(1 if k == REAL else k[1] for k in kinds)
            row = self._temporary(f"real {{}}[{many}]")
            self.put(depth, f"{c_name(method)}({', '.join([*arguments, row])});")
            start = 0
            for item, k in zip(target.elts, kinds, strict=True):
                code = f"{row}[{start}]" if k == REAL else f"(&{row}[{start}])"
                self._store(item, code, k, depth)
                start += 1 if k == REAL else k[1]
            return
        code, kind = self.expression(value)
        if kind[0] not in ("array", "row"):
            raise self.refuse(value, "this cannot be unpacked")
        for i, item in enumerate(target.elts):
            self._store(item, f"{code}[{i}]", REAL, depth)

    def _kept(self, code: str, kind: Type, depth: int) -> tuple[str, Type]:
        if kind not in (REAL, INT):
            return code, kind
        name = self._temporary(f"{kind} {{}}")
        self.put(depth, f"{name} = {code};")
        return name, kind

    def _temporary(self, form: str) -> str:
        self.temporaries += 1
        name = f"kept_{self.temporaries}"
        self.declared[name] = form.format(name)
        return name

    def _do_augassign(self, node: ast.AugAssign, depth: int) -> None:
        whole = ast.BinOp(node.target, node.op, node.value)
        ast.copy_location(whole, node)
        code, kind = self.expression(whole)
        self._store(node.target, code, kind, depth)

    def _do_for(self, node: ast.For, depth: int) -> None:
        call = node.iter
        name = ast.unparse(call.func) if isinstance(call, ast.Call) else ""
        if isinstance(call, ast.Call) and name == "range":
            self._range(node, call, depth)
        elif isinstance(call, ast.Call) and name == "enumerate":
            self._rows(node, call.args[0], depth, numbered=True)
        elif isinstance(call, ast.Call) and name == "reversed":
            self._rows(node, call.args[0], depth, backward=True)
        else:
            self._rows(node, call, depth)

    def _range(self, node: ast.For, call: ast.Call, depth: int) -> None:
        bounds = [self.real(item) for item in call.args]
        start, stop = ("0", bounds[0]) if len(bounds) == 1 else (bounds[0], bounds[1])
        down = len(bounds) == 3
        if down and bounds[2] != "(-1)" and bounds[2] != "-1":
            raise self.refuse(node, "a range goes up or down by one")
        assert isinstance(node.target, ast.Name)
        count = node.target.id
        if count == "_":
            count = self._temporary("int {}")
        else:
            self._declare(count, INT, node)
        sign, step = (">", "--") if down else ("<", "++")
        self.put(depth, f"for ({count} = {start}; {count} {sign} {stop}; {count}{step}) {{")
        self.block(node.body, depth + 1)
        self.put(depth, "}")

    def _rows(
        self,
        node: ast.For,
        over: ast.expr,
        depth: int,
        numbered: bool = False,
        backward: bool = False,
    ) -> None:
        code, kind = self.expression(over)
        if kind[0] not in ("array", "rows"):
            raise self.refuse(node, "a loop goes over numbers in a row")
        if kind[1] == 0:
            return
        target: ast.expr = node.target
        if numbered:
            assert isinstance(target, ast.Tuple) and isinstance(target.elts[0], ast.Name)
            count = target.elts[0].id
            self._declare(count, INT, node)
            target = target.elts[1]
        else:
            count = self._temporary("int {}")
        head = f"for ({count} = 0; {count} < {kind[1]}; {count}++) {{"
        if backward:
            head = f"for ({count} = {kind[1]} - 1; {count} >= 0; {count}--) {{"
        self.put(depth, head)
        if isinstance(target, ast.Tuple):
            for i, item in enumerate(target.elts):
                self._store(item, f"{code}[{count}][{i}]", REAL, depth + 1)
        else:
            inner = REAL if kind[0] == "array" else ("row", kind[2])
            self._store(target, f"{code}[{count}]", inner, depth + 1)
        self.block(node.body, depth + 1)
        self.put(depth, "}")


def _mentions(text: str, name: str) -> bool:
    return re.search(rf"\b{name}\b", text) is not None
