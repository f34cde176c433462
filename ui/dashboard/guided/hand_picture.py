"""Pictures of actions by hand: the rig, the hand, its tool and the direction."""

from __future__ import annotations

import math
from collections.abc import Callable

from PySide6.QtCore import QPointF, QRectF, Qt
from PySide6.QtGui import QColor, QPainter, QPainterPath, QPaintEvent, QPolygonF
from PySide6.QtWidgets import QSizePolicy, QWidget

from hil.profile import Lever, Linear
from ui.dashboard.guided.page_operator import Question
from ui.dashboard.widgets import Sizes, SketchPainter, Theme

SHEET = (100.0, 64.0)  # the drawing's own units
LEFT, RIGHT, UP, DOWN = math.pi, 0.0, -math.pi / 2, math.pi / 2
CLOCKWISE, BACK = 1.0, -1.0
DESCRIPTIONS = {
    "turn_screw": "a hand turns the shaft",
    "hold_screw": "a hand with a clamp holds the shaft",
    "let_screw_go": "a hand leaves the shaft",
    "push_load": "a spring balance pulls at the load",
    "let_load_go": "a hand leaves the load",
    "hold_output": "a hand holds the rod",
    "let_output_go": "a hand leaves the rod",
    "wiggle_cable": "a hand moves the sensor's cable to and fro",
    "press_stop": "a hand presses the emergency stop",
    "release_stop": "a hand turns the emergency stop, which comes out",
    "support_load": "a hand puts a support under the load",
    "free_load": "a hand takes the support away",
    "hang": "a weight is hung on",
    "take_off": "the weights are taken off",
    "nut_position_m": "a caliper between the motor's end and the nut",
    "output_position_m": "a caliper between the housing and the end of the rod",
    "balance_N": "a spring balance holds the load",
    "cell_N": "a load cell between rod and load",
    "winding_ohm": "a resistance meter at two terminals of the motor",
}


class HandPicture(QWidget):
    """Drawing of the action that a question asks for; empty if it asks for none.

    Attributes:
        shown: name of the action, '' for none. amount: as the action has it; its sign is the
            direction.
    """

    def __init__(self, rig: Lever | Linear, theme: Theme, sizes: Sizes) -> None:
        super().__init__()
        self._rig, self.theme, self.sizes = rig, theme, sizes
        self.shown, self.amount = "", 0.0
        self.setSizePolicy(QSizePolicy.Policy.Fixed, QSizePolicy.Policy.Ignored)
        self.setFixedWidth(sizes.px(280))
        self.hide()

    def show_for(self, question: Question | None) -> None:
        """Draw what ``question`` asks for, or hide."""
        name = question.picture if question is not None else ""
        self.shown = name if name in DESCRIPTIONS else ""
        self.amount = question.amount if question is not None else 0.0
        self.setVisible(bool(self.shown))
        if self.shown:
            self.setAccessibleName(f"Drawing: {DESCRIPTIONS[self.shown]}")
            self.setToolTip(DESCRIPTIONS[self.shown])
        self.update()

    def paintEvent(self, event: QPaintEvent) -> None:
        del event
        painter = QPainter(self)
        try:
            if self.shown:
                draw = SketchPainter(painter, self.theme, self.sizes, self.font())
                _Sheet(draw, self._rig, self.width(), self.height()).act(self.shown, self.amount)
        finally:  # an open painter would crash the process
            painter.end()


class _Sheet:
    """The rig in units of ``SHEET``: an actuator lying, with a carriage, or upright under a lever.

    Along the actuator: motor, shaft, nut between springs, rod. Screen sense: y grows downwards.
    """

    def __init__(
        self, draw: SketchPainter, rig: Lever | Linear, width: float, height: float
    ) -> None:
        self.draw, self.theme = draw, draw.theme
        self.lever = isinstance(rig, Lever)
        self.stands = isinstance(rig, Lever) or rig.vertical
        self.pitch = 0.62 if self.stands else 0.9  # of a part's length
        self.scale = min(width / SHEET[0], height / SHEET[1])
        painter = draw.painter
        painter.translate((width - self.scale * SHEET[0]) / 2, (height - self.scale * SHEET[1]) / 2)
        self.out = UP if self.stands else RIGHT  # in which the rod extends
        self.side = LEFT if self.stands else UP  # from which hands come to the actuator
        self._free = (DOWN, 10.0) if self.lever else (RIGHT, 6.0)  # side of the load that is free
        self.load = self.point(86, 24) if self.lever else self.at(67, 0)

    def act(self, name: str, amount: float) -> None:
        self._rig()
        way = CLOCKWISE if amount >= 0.0 else BACK
        acts: dict[str, Callable[[], object]] = {
            "turn_screw": lambda: self._turn(self.at(17, 0), way),
            "hold_screw": lambda: self._hold_screw(),
            "let_screw_go": lambda: self._leave(self.at(17, 0)),
            "push_load": lambda: self._balance(way, f"{abs(amount):.3g} N"),
            "let_load_go": lambda: self._leave(self._beside(self.load, *self._free), self._free[0]),
            "hold_output": lambda: self._grip(self.at(51, 0)),
            "let_output_go": lambda: self._leave(self.at(51, 0)),
            "wiggle_cable": lambda: self._wiggle(),
            "press_stop": lambda: self._stop(True),
            "release_stop": lambda: self._stop(False),
            "support_load": lambda: self._support(True),
            "free_load": lambda: self._support(False),
            "hang": lambda: self._weight(True, f"{amount:g} kg"),
            "take_off": lambda: self._weight(False, ""),
            "nut_position_m": lambda: self._caliper(14, 29),
            "output_position_m": lambda: self._caliper(42, 58),
            "balance_N": lambda: self._balance(CLOCKWISE, "? N"),
            "cell_N": lambda: self._cell(),
            "winding_ohm": lambda: self._meter(),
        }
        acts[name]()

    # ------------------------------------------------------------------ places

    def point(self, x: float, y: float) -> QPointF:
        return QPointF(self.scale * x, self.scale * y)

    def at(self, along: float, across: float) -> QPointF:
        """Return a place on the actuator; ``across`` is positive away from the hands."""
        if self.stands:
            return self.point((34 if self.lever else 30) + across, 62 - self.pitch * along)
        return self.point(4 + self.pitch * along, 30 + across)

    def _beside(self, place: QPointF, angle: float, distance: float) -> QPointF:
        reach = self.scale * distance
        return QPointF(place.x() + reach * math.cos(angle), place.y() + reach * math.sin(angle))

    # ------------------------------------------------------------------ the rig

    def _part(self, a1: float, a2: float, half: float, fill: str = "") -> None:
        rect = QRectF(self.at(a1, -half), self.at(a2, half)).normalized()
        self.draw.box(rect.x(), rect.y(), rect.width(), rect.height(), fill, self.draw.narrow())

    def _spring(self, a1: float, a2: float) -> None:
        turns = [self.at(a1 + (a2 - a1) * k / 6, 4.0 * (-1) ** k) for k in range(7)]
        self.draw.painter.setPen(self.draw.narrow())
        self.draw.painter.drawPolyline(QPolygonF(turns))

    def _rig(self) -> None:
        theme = self.theme
        self._part(0, 14, 7, theme.metal)  # motor
        self._part(14, 20, 1.6, theme.raised)  # shaft
        self._part(20, 42, 6.5)  # housing
        self._part(20, 42, 0.8, theme.raised)  # screw
        self._spring(21, 28)
        self._spring(34, 41)
        self._part(28, 34, 5, theme.metal)  # nut
        self._part(42, 60, 1.3, theme.raised)  # rod
        self._paint_lever() if self.lever else self._paint_carriage()

    def _paint_lever(self) -> None:
        draw, s = self.draw, self.scale
        draw.box(8 * s, 22.5 * s, 82 * s, 3 * s, self.theme.metal, draw.narrow())
        foot = [self.point(10, 25), self.point(6, 32), self.point(14, 32)]
        draw.painter.setPen(draw.narrow())
        draw.painter.drawPolygon(QPolygonF(foot))
        draw.hatch(QRectF(self.point(4, 32), self.point(16, 34)), pitch=4.0)
        self._plate(self.load)

    def _paint_carriage(self) -> None:
        draw = self.draw
        self._part(60, 74, 8, self.theme.metal)
        for along in (63, 71):
            draw.painter.setPen(draw.narrow())
            draw.painter.setBrush(QColor(self.theme.raised))
            draw.painter.drawEllipse(self.at(along, 10), 2 * self.scale, 2 * self.scale)
        first, last = self.at(44, 12), self.at(86, 12)
        draw.line(first.x(), first.y(), last.x(), last.y(), draw.wide())
        draw.hatch(QRectF(first, self.at(86, 14)).normalized(), pitch=4.0)

    def _plate(self, place: QPointF) -> None:
        """Draw the plate that weights hang on, below the end of the lever."""
        draw, s = self.draw, self.scale
        draw.line(place.x(), place.y() + 1.5 * s, place.x(), place.y() + 10 * s, draw.narrow())
        low = place.y() + 10 * s
        draw.line(place.x() - 6 * s, low, place.x() + 6 * s, low, draw.wide())

    # ------------------------------------------------------------------ hands and arrows

    def _hand(self, tip: QPointF, angle: float) -> None:
        """Draw a hand whose fingers end at ``tip`` and point in direction ``angle``."""
        painter, s = self.draw.painter, self.scale
        painter.save()
        painter.translate(tip)
        painter.rotate(math.degrees(angle))
        painter.scale(s, s)
        whole = QPainterPath()
        whole.setFillRule(Qt.FillRule.WindingFill)
        whole.addRoundedRect(QRectF(-12.5, -4.2, 8.0, 8.4), 2.4, 2.4)
        for k, long in enumerate((5.6, 6.6, 6.2, 4.8)):
            whole.addRoundedRect(QRectF(-6.4, -4.2 + 2.1 * k, long, 2.1), 1.0, 1.0)
        thumb = QPainterPath()
        thumb.addRoundedRect(QRectF(-9.0, 3.0, 6.4, 2.4), 1.1, 1.1)
        whole = whole.simplified().united(thumb)
        pen = self.draw.pen(self.theme.marker, 1.2)
        pen.setCosmetic(True)
        painter.setPen(pen)
        painter.setBrush(QColor(self.theme.ground))
        painter.drawRect(QRectF(-17.5, -3.4, 5.4, 6.8))
        painter.drawPath(whole)
        painter.restore()

    def _arrow(self, start: QPointF, angle: float, length: float = 11.0) -> None:
        self.draw.force_arrow(start, angle, length * self.scale, self.theme.force, 4.0)

    def _turning(self, centre: QPointF, way: float, radius: float = 7.0) -> None:
        """Draw an arrow around ``centre``, clockwise or back."""
        draw, r = self.draw, radius * self.scale
        draw.painter.setPen(draw.pen(self.theme.force, 2.2))
        draw.painter.setBrush(Qt.BrushStyle.NoBrush)
        box = QRectF(centre.x() - r, centre.y() - r, 2 * r, 2 * r)
        draw.painter.drawArc(box, -50 * 16, 280 * 16)  # from lower right over the top
        end = math.radians(50) if way > 0 else math.radians(130)
        tip = QPointF(centre.x() + r * math.cos(end), centre.y() + r * math.sin(end))
        draw.arrow_head(tip, end + way * math.pi / 2, 5.5 * self.scale, self.theme.force)

    def _leave(self, place: QPointF, side: float | None = None) -> None:
        away = self.side if side is None else side
        start = self._beside(place, away, 4.0)
        self._hand(self._beside(place, away, 8.0), away + math.pi)
        across = away + math.pi / 2
        self._arrow(self._beside(start, across, 7.0), away, 13.0)

    def _grip(self, place: QPointF) -> None:
        self._hand(self._beside(place, self.side, -1.5), self.side + math.pi)

    # ------------------------------------------------------------------ acts

    def _turn(self, place: QPointF, way: float) -> None:
        self._grip(place)
        # The turn is shown as seen along the shaft from the motor's end.
        where = self.point(62, 44) if self.stands else self.point(72, 54)
        self._turning(where, way, 6.5)
        self.draw.box(
            where.x() - self.scale, where.y() - self.scale, 2 * self.scale, 2 * self.scale
        )

    def _hold_screw(self) -> None:
        place, s = self.at(17, 0), self.scale
        clamp = QRectF(place.x() - 3 * s, place.y() - 3 * s, 6 * s, 6 * s)
        self.draw.box(clamp.x(), clamp.y(), clamp.width(), clamp.height(), self.theme.nut)
        self._hand(self._beside(place, self.side, 2.5), self.side + math.pi)

    def _wiggle(self) -> None:
        start = self.at(38, 6.5)
        path = QPainterPath(start)
        end = self._beside(start, RIGHT if self.stands else DOWN, 20.0 if self.stands else 14.0)
        turn = self._beside(start, RIGHT if self.stands else DOWN, 10.0)
        bend = DOWN if self.stands else LEFT
        path.quadTo(self._beside(turn, bend, 10.0), end)
        self.draw.painter.setPen(self.draw.pen(self.theme.measured, 2.0))
        self.draw.painter.setBrush(Qt.BrushStyle.NoBrush)
        self.draw.painter.drawPath(path)
        self._hand(end, LEFT)
        for way in (UP, DOWN):
            self._arrow(self._beside(self._beside(end, RIGHT, 20.0), way, 1.0), way, 9.0)

    def _stop(self, pressed: bool) -> None:
        """Draw the mushroom button on its box; it is turned to come out again."""
        draw, s = self.draw, self.scale
        x, y = (66.0, 50.0) if self.stands else (24.0, 56.0)
        draw.box((x - 8) * s, y * s, 16 * s, 7 * s, self.theme.raised, draw.narrow())
        stem = 1.5 if pressed else 4.0
        draw.box((x - 2) * s, (y - stem) * s, 4 * s, stem * s, self.theme.metal, draw.narrow())
        draw.painter.setPen(draw.narrow())
        draw.painter.setBrush(QColor(self.theme.nut))
        draw.painter.drawChord(QRectF((x - 6) * s, (y - stem - 4) * s, 12 * s, 8 * s), 0, 180 * 16)
        top = self.point(x, y - stem - 4)
        if pressed:
            self._hand(top, DOWN)
            self._arrow(self._beside(self._beside(top, UP, 12.0), RIGHT, 9.0), DOWN)
        else:
            self._hand(self._beside(self.point(x, y - 3), RIGHT, 6.0), LEFT)
            self._turning(self._beside(top, UP, 2.0), CLOCKWISE, 5.0)

    def _support(self, put: bool) -> None:
        """Draw a block under the load, or in front of it, that takes it off the rod."""
        draw, s = self.draw, self.scale
        if self.lever:
            tip = self._beside(self.load, DOWN, 12.0 if put else 22.0) - QPointF(12 * s, 10 * s)
        elif self.stands:
            tip = self._beside(self.at(60, 5), DOWN, 0.5 if put else 8.0)
        else:
            tip = self._beside(self.at(74, 0), RIGHT, 2.0 if put else 7.0)
        along = DOWN if self.stands else RIGHT
        foot = self._beside(tip, along, 18.0)
        across = 2.6 * s
        wide = QPointF(across, 0) if self.stands else QPointF(0, across)
        draw.painter.setPen(draw.narrow())
        draw.painter.setBrush(QColor(self.theme.warning))
        draw.painter.drawPolygon(QPolygonF([tip, foot + wide, foot - wide]))
        middle = self._beside(tip, along, 12.0)
        side = RIGHT if self.stands else DOWN
        self._hand(self._beside(middle, side, 1.0), side + math.pi)
        beside = (LEFT, 7.0) if self.lever else (side, 22.0)
        start = self._beside(self._beside(tip, along, 12.0 if put else 2.0), *beside)
        self._arrow(start, along + math.pi if put else along)

    def _weight(self, on: bool, text: str) -> None:
        draw, s = self.draw, self.scale
        plate = self._beside(self.load, DOWN, 10.5) if self.lever else self.at(67, 0)
        x, y = plate.x() - 6 * s, plate.y()
        if not self.lever:
            y = (self.at(74, 0).y() if self.stands else self.at(67, -8).y()) - 9 * s
        draw.box(x, y, 12 * s, 9 * s, self.theme.metal, draw.wide())
        self._hand(
            QPointF(x + 13 * s, y + 4.5 * s) if not self.lever else QPointF(x - s, y + 5 * s),
            LEFT if not self.lever else RIGHT,
        )
        start = QPointF(x + (15 if self.lever else -6) * s, y + (-1 if on else 10) * s)
        self._arrow(start, DOWN if on else UP)
        if text and self.lever:
            draw.text(x + 6 * s, y + 14 * s, text, bold=True, anchor="middle")
        elif text:
            side = "right" if x > 0.5 * SHEET[0] * s else "left"
            draw.text(
                x + (-10 if side == "right" else 34) * s, y + 4.5 * s, text, bold=True, anchor=side
            )

    def _balance(self, way: float, text: str) -> None:
        """Draw a spring balance hooked to the load; ``way`` is + if it pulls in extension."""
        draw, s = self.draw, self.scale
        angle = self.out if way > 0 else self.out + math.pi
        if self.lever:
            hook, near, far = self._beside(self.load, LEFT, 8.0), 1.5, 9.0
        elif self.stands:
            hook, near, far = self.at(67, 8), 2.0, 10.0
        else:
            hook, near, far = self.at(74 if way > 0 else 60, -5), 2.0, 10.0
        one, other = self._beside(hook, angle, near), self._beside(hook, angle, far)
        draw.line(hook.x(), hook.y(), one.x(), one.y(), draw.narrow())
        across = QPointF(-math.sin(angle) * 2.4 * s, math.cos(angle) * 2.4 * s)
        painter = draw.painter
        painter.setPen(draw.wide(self.theme.measured))
        painter.setBrush(QColor(self.theme.ground))
        painter.drawPolygon(QPolygonF([one - across, other - across, other + across, one + across]))
        for share in (0.25, 0.5, 0.75):
            tick = one + (other - one) * share
            draw.line(tick.x(), tick.y(), (tick + across).x(), (tick + across).y(), draw.narrow())
        if self.stands:
            self._hand(self._beside(other, RIGHT, 1.0), LEFT)
            place = self._beside(hook, LEFT if self.lever else RIGHT, 8.0 if self.lever else 24.0)
            self._arrow(self._beside(place, angle, 1.0), angle)
            draw.text(60 * s, 34 * s, text, bold=True, anchor="left")
        else:
            self._hand(self._beside(other, angle, -1.0), angle + math.pi)
            self._arrow(self._beside(self._beside(hook, UP, 9.0), angle, 1.0), angle)
            draw.text(hook.x(), 7 * s, text, bold=True, anchor="middle")

    def _caliper(self, a1: float, a2: float) -> None:
        """Draw caliper jaws at two places along the actuator, and their distance."""
        draw = self.draw
        reach = 12.0
        for along in (a1, a2):
            near, far = self.at(along, 2.0), self.at(along, reach)
            draw.line(near.x(), near.y(), far.x(), far.y(), draw.wide(self.theme.measured))
        one, other = self.at(a1, reach), self.at(a2, reach)
        draw.line(one.x(), one.y(), other.x(), other.y(), draw.wide(self.theme.measured))
        middle = self.at((a1 + a2) / 2, reach)
        size = 3 * self.scale
        draw.box(
            middle.x() - size,
            middle.y() - size,
            2 * size,
            2 * size,
            self.theme.ground,
            draw.narrow(),
        )
        self._hand(self._beside(middle, self.side + math.pi, 3.5), self.side)

    def _cell(self) -> None:
        draw = self.draw
        self._part(49, 57, 4.5, self.theme.ground)
        middle = self.at(53, 0)
        draw.text(middle.x(), middle.y(), "N", self.theme.measured, bold=True, anchor="middle")
        self._hand(self._beside(middle, self.side, 5.0), self.side + math.pi)

    def _meter(self) -> None:
        draw, s = self.draw, self.scale
        meter = self.point(52, 38) if self.stands else self.point(26, 44)
        draw.box(meter.x(), meter.y(), 20 * s, 14 * s, self.theme.ground)
        draw.text(
            meter.x() + 10 * s,
            meter.y() + 7 * s,
            "Ω",
            self.theme.measured,
            bold=True,
            anchor="middle",
        )
        for along in (3, 8):
            end = self.at(along, 7)
            draw.line(
                meter.x(),
                meter.y() + (along + 2) * s,
                end.x(),
                end.y(),
                draw.wide(self.theme.measured),
            )
        self._hand(QPointF(meter.x() + 21 * s, meter.y() + 7 * s), LEFT)
