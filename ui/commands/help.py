"""``hookeline help``: the manual in the terminal."""

from __future__ import annotations

import argparse
from typing import Any

from ui.commands.answers import BAD_INPUT, OK, CommandError, add_command, answer, say
from ui.manual import ManualError, find_topic, page_text, search


def add(commands: Any) -> None:
    parser = add_command(
        commands,
        "help",
        "read the manual, or search it",
        "Print a topic of the manual, by its name; without one, the list of topics.\n"
        "The dashboard shows the same pages on F1.",
        "  hookeline help\n  hookeline help bring_up\n  hookeline help --search 'back-drives'\n",
    )
    parser.add_argument("topic", nargs="?", default="index", help="name of a topic")
    parser.add_argument("--search", metavar="WORD", help="every line that holds this word")
    parser.set_defaults(run=run)


def run(options: argparse.Namespace) -> int:
    """Print the topic or the lines found.

    Raises:
        CommandError: the manual has no such topic.
    """
    if options.search is not None:
        if not options.search.strip():
            raise CommandError("--search needs a word, such as 'back-drives'", BAD_INPUT)
        hits = list(search(options.search))
        for hit in hits:
            say(options, f"{hit.topic.name}: {hit.line}")
        if not hits:
            say(options, f"The manual does not mention '{options.search}'.")
        answer(options, {"hits": [{"topic": h.topic.name, "line": h.line} for h in hits]})
        return OK
    try:
        topic = find_topic(options.topic)
    except ManualError as error:
        raise CommandError(str(error), BAD_INPUT) from None
    text = page_text(topic)
    say(options, text)
    answer(options, {"topic": topic.name, "text": text})
    return OK
