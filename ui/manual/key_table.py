"""Keys of the dashboard: one key, one meaning, on every page.

The dashboard takes its keys, the hints on its buttons and their tool tips from here, and so does the
page of keys. A key that a page lacks does nothing there.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field

EVERYWHERE = "every page"
PAGES = ("Operate", "Bring-up", "Calibrate", "Runs", "Measure", "Size")


@dataclass(frozen=True)
class KeyUse:
    """One key.

    Attributes:
        name: identifier used by code.
        key: label on keyboards, and on a button unless ``short`` is set.
        meaning: the same on every page.
        where: page to its effect there; '' if the meaning is enough.
        short: label on a button.
        by_focus: it acts on the focused widget, not on the page.
    """

    name: str
    key: str
    meaning: str
    where: Mapping[str, str] = field(default_factory=lambda: {EVERYWHERE: ""})
    short: str = ""
    by_focus: bool = False

    @property
    def shown(self) -> str:
        """Text on a button."""
        return self.short or self.key


def _on(*pages: str, **words: str) -> dict[str, str]:
    named = {page.replace("_", "-"): text for page, text in words.items()}
    return {page: named.get(page, "") for page in (*pages, *named)}


_GUIDED = ("Bring-up", "Calibrate", "Measure")
KEYS = (
    KeyUse("stop", "Esc", "stop the rig"),
    KeyUse("power", "P", "power on or off"),
    KeyUse("reset", "T", "reset after a stop"),
    KeyUse("control", "K", "take control"),
    KeyUse("record", "R", "start or end a recording"),
    KeyUse("yes", "Y", "yes, to what is asked"),
    KeyUse("no", "N", "no, to what is asked"),
    KeyUse("help", "F1", "the manual, at the page's own topic; again: this page of keys"),
    *(
        KeyUse(f"page_{number}", f"F{number}", f"the page {page}")
        for number, page in enumerate(PAGES, 2)
    ),
    KeyUse("freeze", "F8", "freeze the charts, or let them run on", _on("Operate")),
    KeyUse("theme", "F9", "light or dark"),
    KeyUse("list", "F10", "hide the list, or show it", _on("Runs")),
    KeyUse("open_house", "F11", "open house: lock this window for visitors", _on("Operate")),
    KeyUse(
        "edit", "F12", "edit the selected sequence, or a new one; close the editor", _on("Operate")
    ),
    KeyUse(
        "enter",
        "Enter",
        "the primary action",
        _on(
            Operate="apply the behaviour",
            Bring_up="done, or the number typed",
            Calibrate="done, or the number typed",
            Measure="done, or the number typed",
            Runs="open the selected run, or all joined runs",
            Size="put all parts together, in a field",
        ),
    ),
    *(
        KeyUse(
            str(number),
            str(number),
            f"choice {number}",
            _on(Operate="behaviour")
            | (_on(Bring_up="answer", Measure="answer") if number <= 6 else {})
            | (_on(Calibrate="points, law, earlier ones") if number <= 3 else {}),
        )
        for number in range(1, 6)
    ),
    KeyUse("6", "6", "choice 6", _on(Operate="preset", Bring_up="answer", Measure="answer")),
    *(
        KeyUse(str(number), str(number), f"choice {number}", _on(Operate="preset"))
        for number in range(7, 10)
    ),
    KeyUse("space", "Space", "hold to run", _on("Operate", *_GUIDED), by_focus=True),
    KeyUse("accept", "A", "accept the result", _on("Calibrate")),
    KeyUse("end", "B", "abort what is running", _on("Operate", *_GUIDED)),
    KeyUse("cursors", "C", "next cursor of the chart", _on("Operate", "Runs")),
    KeyUse(
        "data",
        "D",
        "choose what the charts show",
        _on(Operate="traces, scales, windows of 0.2 s and 1 s, trigger", Runs="columns"),
    ),
    KeyUse(
        "present",
        "E",
        "the present",
        _on(Operate="charts back to it", Runs="the last ten minutes, live"),
    ),
    KeyUse("follow", "F", "follow: each change of a field acts at once", _on("Operate")),
    KeyUse(
        "begin",
        "G",
        "begin, or continue",
        _on(*_GUIDED, Operate="the sequence", Size="put all parts together"),
    ),
    KeyUse("hands", "H", "simulated hands answer", _on(*_GUIDED)),
    KeyUse(
        "one",
        "I",
        "one alone",
        _on(
            Operate="one step of the sequence",
            Bring_up="this step alone",
            Measure="this test alone",
        ),
    ),
    KeyUse(
        "join",
        "J",
        "lay one over another",
        _on(Calibrate="compare calibrations", Runs="join the run to others, up to six"),
    ),
    KeyUse(
        "limits",
        "L",
        "limits of this session: see the cap, narrow it, widen it without power",
        _on("Operate"),
    ),
    KeyUse(
        "note",
        "M",
        "write a note",
        _on(Operate="a mark in the charts and the run", Runs="name, tags and note of the run"),
    ),
    KeyUse(
        "zero",
        "O",
        "the zero",
        _on(
            Operate="of positions: see its source, state it, or hold to seek it",
            Calibrate="of the deflection sensor: check it",
        ),
    ),
    KeyUse("teach", "Q", "teach a sequence by what you do; end and write it", _on("Operate")),
    KeyUse("sequences", "S", "sequences in place of the behaviours, and back", _on("Operate")),
    KeyUse(
        "use",
        "U",
        "use the result",
        _on(
            Bring_up="write the values into the profile",
            Calibrate="use the calibration",
            Measure="try the redesigned force loop, then write it into the profile",
            Size="write the profile of the choice",
        ),
    ),
    KeyUse("view", "V", "next picture, plot or view", _on(*PAGES)),
    KeyUse("window", "W", "next length of the charts' window", _on("Operate", "Runs")),
    KeyUse("cannot", "X", "cannot be done", _on(*_GUIDED)),
    KeyUse("tare", "Z", "tare, or remove it", _on("Operate")),
    KeyUse(
        "keep",
        "Ins",
        "keep",
        _on(
            Operate="the settings, as a preset under the first free of 6 to 9",
            Calibrate="the calibration as evidence",
            Runs="pin the run: at the top of the list, never in the bin",
        ),
    ),
    KeyUse(
        "discard", "Del", "discard", _on(Calibrate="the calibration", Runs="the run, into the bin")
    ),
    KeyUse("back", "Backspace", "set what was applied before", _on("Operate"), short="⌫"),
    KeyUse("pause", ".", "pause at the next safe point", _on("Operate"), short="point"),
    KeyUse(
        "other",
        ",",
        "the next way to do it",
        _on(Calibrate="next law", Runs="next way to align joined runs"),
        short="comma",  # the sign alone is not seen on a button
    ),
    KeyUse("leave_out", "-", "exclude it, or include it", _on("Measure")),
    KeyUse("axis", "Ctrl+Tab", "the next axis, on a bench of several"),
    KeyUse("tour", "Ctrl+T", "a tour of the page; again: leave it", _on("Bring-up", "Calibrate")),
    KeyUse("tour_next", "Ctrl+N", "the tour's next caption", _on("Bring-up", "Calibrate")),
    KeyUse("search", "Ctrl+F", "search", _on("Runs")),
    KeyUse(
        "put_back",
        "Ctrl+Z",
        "restore the previous state",
        _on(Operate="the tare before its last change", Runs="the last discarded run"),
    ),
    KeyUse(
        "export",
        "Ctrl+S",
        "save to a file",
        _on(Operate="the sequence in the editor", Runs="the selection; again: leave it"),
    ),
    KeyUse(
        "complete", "Ctrl+Space", "complete the word at the cursor", _on("Operate"), short="Ctrl+␣"
    ),
    KeyUse("report", "Ctrl+R", "open the report", _on(Runs="of the run", Measure="the data sheet")),
    KeyUse("folder", "Ctrl+D", "open the folder", _on("Runs")),
    KeyUse("read_again", "Ctrl+U", "read the folder again", _on("Runs")),
    KeyUse(
        "arrows",
        "arrows",
        "move in the focused widget",
        _on(
            Operate="value of a field, cursor of the charts",
            Runs="cursor, with Shift the second one, with Ctrl ten times as far; up and down zoom",
            Size="combination",
        ),
        by_focus=True,
    ),
    KeyUse("page_up", "Page up", "scroll back", _on("Operate", "Runs")),
    KeyUse("page_down", "Page down", "scroll on", _on("Operate", "Runs")),
    KeyUse("ends", "Home, End", "first and last", _on("Operate", "Runs"), by_focus=True),
)
UNLOCK = re.compile(r"[A-Za-z]{4,12}")
BY_NAME = {use.name: use for use in KEYS}


def unlock_problem(letters: str) -> str:
    """Return why a sequence of letters cannot unlock open house, with the fix; '' if it can."""
    if UNLOCK.fullmatch(letters):
        return ""
    return "it is unlocked by 4 to 12 letters, a to z. Fix: choose some that visitors will not type"


def key_page() -> str:
    """Return the page of keys as Markdown."""
    lines = [
        "One key has one meaning, on every page; on a page that does not use it, it does nothing.",
        "",
        "| key | meaning | where |",
        "|---|---|---|",
    ]
    for use in KEYS:
        where = "; ".join(f"{page}: {text}" if text else page for page, text in use.where.items())
        lines.append(f"| {use.key} | {use.meaning} | {where} |")
    lines += ["", "While a text field has the focus, letters and digits go into it."]
    return "\n".join(lines)
