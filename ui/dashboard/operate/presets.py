"""Presets of behaviours, and the way back to the last one. No Qt.

Both fill the form alone: nothing acts before Apply.
"""

from __future__ import annotations

import json
import os
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from pydantic import TypeAdapter

from drivers.motion import FORCE, LENGTH, STIFFNESS
from hil.core import Apply, Behaviour, Request
from ui.dashboard.bench import EntryError, OperateModel, Session

SLOTS = (6, 7, 8, 9)
MOST_BYTES = 256 * 1024
_BEHAVIOUR: TypeAdapter[Behaviour] = TypeAdapter(Behaviour)


@dataclass(frozen=True)
class Preset:
    """A behaviour under a key."""

    name: str
    behaviour: Behaviour


class Presets:
    """Presets of one rig, in ``presets.json`` next to the folder of runs.

    Attributes:
        kept: presets by the digit of its key.
        text: what went wrong, or ''.
    """

    def __init__(
        self, model: OperateModel, session: Session | None, runs: Path | None = None
    ) -> None:
        self.model = model
        folder = runs.resolve().parent if runs is not None else Path.cwd()
        self.file = folder / "presets.json"
        self.kept: dict[int, Preset] = {}
        self.text = ""
        self._others: dict[str, Any] = {}  # of other rigs
        self._unusable = False
        self._now: Behaviour | None = None
        self._before: Behaviour | None = None
        self._read()
        if session is not None and hasattr(session, "on_accepted"):
            session.on_accepted.append(self._accepted)

    def _read(self) -> None:
        try:
            with self.file.open("rb") as stream:
                raw = stream.read(MOST_BYTES + 1)
            data = json.loads(raw)
            mine = data.pop(self.model.profile.name, {})
            self._others = data
            for slot, preset in mine.items():
                if int(slot) in SLOTS:
                    behaviour = _BEHAVIOUR.validate_python(preset["behaviour"])
                    self.kept[int(slot)] = Preset(str(preset["name"])[:40], behaviour)
        except FileNotFoundError:
            pass
        except (OSError, ValueError, KeyError, TypeError, AttributeError, RecursionError) as error:
            self._unusable = True
            self.kept.clear()
            self.text = (
                f"{self.file} cannot be used ({type(error).__name__}): correct it, or move it"
            )

    def _accepted(self, request: Request) -> None:
        if not isinstance(request, Apply):
            return
        now, new = self._now, request.behaviour
        # Changes made while following count as one.
        on_its_way = self.model.follow and now is not None and now.kind == new.kind
        if now != new and not on_its_way:
            self._before = now
        self._now = new

    @property
    def may_go_back(self) -> bool:
        return self._before is not None

    def back(self) -> bool:
        """Load the behaviour that was applied before this one into the form."""
        return self._before is not None and self._fill(self._before)

    def bring(self, slot: int) -> bool:
        """Load a preset into the form; return True if it exists."""
        preset = self.kept.get(slot)
        return preset is not None and self._fill(preset.behaviour)

    def keep(self) -> int:
        """Save what is set in the form, under the first free key or the last; return it, or 0."""
        if self._unusable:  # it may hold presets that are still wanted
            return 0
        self.text = ""
        try:
            behaviour = self.model.form.build()
        except EntryError as error:
            self.text = f"Not saved: {error}"
            return 0
        if getattr(behaviour, "shape", "") == "table":
            self.text = "Not saved: a waveform from a file stays in that file"
            return 0
        slot = next((slot for slot in SLOTS if slot not in self.kept), SLOTS[-1])
        self.kept[slot] = Preset(name_of(behaviour), behaviour)
        try:
            self._write()
        except OSError as error:
            self.text = f"{self.file}: {error.strerror}; kept for this window only"
        return slot

    def _write(self) -> None:
        mine = {
            str(slot): {"name": preset.name, "behaviour": preset.behaviour.model_dump(mode="json")}
            for slot, preset in self.kept.items()
        }
        part = self.file.with_suffix(".part")
        with part.open("w", encoding="utf-8") as stream:
            json.dump(self._others | {self.model.profile.name: mine}, stream, indent=1)
            stream.flush()
            os.fsync(stream.fileno())
        os.replace(part, self.file)

    def _fill(self, behaviour: Behaviour) -> bool:
        model = self.model
        values = behaviour.model_dump()
        form = next((f for f in model.forms if f.code.name.lower() == behaviour.kind), None)
        if form is None:
            return False
        model.choose(form.number)
        of = values.get("of")
        if of is not None:
            for choice in form.choices:
                choice.value = str(values[choice.key])
            values |= {f"offset_{of}_": values["offset"], f"amplitude_{of}_": values["amplitude"]}
        for entry in form.fields:
            for name, value in values.items():
                if name.startswith(f"{entry.key}_") and isinstance(value, int | float):
                    entry.value = min(max(float(value), entry.low), entry.high)
                    entry.touched = True
        return True


def name_of(behaviour: Behaviour) -> str:
    """Return a short name for a behaviour: its kind and its first figure."""
    words = behaviour.kind.replace("_", " ")
    for key, of in (
        ("stiffness_N_m", STIFFNESS),
        ("force_N", FORCE),
        ("position_m", LENGTH),
        ("amplitude", FORCE if getattr(behaviour, "of", "") == "force" else LENGTH),
    ):
        value = getattr(behaviour, key, None)
        if value is None or (key == "stiffness_N_m" and behaviour.kind == "waveform"):
            continue
        if key == "amplitude":
            words = str(getattr(behaviour, "shape", words))
        for more in ("virtual ", "constant ", " position"):
            words = words.replace(more, "")
        return f"{words} {of(value):.4g}{of}"
    return words
