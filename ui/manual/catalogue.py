"""Topics of the manual, their texts, and a search over them."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import NamedTuple

from drivers.simulated import DISTURBANCES
from drivers.suggest import nearest
from ui.manual import reference
from ui.manual.key_table import key_page

FOLDER = Path(__file__).parent
MEASURE_TESTS = "{measure_tests}"  # in a page: the table of guarded tests


class ManualError(Exception):
    """A topic that the manual does not have; the text names similar ones."""


@dataclass(frozen=True)
class Topic:
    """One page: ``name`` as in ``hookeline help NAME``, ``kind`` the part that lists it.

    ``write`` makes the text from the code; without it the page is the file ``name.md``.
    """

    name: str
    title: str
    kind: str
    write: Callable[[], str] | None = None


class Hit(NamedTuple):
    """One line of a page that holds the word searched for."""

    topic: Topic
    line: str


TOPICS = (
    Topic("index", "Manual", ""),
    Topic("safety", "Cautions", "First"),
    Topic("first_demo", "First demo", "Tutorials"),
    Topic("bring_up", "First power-up", "Tutorials"),
    Topic("calibrate", "Calibrate", "Tutorials"),
    Topic("measure", "Measure", "Tutorials"),
    Topic("real_hardware", "Connect real hardware", "How to"),
    Topic("listen", "Find out what a board sends", "How to"),
    Topic("profile", "Write a profile", "How to"),
    Topic("rotary", "Describe a rotary joint", "How to"),
    Topic("describe_a_board", "Describe your own board", "How to"),
    Topic("zero", "Zero of positions", "How to"),
    Topic("operate", "Operate", "How to"),
    Topic("sequences", "Sequences", "How to"),
    Topic("two_axes", "Two axes and more", "How to"),
    Topic("endure", "Endurance", "How to"),
    Topic("health", "Health over weeks", "How to"),
    Topic("rehearse", "Rehearse faults", "How to"),
    Topic("runs", "Record and open runs, replay the wire", "How to"),
    Topic("load_table", "Fit a table of loads", "How to"),
    Topic("notebook", "From a notebook, over the network", "How to"),
    Topic("program", "From a program, cycle by cycle", "How to"),
    Topic("size", "Size an actuator", "How to"),
    Topic("hand_over", "Hand the law over", "How to"),
    Topic("computer", "Is this computer fast enough?", "How to"),
    Topic("commands", "Commands", "Reference"),
    Topic("profile_keys", "Profile keys", "Reference", reference.profile_keys),
    Topic("limits", "Limits and causes of a stop", "Reference", reference.limits),
    Topic("states", "States", "Reference", reference.states),
    Topic("keys", "Keys of the dashboard", "Reference", key_page),
    Topic("files", "Files", "Reference"),
    Topic("columns", "Sample columns", "Reference", reference.columns),
    Topic("architecture", "Architecture", "Background"),
    Topic("power", "Powering on and off", "Background"),
    Topic("following", "Following limits and the energy watch", "Background"),
    Topic("sudden_loads", "Sudden loads", "Background"),
    Topic("network", "Clients and hostile clients", "Background"),
    Topic("velocity_source", "Force over a drive that takes velocity or position", "Background"),
    Topic("figures", "Figures", "Background"),
    Topic("changes", "Changes", "Background"),
)


def find_topic(name: str) -> Topic:
    """Return the topic of this name.

    Raises:
        ManualError: the manual has no such topic.
    """
    for topic in TOPICS:
        if topic.name == name:
            return topic
    names = [topic.name for topic in TOPICS]
    raise ManualError(f"the manual has no topic '{name}'{nearest(name, names)}")


def page_text(topic: Topic) -> str:
    """Return the page as Markdown."""
    if topic.write is not None:
        return f"# {topic.title}\n\n{topic.write()}\n"
    text = (FOLDER / f"{topic.name}.md").read_text(encoding="utf-8")
    names = ", ".join(f"`{name}`" for name in DISTURBANCES)
    if MEASURE_TESTS in text:
        text = text.replace(MEASURE_TESTS, reference.measure_tests())
    return text.replace("{contents}", _contents()).replace("{disturbances}", names)


def search(word: str) -> Iterator[Hit]:
    """Yield every line of the manual that holds ``word``, whatever its case."""
    wanted = word.casefold()
    for topic in TOPICS:
        for line in page_text(topic).splitlines():
            if wanted in line.casefold():
                yield Hit(topic, line.strip())


def _contents() -> str:
    parts: list[str] = []
    for kind in dict.fromkeys(topic.kind for topic in TOPICS if topic.kind):
        parts.append(f"## {kind}\n")
        parts += [f"- [{t.title}]({t.name}.md)" for t in TOPICS if t.kind == kind]
        parts.append("")
    return "\n".join(parts).strip()
