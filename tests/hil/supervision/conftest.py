"""Fixtures: profiles with single limits changed, and the parts that supervision reads."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest
from pydantic import BaseModel

from hil.profile.loader import load_profile
from hil.profile.schema import Profile
from tests.hil.supervision.watched import Watched


def changed(part: Any, **values: Any) -> Any:
    """Return a copy of a profile with values replaced; ``a__b=1.0`` reaches into parts.

    Values are SI numbers and are not checked: limits may have values that no profile may have.
    """
    for name, value in values.items():
        first, _, rest = name.partition("__")
        if rest:
            inner = getattr(part, first)
            assert isinstance(inner, BaseModel), first
            value = changed(inner, **{rest: value})
        assert first in type(part).model_fields, first
        part = part.model_copy(update={first: value})
    return part


@pytest.fixture
def watched() -> Watched:
    watched = Watched()
    assert watched.cycles(20) == 0
    return watched


@pytest.fixture(scope="session")
def footplate() -> Profile:
    return load_profile("footplate_trainer")


@pytest.fixture(scope="session")
def slide() -> Profile:
    return load_profile("bench_slide")


@pytest.fixture(scope="session")
def change() -> Callable[..., Any]:
    return changed
