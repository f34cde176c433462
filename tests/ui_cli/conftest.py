"""Commands called as the program calls them, without the second that a process of its own takes."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import pytest

from ui import cli


@dataclass(frozen=True)
class Called:
    """What a command ended with and said."""

    returncode: int
    stdout: str
    stderr: str


@pytest.fixture
def hookeline(capfd: pytest.CaptureFixture[str]) -> Callable[..., Called]:
    """The command ``hookeline`` in this process."""

    def call(*arguments: str) -> Called:
        code = cli.main(arguments)
        said = capfd.readouterr()
        return Called(code, said.out, said.err)

    return call
