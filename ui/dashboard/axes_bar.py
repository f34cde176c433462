"""Bar of axes at the top of a window for several: state, force and power of each, always visible."""

from __future__ import annotations

from collections.abc import Callable, Mapping

from PySide6.QtCore import Qt
from PySide6.QtGui import QFontMetricsF
from PySide6.QtWidgets import QButtonGroup, QHBoxLayout, QPushButton, QSizePolicy, QWidget

from drivers.base import PowerStage
from drivers.motion import FORCE, in_words, worded
from hil.core import INDEX, State
from ui.dashboard.bench import OperateModel
from ui.dashboard.bench.wording import BEHAVIOUR_WORDS, number
from ui.dashboard.widgets import KeyButton, Sizes, Theme

_POWER = {PowerStage.OFF: "power off", PowerStage.FAULT: "power off", PowerStage.ON: "POWER ON"}


def axis_texts(name: str, model: OperateModel) -> list[str]:
    """Return the bar's texts of an axis, least important last: name, state, power, force, behaviour."""
    if model.power_still_on:
        return [name, "POWER IS STILL ON", "press the emergency stop"]
    if not model.link_well:
        return [name, "NO ANSWER", "power unknown"]
    stage = PowerStage(int(model.row[INDEX["power_stage"]]))
    force = f"{number(FORCE(model.figure('spring_force_N')), 0)}{FORCE}"
    state = model.state_word
    texts = [name, state.upper() if model.state is State.STOPPED else state]
    texts += [_POWER.get(stage, "power changing"), force]
    if model.state is State.RUNNING:
        behaviour = BEHAVIOUR_WORDS[model.active_behaviour]
        texts.append(worded(behaviour, in_words(behaviour).replace("position", "angle")).lower())
    elif model.state is State.STOPPED:
        texts.append(model.state_detail)
    return texts


def in_trouble(model: OperateModel) -> bool:
    """Return True if the bar marks the axis: stopped, silent, or under power against a command."""
    return model.power_still_on or not model.link_well or model.state is State.STOPPED


class AxisButton(QPushButton):
    """Button with the state of one axis; a click shows the axis's pages."""

    def __init__(self, name: str, model: OperateModel, show: Callable[[str], None]) -> None:
        super().__init__()
        self.name, self.model = name, model
        self.setObjectName("axis")
        self.setCheckable(True)
        self.setFocusPolicy(Qt.FocusPolicy.TabFocus)
        self.setSizePolicy(QSizePolicy.Policy.Ignored, QSizePolicy.Policy.Expanding)
        self.clicked.connect(lambda: show(name))
        self._shown = ""

    def refresh(self) -> None:
        """Update the text; parts without room are left out from the end."""
        texts = axis_texts(self.name, self.model)
        trouble = in_trouble(self.model)
        mark = "▲ " if trouble else ""
        whole = mark + "  ·  ".join(texts)
        font = self.font()
        font.setBold(True)  # as while its pages are shown
        metrics = QFontMetricsF(font)
        room = self.width() - 3 * metrics.horizontalAdvance("n")
        shown = whole
        # Cut the cause of a stop rather than leave it out.
        while not trouble and len(texts) > 3 and metrics.horizontalAdvance(shown) > room:
            del texts[-1]
            shown = mark + "  ·  ".join(texts)
        shown = metrics.elidedText(shown, Qt.TextElideMode.ElideRight, room)
        if (shown, trouble) != (self._shown, self.property("trouble")):
            self._shown = shown
            self.setText(shown)
            self.setToolTip(f"{whole}\nShow this axis: click, or Ctrl+Tab for the next one")
            self.setAccessibleName(whole)
            if trouble != self.property("trouble"):
                self.setProperty("trouble", trouble)
                self.style().unpolish(self)
                self.style().polish(self)


class AxesBar(QWidget):
    """One button for each axis, and a key button for the next axis."""

    def __init__(
        self,
        models: Mapping[str, OperateModel],
        theme: Theme,
        sizes: Sizes,
        show: Callable[[str], None],
        following: Callable[[], object],
    ) -> None:
        super().__init__()
        self.setObjectName("axes")
        self.setAttribute(Qt.WidgetAttribute.WA_StyledBackground)
        row = QHBoxLayout(self)
        row.setContentsMargins(sizes.px(12), 0, sizes.px(12), 0)
        row.setSpacing(sizes.px(8))
        self.buttons = {name: AxisButton(name, model, show) for name, model in models.items()}
        group = QButtonGroup(self)
        for button in self.buttons.values():
            group.addButton(button)
            row.addWidget(button, 1)
        self.following = KeyButton("Next axis", "axis", theme)
        self.following.clicked.connect(lambda: following())
        row.addWidget(self.following)
        self.setFixedHeight(max(sizes.px(38), 34))
        self.setStyleSheet(_sheet(theme, sizes))

    def shown(self, name: str) -> None:
        """Mark the axis whose pages are shown."""
        self.buttons[name].setChecked(True)

    def refresh(self) -> None:
        """Update every axis."""
        for button in self.buttons.values():
            button.refresh()


def _sheet(t: Theme, sizes: Sizes) -> str:
    px = sizes.px
    return f"""
* {{ font-size: {sizes.text_pt}pt; color: {t.ink}; }}
QWidget#axes {{ background: {t.strip}; border-bottom: 1px solid {t.rule}; }}
QPushButton {{ background: {t.raised}; border: 1px solid {t.rule}; border-radius: {px(4)}px;
    padding: {px(3)}px {px(9)}px; }}
QPushButton:hover {{ border-color: {t.quiet}; }}
QPushButton:focus {{ border: 2px solid {t.accent}; }}
QPushButton#axis {{ text-align: left; color: {t.quiet}; margin: {px(3)}px 0; }}
QPushButton#axis:checked {{ color: {t.ink}; font-weight: 700; border: 2px solid {t.ink}; }}
QPushButton#axis[trouble="true"] {{ color: {t.warning}; background: {t.warning_ground}; }}
"""
