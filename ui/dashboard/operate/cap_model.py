"""The session cap on the Operate page: limits narrower than the profile's. No Qt."""

from __future__ import annotations

from dataclasses import dataclass

from drivers.motion import FORCE, HERTZ, SPEED, STIFFNESS, Quantity, worded
from hil.control import cap_text, merged_cap, own_values, uncapped_profile, widened
from hil.core import SessionCap
from hil.link import Answer
from ui.dashboard.bench import EntryError, OperateModel, Session

ROUNDING = 1e-4  # relative; a value typed as shown is the one in force


@dataclass(frozen=True)
class CapEntry:
    """One value that may be capped; shown is SI × ``factor`` in ``unit``."""

    name: str
    words: tuple[str, str]  # of a linear and of a rotary actuator
    quantity: Quantity

    @property
    def label(self) -> str:
        return worded(*self.words)

    @property
    def unit(self) -> str:
        return self.quantity.unit

    @property
    def factor(self) -> float:
        return self.quantity.factor


ENTRIES = (
    CapEntry("force_N", ("Force", "Torque"), FORCE),
    CapEntry("speed_m_s", ("Speed", "Speed"), SPEED),
    CapEntry("stiffness_N_m", ("Stiffness", "Stiffness"), STIFFNESS),
    CapEntry("bandwidth_Hz", ("Bandwidth", "Bandwidth"), HERTZ),
)


class CapModel:
    """Values in force, and the cap requested.

    Attributes:
        text: how the last attempt ended; '' before one. wrong: it ended badly.
        asking: wider cap that awaits confirmation, or None.
    """

    def __init__(self, model: OperateModel, session: Session | None) -> None:
        self._model, self._session = model, session
        self.text = ""
        self.wrong = False
        self.asking: SessionCap | None = None

    @property
    def own(self) -> dict[str, float]:
        """Values without a cap, SI, by the names of the entries."""
        return own_values(uncapped_profile(self._model.description))

    @property
    def in_force(self) -> dict[str, float]:
        """Values in force, SI."""
        cap = self._model.cap
        return {name: min(own, getattr(cap, name) or own) for name, own in self.own.items()}

    @property
    def how(self) -> str:
        """Cap as text."""
        cap = cap_text(self._model.cap)
        return f"Session cap: {cap}" if cap else "No session cap: the profile's limits apply"

    def shown(self, entry: CapEntry) -> str:
        """Return the value in force as text without unit."""
        return f"{entry.factor * self.in_force[entry.name]:.4g}"

    def ask(self, texts: dict[str, str]) -> None:
        """Request what is typed; a wider cap waits for confirmation.

        Args:
            texts: texts of the entries, by name; an empty one is the profile's own value.
        """
        self.asking = None
        self.text, self.wrong = "", False
        try:
            asked = self._asked(texts)
        except EntryError as error:
            self.text, self.wrong = str(error), True
            return
        profile, cap = uncapped_profile(self._model.description), self._model.cap
        if merged_cap(cap, asked) == cap:
            return
        if wider := widened(profile, cap, asked):
            self.text = f"{wider} in force. Widen?"
            self.asking = asked
            if self._model.powered or self._model.energising:
                self.asking = None
                self.text, self.wrong = f"{wider} in force: power off first", True
            return
        self._send(asked.model_copy(update={"widen": False}))

    def confirm(self) -> None:
        """Widen as requested."""
        if self.asking is not None:
            self._send(self.asking)

    def leave(self) -> None:
        """Leave the cap as it is."""
        self.asking = None
        self.text = ""

    def _asked(self, texts: dict[str, str]) -> SessionCap:
        """Return the whole cap; a value not below the profile's own is not capped."""
        own, in_force = self.own, self.in_force
        values: dict[str, float] = {}
        for entry in ENTRIES:
            text = texts.get(entry.name, "").replace(",", ".").strip().removesuffix(entry.unit)
            if not text.strip():
                continue
            try:
                value = float(text) / entry.factor
            except ValueError:
                raise EntryError(f"{entry.label}: '{text}' is not a number") from None
            if not 0.0 < value < 1e12:
                raise EntryError(f"{entry.label}: enter a value above 0 {entry.unit}")
            if abs(value / in_force[entry.name] - 1.0) < ROUNDING:
                value = in_force[entry.name]
            if value < own[entry.name]:
                values[entry.name] = value
        return SessionCap.model_validate(values | {"widen": True})

    def _send(self, cap: SessionCap) -> None:
        self.asking = None
        if self._session is not None:
            self._session.ask(cap, self._answered)

    def _answered(self, answer: Answer) -> None:
        self.text, self.wrong = ("", False) if answer.accepted else (answer.text, True)
