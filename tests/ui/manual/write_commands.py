"""Write the manual's page of commands from the command line's own help.

Run ``python -m tests.ui.manual.write_commands`` after changing an option.
"""

from __future__ import annotations

import argparse
from pathlib import Path

from ui.cli import COMMANDS, parser

PAGE = Path(__file__).parents[3] / "ui" / "manual" / "commands.md"


def commands_page() -> str:
    """Return the page: every command with its help as ``--help`` prints it."""
    top = parser()
    (subparsers,) = (a for a in top._actions if isinstance(a, argparse._SubParsersAction))
    parts = ["# Commands\n"]
    for name in COMMANDS:
        parts.append(
            f"## hookeline {name}\n\n```\n{subparsers.choices[name].format_help().strip()}\n```\n"
        )
    return "\n".join(parts)


if __name__ == "__main__":
    PAGE.write_text(commands_page(), encoding="utf-8")
