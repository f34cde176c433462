"""A procedure that a page runs in its own thread, and may abort. No Qt.

The procedure has its own client, which holds control while it runs; the window's client releases
control before and requests it afterwards.
"""

from __future__ import annotations

import contextlib
import threading
from abc import ABC, abstractmethod
from collections.abc import Callable
from typing import Generic, TypeVar

from drivers.base import DriverError
from hil.link import LinkError
from hil.procedures import Ended
from ui.dashboard.bench import Session
from ui.dashboard.guided.page_operator import PageOperator, Question
from ui.dashboard.guided.page_rig import PageRun

ENDS_S = 20.0  # for power off, and for the record to be on the disk
Put = Callable[[Callable[[], None]], None]
Work = Callable[[contextlib.ExitStack], tuple[str, bool]]
Run = TypeVar("Run", bound=PageRun)


class ProcedureThread(ABC, Generic[Run]):
    """Base of what runs a procedure for a page.

    Args:
        session: session of the window, which releases control meanwhile; or None.
        put: takes what is to be done on the page's own thread.

    Attributes:
        NAME: name of the thread, and of the client next to the window's.
        TROUBLES: expected errors. ENDED: text for one of them, which replaces ``{}``.
        FAILED: text for any other error.
        operator: prompts the person while a procedure runs.
    """

    NAME: str
    TROUBLES: tuple[type[Exception], ...] = (LinkError, DriverError, OSError)
    ENDED = "Ended: {}."
    FAILED: str

    def __init__(self, session: Session | None, put: Put) -> None:
        self.operator: PageOperator | None = None
        self._session, self._put = session, put
        self._thread: threading.Thread | None = None
        self._runner: Run | None = None
        self._aborted = ""  # why

    @property
    def running(self) -> bool:
        return self._thread is not None

    @property
    def question(self) -> Question | None:
        return self.operator.question if self.operator is not None else None

    @property
    def doing(self) -> str:
        """Action by hand under way, or ''."""
        return self.operator.doing if self.operator is not None else ""

    def abort(self, why: str = "aborted by the operator") -> None:
        """Stop the rig and end."""
        if self.running:
            self._aborted = why
            if self._runner is not None:
                self._runner.abort(why)

    def close(self) -> None:
        """Stop for a window that closes, and wait until the rig is safe."""
        self.abort("the window was closed")
        if self._thread is not None:
            self._thread.join(ENDS_S)

    def _start(self, work: Work) -> None:
        """Begin ``work``, which returns how it ended, and whether that is bad news."""
        self._aborted = ""
        if self._session is not None:
            self._session.give_control()
        self._thread = threading.Thread(
            target=self._work,
            args=(work,),
            name=self.NAME,
            daemon=True,  # a window that dies must not leave it behind, in control
        )
        self._thread.start()

    # ------------------------------------------------------------------ in its own thread

    def _work(self, work: Work) -> None:
        try:
            with contextlib.ExitStack() as stack:
                text, wrong = work(stack)
        except self.TROUBLES as error:
            text, wrong = self.ENDED.format(error), True
        except Exception as error:  # the window must be informed that nothing runs
            text, wrong = self.FAILED.format(f"{type(error).__name__}: {error}"), True
        self._put(lambda: self._over(text, wrong))

    def _opened(self, operator: PageOperator, runner: Run) -> None:
        """Take what ``work`` has opened; it may have been aborted meanwhile."""
        self.operator, self._runner = operator, runner
        if self._aborted:
            runner.abort(self._aborted)

    # ------------------------------------------------------------------ reported, on the page's own thread

    def _over(self, text: str, wrong: bool) -> None:
        self.operator = self._runner = self._thread = None
        if self._session is not None and not self._session.model.watch_only:
            self._session.take_control()
        self._ended(text, wrong)

    @abstractmethod
    def _ended(self, text: str, wrong: bool) -> None:
        """Take in the end, on the page's own thread; nothing runs any more."""


def end_text(ended: Ended, why: str, then: str) -> str:
    """Describe the end, '' if it ran to its end.

    Args:
        why: reason for the abort.
        then: sentence on what remains.
    """
    if ended.how == "finished":
        return ""
    how = {"interrupted": why, "lost": f"contact lost: {ended.text}"}
    text = (how.get(ended.how) or ended.text).rstrip(".")
    return f"Ended: {text}. {then}"
