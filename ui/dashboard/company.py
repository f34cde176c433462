"""Windows that share a stop, their heartbeats and a theme: a single one, or one for each axis."""

from __future__ import annotations

from typing import Protocol

from ui.dashboard.bench import OperateModel, Session
from ui.dashboard.widgets import Theme


class Member(Protocol):
    """Window of one axis."""

    session: Session | None
    model: OperateModel
    company: Company

    def take_theme(self, theme: Theme) -> None:
        """Rebuild the window in this theme."""


class Company:
    """The windows of all axes, the first one included.

    Building pages takes long; meanwhile the building window sends the heartbeats of all.
    """

    def __init__(self, first: Member) -> None:
        self.windows: list[Member] = [first]

    def join(self, window: Member) -> None:
        """Add the window of another axis."""
        self.windows.append(window)
        window.company = self

    def heartbeat(self) -> None:
        """Send the heartbeat of every session, and nothing else."""
        for window in self.windows:
            if window.session is not None:
                window.session.heartbeat()

    def stop(self) -> None:
        """Send the stop of every session before anything else."""
        sessions = [window.session for window in self.windows if window.session is not None]
        for session in sessions:
            session.stop()
        for session in sessions:
            session.pump()

    @property
    def may_build(self) -> bool:
        """True unless a window holds control of a powered rig."""
        return not any(window.model.powered and window.model.in_control for window in self.windows)

    def take_theme(self, theme: Theme) -> None:
        """Rebuild every window in this theme."""
        for window in self.windows:
            window.take_theme(theme)
