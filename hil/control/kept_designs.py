"""Designs kept from one process to the next, for a rig host that starts with the same rig again.

A design takes half a second, most of it for loading SciPy. It depends on its arguments and on the code:
the key is a hash of both, written out in full, so that a design of other values or of another version is
never found. What is found is checked, and computed again if anything is in doubt. Nothing is kept unless a
program asks for it with :func:`keeping_designs`.
"""

from __future__ import annotations

import dataclasses
import hashlib
import json
import types
import typing
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from importlib.metadata import version
from typing import Any, Protocol, TypeVar

import numpy as np

from drivers.compiled import code_digest
from drivers.motion import spoken

Design = TypeVar("Design")
_CLASS = "class"  # key of a dataclass's name


class DesignStore(Protocol):
    """Store of texts by key; neither call raises an exception."""

    def get(self, key: str) -> str | None:
        """Return the text kept under ``key``; None if there is none that can be trusted."""

    def put(self, key: str, text: str) -> None:
        """Keep ``text``, if possible."""


_store: DesignStore | None = None


@contextmanager
def keeping_designs(store: DesignStore) -> Iterator[None]:
    """Within the context, take designs from ``store`` and keep new ones there."""
    global _store
    before, _store = _store, store
    try:
        yield
    finally:
        _store = before


def kept(name: str, arguments: str, kind: Any, compute: Callable[[], Design]) -> Design:
    """Return what ``compute`` returns, or the same from an earlier process.

    Args:
        name: name of the design. arguments: all its arguments, written so that different ones differ.
        kind: type of the result: numbers and texts in tuples and dataclasses, or a union of dataclasses.
    """
    store = _store
    code = code_digest() if store is not None else None
    if store is None or code is None:
        return compute()
    said = "\n".join((code, np.__version__, version("scipy"), spoken(), name, arguments))
    key = hashlib.sha256(said.encode()).hexdigest()
    text = store.get(key)
    if text is not None:
        try:
            found: Design = _unsealed(text, key, kind)
            return found
        except (ValueError, TypeError, KeyError):
            pass  # damaged: computed again below
    made = compute()
    try:
        text = _sealed(made, key)
        # Only what comes back as it is may be kept.
        if _unsealed(text, key, kind) != made:
            return made
    except (ValueError, TypeError, KeyError):
        return made
    store.put(key, text)
    return made


def _sealed(design: object, key: str) -> str:
    body = json.dumps(_plain(design))
    return json.dumps({"key": key, "sha256": _sum(key, body), "design": body})


def _unsealed(text: str, key: str, kind: Any) -> Any:
    """Return the design in a text that was kept under ``key``.

    Raises:
        ValueError, TypeError, KeyError: damaged, of another key, or not of this kind.
    """
    data = json.loads(text)
    body = data["design"]
    if data["key"] != key or data["sha256"] != _sum(key, body):
        raise ValueError("damaged")
    return _of_kind(json.loads(body), kind)


def _sum(key: str, body: str) -> str:
    return hashlib.sha256(f"{key}\n{body}".encode()).hexdigest()


def _plain(value: Any) -> Any:
    """Return a value as JSON has it.

    Raises:
        TypeError: it would not come back as the same.
    """
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        fields = {f.name: _plain(getattr(value, f.name)) for f in dataclasses.fields(value)}
        return {_CLASS: type(value).__name__, **fields}
    if type(value) is tuple:
        return [_plain(item) for item in value]
    if value is None or type(value) in (float, int, bool, str):
        return value
    raise TypeError(f"{type(value).__name__} cannot be kept")


def _of_kind(value: Any, kind: Any) -> Any:
    """Return a value of this type from its form in JSON.

    Raises:
        ValueError, TypeError, KeyError: it has another form.
    """
    if typing.get_origin(kind) in (types.UnionType, typing.Union):
        return _of_kind(value, _member_for(value, typing.get_args(kind)))
    if typing.get_origin(kind) is tuple:
        if not isinstance(value, list):
            raise TypeError("not a tuple")
        items = typing.get_args(kind)
        if items[-1] is Ellipsis:
            return tuple([_of_kind(item, items[0]) for item in value])
        return tuple([_of_kind(item, of) for item, of in zip(value, items, strict=True)])
    if dataclasses.is_dataclass(kind) and isinstance(kind, type):
        hints = typing.get_type_hints(kind)
        names = [f.name for f in dataclasses.fields(kind)]
        if value[_CLASS] != kind.__name__ or set(value) != {_CLASS, *names}:
            raise ValueError(f"not a {kind.__name__}")
        return kind(**{name: _of_kind(value[name], hints[name]) for name in names})
    if type(value) is not kind and not (kind is float and type(value) is int):
        raise TypeError(f"not a {kind}")
    return value


def _member_for(value: Any, members: tuple[Any, ...]) -> Any:
    """Return the member of a union that a value in JSON belongs to."""
    for member in members:
        if member is type(None) or not dataclasses.is_dataclass(member):
            if type(value) is member:
                return member
        elif isinstance(value, dict) and value[_CLASS] == getattr(member, "__name__", ""):
            return member
    raise TypeError("of no member of the union")
