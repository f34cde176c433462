"""A page that guides a person through a list of procedures, in plain Python. No Qt."""

from __future__ import annotations

import contextlib
from abc import abstractmethod
from collections import deque
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import Any, Generic, Protocol, TypeVar

from drivers.motion import in_words
from hil.core import INDEX
from hil.link import Client
from hil.procedures import open_environment
from hil.profile import Profile
from ui.dashboard.bench import OperateModel, Session
from ui.dashboard.guided.dated_folders import KeptFolder
from ui.dashboard.guided.mailbox import Mailbox
from ui.dashboard.guided.page_rig import make_operator
from ui.dashboard.guided.procedure_thread import ProcedureThread, Work
from ui.dashboard.guided.runner import PageRunner
from ui.dashboard.guided.tour import Tour

LIVE_S, LIVE_EVERY = 15.0, 20  # drawn while one runs, every so many samples
_CYCLE, _TIME, _NUT, _FORCE = (
    INDEX[name] for name in ("cycle", "time_s", "nut_position_m", "spring_force_N")
)


class Listed(Protocol):
    """Entry of the list: a step, or a test."""

    @property
    def key(self) -> str: ...
    @property
    def title(self) -> str: ...


Item = TypeVar("Item", bound=Listed)


class GuidedModel(ProcedureThread[PageRunner], Generic[Item]):
    """Base of the view models of guided pages.

    Args:
        model, session: model and session of the window; without a session nothing can be begun.

    Attributes:
        current: the item that runs, or None.
        looked_at: key of the item chosen to be shown; '' follows the one that runs.
        folder: folder of what is shown; None for a new one.
        kept: folders of this rig, newest first.
        message, wrong: text while nothing runs, and whether it is bad news.
        note: latest note of what runs.
        live: (time in s, nut in m, force in N) of the last seconds.
        alone: simulated hands answer by themselves.
    """

    def __init__(self, model: OperateModel, session: Session | None) -> None:
        self._mailbox = Mailbox()
        super().__init__(session, self._mailbox.put)
        self.model, self.session = model, session
        self.current: Item | None = None
        self.looked_at = ""
        self.folder: Path | None = None
        self.kept: list[KeptFolder] = []
        self.message, self.wrong = "", False
        self.note = ""
        self.live: deque[tuple[float, float, float]] = deque(
            maxlen=round(LIVE_S * model.profile.control.rate / LIVE_EVERY)
        )
        self.alone = model.simulated
        self.tour: Tour[Any] | None = None  # of a page that has one

    # ------------------------------------------------------------------ what the link brings

    def feed(self, items: Iterable[Any], now_s: float) -> None:
        """Take what the link delivered. Only these calls keep the control held."""
        del now_s
        if self.operator is not None:
            self.operator.turn()
        for item in items:
            if isinstance(item, Mapping):
                self._event(item)
                continue
            # By cycle, not by place in its block: evenly spaced.
            for row in item.rows[item.rows[:, _CYCLE] % LIVE_EVERY == 0]:
                self.live.append((row[_TIME], row[_NUT], row[_FORCE]))
        self.take()

    def _event(self, event: Mapping[str, Any]) -> None:
        """Take in an event of the link."""

    def take(self) -> None:
        """Take what other threads have put in."""
        self._mailbox.take()

    # ------------------------------------------------------------------ status

    @property
    @abstractmethod
    def listed(self) -> Sequence[Item]:
        """All items, in order."""

    @property
    def shown(self) -> Item:
        """Item whose texts and findings are shown."""
        wanted = next((item for item in self.listed if item.key == self.looked_at), None)
        return wanted or self.current or self.listed[0]

    @property
    def hold_text(self) -> str:
        """Why the hold-to-run control is required, '' if it is not."""
        return self.operator.hold_text if self.operator is not None else ""

    @property
    def holding(self) -> bool:
        return self.operator is not None and self.operator.holding

    @property
    @abstractmethod
    def record_text(self) -> str:
        """Folder of what is shown, as text."""

    @property
    @abstractmethod
    def why_not_begin(self) -> str:
        """Why nothing can be begun now, '' if it can."""

    # ------------------------------------------------------------------ acts

    def look_at(self, key: str) -> None:
        self.looked_at = key

    def set_alone(self, alone: bool) -> None:
        """Let simulated hands answer by themselves, or not."""
        self.alone = alone and self.model.simulated
        if self.operator is not None:
            self.operator.alone = self.alone

    def answer(self, value: float | str | bool) -> None:
        """Answer the question that is shown; see ``PageOperator.answer``."""
        if self.operator is not None and self.operator.question is not None:
            self.operator.answer(self.operator.question, value)

    def grip(self) -> None:
        """Take in that the hold-to-run control has been pressed."""
        if self.operator is not None:
            self.operator.grip()

    def let_go(self) -> None:
        """Take in that the hold-to-run control is released; the rig host is informed at once."""
        if self.operator is not None:
            wanted = self.operator.holding
            self.operator.let_go()
            if wanted and not self.operator.holding and self._runner is not None:
                self._runner.tell_let_go()

    @abstractmethod
    def choose(self, folder: Path | None) -> None:
        """Show what this folder holds and continue it, None for a new one."""

    @abstractmethod
    def renew_kept(self) -> None:
        """Look again for folders of this rig."""

    @abstractmethod
    def begin(self, only: str = "") -> None:
        """Begin, or continue; with ``only``, the item of this key."""

    def abort(self, why: str = "aborted by the operator") -> None:
        """Stop the rig and end; what has finished is kept."""
        if self.running:
            self.note = why
        super().abort(why)

    def _begin(self, work: Work, note: str) -> None:
        self.message, self.wrong, self.looked_at = "", False, ""
        self.note = note
        self._start(work)

    # ------------------------------------------------------------------ in its own thread

    def _open(self, stack: contextlib.ExitStack, client: Client, profile: Profile) -> PageRunner:
        """Open operator and runner of one run; ``stack`` closes what they need.

        Args:
            client: client of this run only.
            profile: profile of the rig, by which simulated hands and eyes work.
        """
        environment = open_environment(stack, client.description)
        operator = make_operator(environment, profile, self.alone)
        push = environment.push if environment is not None else None
        runner = PageRunner(client, operator, operator.confirm, self._tell, push=push)
        self._opened(operator, runner)
        return runner

    def _tell(self, text: str) -> None:
        self._mailbox.put(lambda: self._noted(text))

    # ------------------------------------------------------------------ reported, on the page's own thread

    def _noted(self, text: str) -> None:
        item = self.current
        # A step's description is already on the page, and would look like an instruction.
        of_itself = item is not None and text == in_words(f"{item.title}: {self._words_of(item)}")
        self.note = "" if of_itself else text

    @abstractmethod
    def _words_of(self, item: Item) -> str:
        """Return the description that an item gives as it begins."""

    def _begun(self, item: Item) -> None:
        self.current = item
        self.note = ""

    def _ended(self, text: str, wrong: bool) -> None:
        cut, self.current = self.current, None
        self.message, self.wrong = text, wrong
        self._settle(cut)

    @abstractmethod
    def _settle(self, cut: Item | None) -> None:
        """Sum up the outcome; ``cut`` was begun and has not ended."""
