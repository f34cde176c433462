"""Commands called in this process, which saves the second that a new process takes."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import pytest

from ui import cli


@dataclass(frozen=True)
class Called:
    """Result of a command: exit code and output."""

    returncode: int
    stdout: str
    stderr: str


@pytest.fixture
def hookeline(capfd: pytest.CaptureFixture[str]) -> Callable[..., Called]:
    """Return the command ``hookeline``, run in this process."""

    def call(*arguments: str) -> Called:
        code = cli.main(arguments)
        said = capfd.readouterr()
        return Called(code, said.out, said.err)

    return call
