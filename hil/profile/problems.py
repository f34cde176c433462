"""Problems of a profile: their place and their fix."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Any, Literal

LONGEST_NAME = 200  # of a file, as shown; characters


def _shown(name: str) -> str:
    """Return a file's name, or its beginning and end if it is too long to read."""
    if len(name) <= LONGEST_NAME:
        return name
    return f"{name[:40]}…{name[-40:]} ({len(name)} characters)"


@dataclass(frozen=True)
class Problem:
    """One problem in one place.

    Attributes:
        file: as the user wrote it.
        line, column: 1-based; 0 if the place has no line (a file that cannot be read).
        key: dotted, such as ``actuator.screw.lead``; empty for the whole file.
        what: what is wrong.
        fix: what to do about it.
        severity: an ``error`` refuses the profile, a ``warning`` does not.
    """

    file: str
    line: int
    column: int
    key: str
    what: str
    fix: str
    severity: Literal["error", "warning"] = "error"

    def __str__(self) -> str:
        file = _shown(self.file)
        place = f"{file}:{self.line}" if self.line else file
        parts = [place, self.key, self.what] if self.key else [place, self.what]
        text = ": ".join(parts) + (f"; {self.fix}" if self.fix else "")
        # A key or a name may contain line breaks, and a problem is one line.
        return text.replace("\r", "\\r").replace("\n", "\\n")

    def as_data(self) -> dict[str, Any]:
        """Return plain values for JSON."""
        return asdict(self)


class ProfileError(Exception):
    """Refusal of a profile; ``str`` gives one line per problem.

    Attributes:
        problems: list of at least one, in the order of the file.
        file, line, key, fix: those of the first problem.
    """

    def __init__(self, problems: list[Problem]) -> None:
        super().__init__("\n".join(str(problem) for problem in problems))
        self.problems = problems
        self.file = problems[0].file
        self.line = problems[0].line
        self.key = problems[0].key
        self.fix = problems[0].fix

    def __reduce__(self) -> tuple[type[ProfileError], tuple[list[Problem]]]:
        """Keep the problems when passed between processes."""
        return ProfileError, (self.problems,)

    def as_data(self) -> list[dict[str, Any]]:
        """Return plain values for JSON, one mapping per problem."""
        return [problem.as_data() for problem in self.problems]
