"""The law as C99: one header and one source, written from the source that the bench runs.

No allocation, no library but the mathematical one, one struct that the caller owns. Every number
is written as it was built, and every method as its own function in the order of its operations,
so that double precision gives the bench's own numbers.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

from drivers.motion import ARC_RADIUS_M, worded
from hil.handover.c_expressions import INT, REAL, WIDE, Type, c_name, member, number, type_of
from hil.handover.c_functions import reached
from hil.handover.law import Law
from hil.handover.translated import ENTRIES, Graph, Slot

INDENT = "    "
WIDE_INPUTS = ("nut_position_m",)

HEADER = """\
/* Force law of '{name}', law {identity}.
 *
 * Written by Hookeline from the source that its bench runs; do not edit. Units are SI, signs those
 * of law.json. Build with LAW_SINGLE for float, else double. Do not build with -ffast-math: it
 * breaks the handling of NaN. Nothing is allocated, nothing is read or written
 * outside the struct, no call recurses.
 *
 * Once: law_init, then Law_reference at rest with the first sample. Each cycle: Law_sense; if
 * law->tripped is not 0, remove power. Then Law_act (after one Law_begin) while the force loop is
 * closed, Law_rest while it is open; law->torque_N_m is the motor torque in the sign of law.json, or,
 * where the drive takes velocity or position, law->velocity_m_s the velocity of the nut.
 */
#ifndef LAW_H
#define LAW_H

#ifdef LAW_SINGLE
typedef float real;
#else
typedef double real;
#endif
typedef double wide; /* estimation: positions nearly cancel, float would lose the difference */

#define LAW_IDENTITY "{identity}"
#define LAW_PERIOD_S {period!r}
{arc}#define LAW_FROM_REST 1
#define LAW_FROM_FORCE 2
/* of each output of the vectors, to judge differences */
#define LAW_FULL_SCALE {{{full_scale}}}

"""

ARC = f"""\
/* Of a rotary actuator: m and N are along an arc of this radius in m around the joint. */
#define LAW_ARC_RADIUS_M {ARC_RADIUS_M!r}
"""

SUPPORT = """\
#include "law.h"

#include <math.h>

"""

# Only those that the law uses are written.
MACROS = """\
#define R(x) ((real)(x))
#define W(x) ((wide)(x))
#define R_NAN ((real)NAN)
#define R_INFINITY ((real)INFINITY)
#define W_SQRT sqrt
#define W_EXP exp
#define W_LOG log
#define W_POW(x, y) pow((x), (wide)(y))
#define W_COPYSIGN copysign
#define W_ABS fabs
#ifdef LAW_SINGLE
#define R_SQRT sqrtf
#define R_EXP expf
#define R_LOG logf
#define R_SIN sinf
#define R_COS cosf
#define R_POW(x, y) powf((x), (real)(y))
#define R_HYPOT hypotf
#define R_COPYSIGN copysignf
#define R_ABS fabsf
#else
#define R_SQRT sqrt
#define R_EXP exp
#define R_LOG log
#define R_SIN sin
#define R_COS cos
#define R_POW(x, y) pow((x), (real)(y))
#define R_HYPOT hypot
#define R_COPYSIGN copysign
#define R_ABS fabs
#endif
"""

HELPERS = {
    # The first of two that compare equal, or with a NaN, as in Python.
    "r_min": "static real r_min(real a, real b) { return b < a ? b : a; }",
    "r_max": "static real r_max(real a, real b) { return b > a ? b : a; }",
    "w_min": "static wide w_min(wide a, wide b) { return b < a ? b : a; }",
    "w_max": "static wide w_max(wide a, wide b) { return b > a ? b : a; }",
    "i_min": "static int i_min(int a, int b) { return b < a ? b : a; }",
    "i_max": "static int i_max(int a, int b) { return b > a ? b : a; }",
    "r_after": "static int r_after(const real *xs, int n, real x)\n"
    "{\n    int i = 0;\n    while ((i < n) && (!(x < xs[i]))) {\n        i++;\n    }\n    return i;\n}",
}


@dataclass(frozen=True)
class CSource:
    header: str
    source: str


def c_source(
    law: Law, name: str, identity: str, period_s: float, full_scale: Sequence[float]
) -> CSource:
    """Return the law as C.

    Raises:
        NotTranslatable: the bench's source uses constructs that cannot be written in C.
    """
    graph = Graph(law)
    functions = reached(graph)
    written: dict[str, tuple[str, str]] = {}  # C name: prototype, body
    for function in functions:
        method = function.method
        head, body = function.head, function.body
        if method.owner in WIDE:
            head, body = _wide(head), _wide(body)
        for wide in WIDE_INPUTS if method.owner is Law else ():
            head = head.replace(f"real {wide}", f"wide {wide}")
        written[c_name(method)] = head, body
    entries = [f"Law_{entry}" for entry in ENTRIES]
    header = HEADER.format(
        name=name,
        identity=identity,
        period=period_s,
        arc=worded("", ARC),
        full_scale=", ".join(repr(float(x)) for x in full_scale),
    )
    header += "\n".join(_structs(graph)) + "\n"
    header += "/* Every number as it was handed over. */\nvoid law_init(struct Law *law);\n"
    header += "".join(f"{written[entry][0]};\n" for entry in entries) + "\n#endif\n"
    bodies = "\n\n".join(f"{head}\n{body}" for head, body in written.values())
    helpers = "\n".join(text for key, text in HELPERS.items() if f"{key}(" in bodies)
    inner = "".join(f"{head};\n" for key, (head, _) in written.items() if key not in entries)
    code = f"{helpers}\n\n{inner}\n{bodies}\n\n{_init(graph)}"
    return CSource(header, f"{SUPPORT}{_macros(code)}\n{code}")


def _macros(code: str) -> str:
    """Return the macros that the code uses."""
    lines = []
    for line in MACROS.splitlines():
        name = re.match(r"#define (\w+)", line)
        if name is None or re.search(rf"\b{name[1]}\b", code):
            lines.append(line)
    return "\n".join(lines) + "\n"


# ---------------------------------------------------------------------- data


def _used(graph: Graph) -> list[Slot]:
    return [slot for slot in graph.slots.values() if slot.fields]


def _structs(graph: Graph) -> Iterator[str]:
    """Yield each struct; those of objects come first, the law's own last and whole."""
    classes: dict[type, Slot] = {}
    for slot in _used(graph):
        classes.setdefault(type(slot.value), slot)
    yield from (f"struct {owner.__name__};" for owner in classes)
    yield ""
    for owner, slot in classes.items():
        if owner is not Law:
            yield f"struct {owner.__name__} {{"
            members = _members(graph, slot)
            yield from (_wide(text) if owner in WIDE else text for text in members)
            yield "};\n"
    yield "struct Law {"
    yield from _members(graph, graph.slot(graph.law))
    yield f"{INDENT}/* objects that the pointers point to */"
    for slot in _used(graph):
        if slot.value is not graph.law:
            yield f"{INDENT}struct {type(slot.value).__name__} at_{slot.name};"
    yield "};\n"


def _members(graph: Graph, slot: Slot) -> Iterator[str]:
    for key in sorted(slot.fields):
        kind = type_of(getattr(slot.value, key), graph)
        name = member(key)
        if kind[0] == "object":
            inner: Slot = kind[1]
            if inner.fields:
                yield f"{INDENT}struct {type(inner.value).__name__} *{name};"
        elif kind in (REAL, INT):
            yield f"{INDENT}{kind} {name};"
        else:
            yield f"{INDENT}real {name}{''.join(f'[{max(n, 1)}]' for n in kind[1:])};"


def _init(graph: Graph) -> str:
    lines = ["void law_init(struct Law *law)", "{"]
    for slot in _used(graph):
        first = len(lines)
        at = "law->" if slot.value is graph.law else f"law->at_{slot.name}."
        for key in sorted(slot.fields):
            value = getattr(slot.value, key)
            kind = type_of(value, graph)
            name = at + member(key)
            if kind[0] == "object":
                if kind[1].fields:
                    lines.append(f"{INDENT}{name} = &law->at_{kind[1].name};")
            elif kind == INT:
                lines.append(f"{INDENT}{name} = {_whole(value)};")
            elif kind == REAL:
                lines.append(f"{INDENT}{name} = {number(value)};")
            else:
                lines += [f"{INDENT}{text}" for text in _filled(name, value, kind)]
        if type(slot.value) in WIDE:
            lines[first:] = map(_wide, lines[first:])
    return "\n".join([*lines, "}", ""])


def _whole(value: Any) -> str:
    # Of a text only whether it is empty.
    return str(int(bool(value) if isinstance(value, str | None) else value))


def _filled(name: str, value: Any, kind: Type) -> Iterator[str]:
    if kind[0] == "array":
        yield from (f"{name}[{i}] = {number(float(x))};" for i, x in enumerate(value))
        if not value:
            yield f"{name}[0] = {number(0.0)};"
        return
    for i, row in enumerate(value):
        yield from (f"{name}[{i}][{j}] = {number(float(x))};" for j, x in enumerate(row))


def _wide(text: str) -> str:
    """Return C code with ``wide`` for ``real``."""
    text = re.sub(r"\breal\b", "wide", text)
    return re.sub(r"\bR(?=\(|_)", "W", re.sub(r"\br_(?=m(in|ax)\()", "w_", text))
