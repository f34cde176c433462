"""A tour of a guided page: captions that point at what happens, and pauses for the visitor. No Qt.

A tour begins nothing and answers nothing. If the visitor should try, it turns simulated hands off,
so that the question waits for the visitor; it affects nothing else that runs.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any, Generic, Protocol, TypeVar

READ_PER_LETTER_S = 0.055  # 18 letters a second; common practice for captions, no source
LEAST_S = 3.0  # that a caption stays, however fast the steps are
RESULTS_S = 1.0  # after a run has ended, within which its last result arrives
INTERRUPTED = (
    "The run has ended, power is off; the text below says why. After a stop reset (T), then begin "
    "or continue (G). Ctrl+T leaves the tour."
)


class Toured(Protocol):
    """View model of the page; ``question`` has a ``kind``."""

    @property
    def running(self) -> bool: ...
    @property
    def question(self) -> Any: ...
    @property
    def alone(self) -> bool: ...
    def set_alone(self, alone: bool) -> None: ...


Model = TypeVar("Model", bound=Toured)


@dataclass(frozen=True)
class Caption(Generic[Model]):
    """One caption.

    Attributes:
        text: text of the caption.
        at: part of the page that it points at, by the page's own name.
        begins: when it appears; None: once the previous one has been read, and tried.
        tries: the question that is asked when it begins waits for the visitor.
    """

    text: str
    at: str
    begins: Callable[[Model], bool] | None = None
    tries: bool = False


class Tour(Generic[Model]):
    """The tour of one page.

    Args:
        captions: captions in their order; the last one is the end of what runs.
        prompt: part of the page that an interruption points at.
        toured: view model that they are about.

    Attributes:
        taken_over: the visitor has chosen who answers; the tour leaves that alone from then on.
    """

    def __init__(self, captions: Sequence[Caption[Model]], prompt: str, toured: Model) -> None:
        self.captions = captions
        self.taken_over = False
        self._interrupted: Caption[Model] = Caption(INTERRUPTED, prompt)
        self._toured = toured
        self._place = -1
        self._since_s = self._now_s = self._ran_s = 0.0
        self._has_run = False
        self._alone = toured.alone  # as the tour knows it
        self._tried: object = None  # the question that waits for the visitor

    @property
    def open(self) -> bool:
        return self._place >= 0

    @property
    def caption(self) -> Caption[Model] | None:
        """The caption that is shown, None without a tour."""
        if not self.open:
            return None
        return self._interrupted if self._cut_off else self.captions[self._place]

    @property
    def _cut_off(self) -> bool:
        """True if the run has ended before what the last caption is about."""
        last = self.captions[-1]
        if not self._has_run or self._toured.running or self._place == len(self.captions) - 1:
            return False
        if self._now_s - self._ran_s < RESULTS_S:
            return False
        return last.begins is None or not last.begins(self._toured)

    def toggle(self, now_s: float) -> None:
        """Begin the tour, or leave it."""
        if self.open:
            self.leave()
            return
        self._place, self._since_s = 0, now_s
        self._has_run = self.taken_over = False
        self._alone = self._toured.alone
        self.turn(now_s)

    def leave(self) -> None:
        """End the tour; a question that waits for the visitor keeps waiting."""
        self._place, self._tried = -1, None

    def go_on(self, now_s: float) -> None:
        """Show the next caption, unless the tour waits."""
        after = self._place + 1
        if self.open and not self.waits:
            self._show(after, now_s)

    @property
    def waits(self) -> bool:
        """True while the visitor has something to try, or the next caption is not due."""
        after = self._place + 1
        if self._tried is not None or after >= len(self.captions):
            return True
        return self.captions[after].begins is not None

    def turn(self, now_s: float) -> None:
        """Follow what runs; call it often, before simulated hands answer."""
        if not self.open:
            return
        toured = self._toured
        self._now_s = now_s
        if toured.running:
            self._has_run, self._ran_s = True, now_s
        if toured.alone != self._alone:  # not by this tour: by the visitor
            self._alone, self.taken_over = toured.alone, True
        if self._tried is not None and toured.question is not self._tried:
            self._tried = None
            self._set_alone(True)
        shown_s = now_s - self._since_s
        for place in range(len(self.captions) - 1, self._place, -1):
            caption = self.captions[place]
            if caption.begins is None or not caption.begins(toured):
                continue
            if caption.tries or shown_s >= LEAST_S:
                self._show(place, now_s)
            return
        caption = self.captions[self._place]
        if shown_s >= reading_s(caption.text):
            self.go_on(now_s)

    def _show(self, place: int, now_s: float) -> None:
        self._place, self._since_s = place, now_s
        if self.captions[place].tries and self._toured.alone and not self.taken_over:
            self._tried = self._toured.question
            self._set_alone(False)

    def _set_alone(self, alone: bool) -> None:
        if not self.taken_over:
            self._alone = alone
            self._toured.set_alone(alone)


def reading_s(text: str) -> float:
    """Return the reading time of a caption, s."""
    return max(LEAST_S, READ_PER_LETTER_S * len(text))
