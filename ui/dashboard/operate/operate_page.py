"""The Operate page: drawing and limit margins, strip charts, behaviour deck, notices."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import partial

from PySide6.QtCore import Qt
from PySide6.QtWidgets import QFrame, QHBoxLayout, QStackedWidget, QVBoxLayout, QWidget

from hil.core import Tare
from ui.dashboard.bench import Page, PageContext
from ui.dashboard.charts import ChartPage
from ui.dashboard.operate.behaviour_deck import BehaviourDeck
from ui.dashboard.operate.cap_panel import CapPanel
from ui.dashboard.operate.editor_panel import EditorPanel
from ui.dashboard.operate.environment_panel import EnvironmentPanel
from ui.dashboard.operate.limit_margin_bars import LimitMarginBars
from ui.dashboard.operate.load_picture import LoadPicture
from ui.dashboard.operate.loop_picture import LoopPicture
from ui.dashboard.operate.notices import Notices
from ui.dashboard.operate.open_house_page import OpenHousePanel
from ui.dashboard.operate.operate_view import OperateView
from ui.dashboard.operate.preset_row import PresetRow
from ui.dashboard.operate.readouts import Readouts
from ui.dashboard.operate.rig_picture import RigPicture
from ui.dashboard.operate.sequence_panel import SequencePanel
from ui.dashboard.operate.zero_panel import ZeroPanel
from ui.dashboard.widgets import KeyButton, Slice, bound, shortcut

DECK_SHARE, EDITOR_SHARE = 23, 58  # of the width: the editor has that of the charts as well


class OperatePage(Page):
    """Mirror of the model; actions go to the session."""

    def __init__(self, place: PageContext) -> None:
        super().__init__()
        model, session, theme, sizes = place.model, place.session, place.theme, place.sizes
        self.model = model
        self.theme, self._low = theme, sizes.low
        px = sizes.px
        self.readouts = Readouts(model, theme, sizes)
        self.rig = RigPicture(model, theme, sizes)
        self.load = LoadPicture(model, theme, sizes)
        self.bars = LimitMarginBars(model, theme, sizes)
        self.environment: EnvironmentPanel | None = None
        below = QHBoxLayout()
        below.setSpacing(0)
        self.loop = LoopPicture(model, theme, sizes)
        self.pictures = QStackedWidget()
        self.pictures.addWidget(self.load)
        self.pictures.addWidget(self.loop)
        self.next_picture = KeyButton("Next picture", "view", theme)
        self.next_picture.clicked.connect(self.show_next_picture)
        picture = QVBoxLayout()
        picture.setSpacing(0)
        picture.addWidget(self.pictures, 1)
        edge = QHBoxLayout()  # aligned with the texts above and below
        edge.setContentsMargins(px(14), 0, 0, px(5))
        edge.addWidget(self.next_picture)
        edge.addStretch(1)
        picture.addLayout(edge)
        below.addLayout(picture, 1)
        if session is not None and session.load is not None:
            self.environment = EnvironmentPanel(
                model, theme, sizes, hang=session.load.hang, push=session.load.push
            )
            below.addWidget(self.environment, 0, Qt.AlignmentFlag.AlignBottom)
        self._left = left = QVBoxLayout()
        left.setContentsMargins(px(8), px(6), 0, px(4))
        left.setSpacing(0)
        left.addWidget(self.readouts)
        # An arm swings up and down: its height sets the size of its drawing.
        rig_share, load_share = (8, 15) if model.profile.motion == "rotary" else (11, 12)
        left.addWidget(self.rig, rig_share)
        left.addLayout(below, load_share)
        left.addWidget(self._rule(across=True))
        left.addWidget(self.bars)

        self.chart_page = ChartPage(
            model,
            theme,
            sizes,
            mark=session.mark if session else lambda text: None,
            # A tare that is set is removed.
            tare=lambda: session.ask(Tare(clear=model.tare_N != 0.0)) if session else None,
        )
        self.deck = BehaviourDeck(
            model, theme, sizes, session.apply if session else lambda behaviour, load_may_move: None
        )
        self._columns = columns = QHBoxLayout()
        columns.setSpacing(0)
        columns.addLayout(left, 42)
        columns.addWidget(self._rule())
        columns.addWidget(self.chart_page, 35)
        columns.addWidget(self._rule())
        # The panel of sequences takes the place of the deck, which acts on nothing meanwhile.
        self.right = QStackedWidget()
        behaviours = QWidget()
        self.right.addWidget(behaviours)
        under = QVBoxLayout(behaviours)
        under.setContentsMargins(0, 0, 0, px(6))
        under.setSpacing(0)
        under.addWidget(self.deck, 1)
        self.presets: PresetRow | None = None
        if isinstance(place.view, OperateView):
            self.presets = PresetRow(place.view.presets, theme, sizes, self._form_filled)
            under.addWidget(self.presets)
        self.to_sequences = KeyButton("Sequences", "sequences", theme)
        # No higher than the title: a behaviour with four settings just fits.
        self.to_sequences.setStyleSheet(f"padding: 0 {px(7)}px")
        self.to_sequences.clicked.connect(self.toggle_sequences)
        if not isinstance(place.view, OperateView):
            self.to_sequences.hide()
        below_deck = QHBoxLayout()
        below_deck.setContentsMargins(px(14), px(5), px(14), 0)
        below_deck.setSpacing(px(5))
        if self.presets is not None:
            below_deck.addWidget(self.presets.keep_button)
            below_deck.addWidget(self.presets.back_button)
        self.deck.head.addWidget(self.to_sequences)  # where the panel has its way back
        under.addLayout(below_deck)
        self.panel: SequencePanel | None = None
        self.editor: EditorPanel | None = None
        if isinstance(place.view, OperateView):
            sequences = place.view.sequences
            self.panel = SequencePanel(
                sequences, theme, sizes, self.toggle_sequences, self.toggle_editor
            )
            self.right.addWidget(self.panel)
            self.editor = EditorPanel(
                place.view.editor, theme, sizes, self.toggle_editor, self._sequence_saved
            )
            self.right.addWidget(self.editor)
        columns.addWidget(self.right, DECK_SHARE)
        self.notices = Notices()
        self.notices.setContentsMargins(px(22), px(2), px(20), px(3))
        column = QVBoxLayout(self)
        column.setContentsMargins(0, 0, 0, 0)
        column.setSpacing(0)
        column.addLayout(columns, 1)
        self.zero: ZeroPanel | None = None
        self.cap: CapPanel | None = None
        self.open_house: OpenHousePanel | None = None
        if isinstance(place.view, OperateView):
            self.zero = ZeroPanel(place.view.zero, theme, sizes, self)
            column.addWidget(self.zero)
            self.cap = CapPanel(place.view.cap, theme, sizes, self._focus_deck)
            column.addWidget(self.cap)
            self.open_house = OpenHousePanel(place.view.open_house, theme, sizes, self._focus_deck)
            column.addWidget(self.open_house)
        column.addWidget(self._rule(across=True))
        column.addWidget(self.notices)

        if session is not None:
            shortcut("put_back", self, lambda: session.ask(Tare(undo=True)))

    def _rule(self, across: bool = False) -> QFrame:
        rule = QFrame()
        rule.setStyleSheet(f"background: {self.theme.rule}; border: none")
        if across:
            rule.setFixedHeight(1)
        else:
            rule.setFixedWidth(1)
        return rule

    def keys(self) -> dict[int, Callable[[], object]]:
        """Return the keys of this page; none is needed while a text field has the focus."""
        acts: dict[str, Callable[[], object]] = {
            str(number): partial(self.choose, number) for number in range(1, 6)
        }
        charts = self.chart_page
        if self.zero is not None:
            acts["zero"] = self.zero.toggle
        if self.cap is not None:
            acts["limits"] = self.cap.toggle
        if self.open_house is not None:
            acts["open_house"] = self.open_house.toggle
        if self.panel is not None:
            acts["sequences"] = self.toggle_sequences
            acts["edit"] = self.toggle_editor
        if self.panel is not None and self.sequences_shown:
            acts |= self.panel.keys()
        elif not self.editing:
            acts |= {
                "enter": self.deck.apply,
                "follow": self.deck.toggle_follow,
                "yes": self.deck.let_move,
                "no": self.deck.leave_it,
            }
        if self.presets is not None and self.right.currentIndex() == 0:
            acts |= self.presets.keys()
        if self.cap is not None and self.cap.asking:
            acts |= {"yes": self.cap.confirm, "no": self.cap.leave}
        acts |= {
            "freeze": charts.toggle_freeze,
            "present": charts.to_live,
            "cursors": charts.step_cursors,
            "view": self.show_next_picture,
            "data": charts.toggle_choices,
            "window": charts.next_window,
            "note": charts.begin_mark,
            "tare": charts.click_tare,
            "page_up": lambda: self._scroll(-0.5),
            "page_down": lambda: self._scroll(0.5),
        }
        return bound(acts)

    @property
    def sequences_shown(self) -> bool:
        """True while the panel of sequences is in place of the deck."""
        return self.right.currentWidget() is self.panel

    @property
    def editing(self) -> bool:
        """True while the editor is in place of charts and deck."""
        return self.editor is not None and self.right.currentWidget() is self.editor

    def toggle_editor(self) -> None:
        """Edit the picked sequence, or go back to the sequences; what is typed stays."""
        if self.panel is None or self.editor is None:
            return
        if self.editing:
            self._show_charts()
            self.right.setCurrentWidget(self.panel)
            self.panel.open()
            return
        editor, sequences = self.editor.editor, self.panel.sequences
        picked = sequences.picked if self.sequences_shown else None
        if not editor.dirty and not editor.open(picked):
            sequences.text, sequences.wrong = editor.said, True
            return
        self.right.setCurrentWidget(self.editor)
        self.chart_page.hide()
        self._columns.setStretchFactor(self.right, EDITOR_SHARE)
        self.editor.show_editor()

    def _show_charts(self) -> None:
        self.chart_page.show()
        self._columns.setStretchFactor(self.right, DECK_SHARE)

    def _sequence_saved(self) -> None:
        if self.panel is not None and self.editor is not None and self.editor.editor.file:
            self.panel.sequences.pick_file(self.editor.editor.file)

    def toggle_sequences(self) -> None:
        """Show the panel of sequences, or the deck again."""
        if self.panel is None:
            return
        self._show_charts()
        if self.sequences_shown:
            self.right.setCurrentIndex(0)
            self._focus_deck()
            return
        self.right.setCurrentWidget(self.panel)
        self.panel.open()

    def _focus_deck(self) -> None:
        self.deck.buttons[self.model.chosen - 1].setFocus(Qt.FocusReason.ShortcutFocusReason)

    def offer(self, name: str) -> None:
        """Show the panel of sequences with a shipped one picked."""
        if self.panel is None:
            return
        self.panel.sequences.pick_file(name)
        if self.sequences_shown:
            self.panel.open()
        else:
            self.toggle_sequences()

    def first_focus(self) -> QWidget:
        if self.editor is not None and self.editing:
            return self.editor.entry
        if self.panel is not None and self.sequences_shown:
            return self.panel.list
        return self.deck.buttons[self.model.chosen - 1]

    def carry_from(self, old: Page) -> None:
        if isinstance(old, OperatePage):
            self.chart_page.take_over(old.chart_page)
            self.loop.points = old.loop.points
            self.pictures.setCurrentIndex(old.pictures.currentIndex())
            if old.editing:
                self.toggle_editor()
            elif old.sequences_shown:
                self.toggle_sequences()
            if self.zero is not None and old.zero is not None:
                self.zero.open = old.zero.open
            if self.cap is not None and old.cap is not None and old.cap.open:
                self.cap.toggle()
            if self.open_house is not None and old.open_house is not None and old.open_house.open:
                self.open_house.toggle()

    def choose(self, number: int) -> None:
        self._show_charts()
        self.right.setCurrentIndex(0)
        self.deck.choose(number)
        self.deck.buttons[number - 1].setFocus(Qt.FocusReason.ShortcutFocusReason)

    def _form_filled(self) -> None:
        self.choose(self.model.chosen)

    def _scroll(self, windows: float) -> None:
        view = self.chart_page.charts.view
        view.scroll(windows * view.window_s)
        self.chart_page.refresh()

    def show_next_picture(self) -> None:
        """Show the rig's load, or force over deflection, in turn."""
        self.pictures.setCurrentIndex(1 - self.pictures.currentIndex())

    def _repaint_picture(self) -> None:
        self.loop.take()
        (self.load if self.pictures.currentIndex() == 0 else self.loop).repaint()

    def let_go(self) -> None:
        """Release the simulated hand."""
        if self.environment is not None and self.environment.hand.isDown():
            self.environment.hand.setDown(False)
            self.environment.hand.released.emit()
        if self.zero is not None:
            self.zero.let_go()

    def frame_slices(self) -> list[Slice]:
        return [
            self.deck.follow,
            *self.chart_page.charts.slices(),
            *self.rig.slices(),
            self._repaint_picture,
        ]

    def word_slices(self) -> list[Slice]:
        return [*self.readouts.slices(), *self.bars.slices(), self.deck.refresh, self._refresh_rest]

    def refresh(self) -> None:
        for act in self.word_slices():
            act()

    def _room_for_rig(self, rows: Sequence[QWidget]) -> bool:
        """Return True if the drawing of the actuator still fits with these rows open."""
        if not rows:
            return True
        below: list[QWidget] = [*rows, self.notices]
        taken = sum(max(w.heightForWidth(self.width()), w.sizeHint().height()) for w in below)
        least = self._left.minimumSize().height()
        if self.rig.isHidden():
            least += self.rig.minimumSizeHint().height()
        return self.height() - taken - 1 >= least  # a rule above the notices

    def _refresh_rest(self) -> None:
        self.chart_page.refresh()
        if self.environment is not None:
            self.environment.refresh()
        rows = [row for row in (self.zero, self.cap, self.open_house) if row is not None]
        for row in rows:
            row.refresh()
        if self._low:  # no room for all; the key of the pictures still works
            shown = [row for row in rows if row.isVisibleTo(self)]
            self.next_picture.setVisible(not shown)
            if self.environment is not None:
                self.environment.title.setVisible(not shown)
            self.rig.setVisible(self._room_for_rig(shown))
        if self.panel is not None and self.sequences_shown:
            self.panel.refresh()
        elif self.editor is not None and self.editing:
            self.editor.refresh()
        elif self.presets is not None:
            self.presets.refresh()
        recent = list(self.model.notices)[-6:]
        words = [f"{clock}  {text}" if clock else text for clock, text in reversed(recent)]
        self.notices.say(words)
