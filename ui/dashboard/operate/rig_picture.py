"""The actuator as a drawing that moves: motor, screw, nut between springs, rod, force, travel."""

from __future__ import annotations

import math
from functools import partial

from PySide6.QtCore import QPointF, QRectF, Qt
from PySide6.QtGui import QColor, QPainter, QPaintEvent, QPolygonF

from drivers.motion import FORCE, LENGTH
from ui.dashboard.bench import OperateModel, number
from ui.dashboard.charts import nice_step
from ui.dashboard.operate.joint_frame import JointFrame
from ui.dashboard.operate.live_drawing import LiveDrawing
from ui.dashboard.widgets import PreparedPicture, Sizes, SketchPainter, Slice, Theme

PARTS = 4
SPRING_SCALE = 2.0  # springs are drawn this much larger than travel, with a note


class RigPicture(LiveDrawing):
    """View of the actuator, from the side or along its joint, redrawn from the model's latest row."""

    NAME = "Drawing of the actuator"
    LEAST = (400, 165)  # below it springs and nut shrink to a line

    def __init__(self, model: OperateModel, theme: Theme, sizes: Sizes) -> None:
        super().__init__(model, theme, sizes)
        self._prepared = PreparedPicture(self)
        self._begun: _Actuator | JointFrame | None = None

    def draw(self, draw: SketchPainter) -> None:
        for part in self._frame(draw).parts():
            part()

    def _frame(self, draw: SketchPainter) -> _Actuator | JointFrame:
        kind = JointFrame if self.model.profile.motion == "rotary" else _Actuator
        return kind(draw, self.model, self.width(), self.height())

    def slices(self) -> list[Slice]:
        """Return the redraw in short parts."""
        return self._prepared.slices([partial(self._part, number) for number in range(PARTS)])

    def paintEvent(self, event: QPaintEvent) -> None:
        painter = QPainter(self)
        shown = self._prepared.show(painter)
        painter.end()
        if not shown:
            super().paintEvent(event)

    def _part(self, number: int, painter: QPainter) -> None:
        draw = SketchPainter(painter, self.theme, self.sizes, self.font())
        # The later parts use the geometry of the first, whatever has arrived meanwhile.
        if number == 0:
            self._begun = self._frame(draw)
        if self._begun is not None:
            self._begun.draw = draw
            self._begun.parts()[number]()


class _Actuator:
    """Geometry of one frame. x grows with rod extension; all in logical pixels."""

    def __init__(
        self, draw: SketchPainter, model: OperateModel, width: float, height: float
    ) -> None:
        self.draw = draw
        self.model = model
        profile = model.profile
        self.profile = profile
        u = draw.u
        springs = profile.actuator.springs
        self.solid = springs.solid_deflection
        self.preload = springs.preload
        self.stroke = profile.actuator.stroke

        line = draw.line_height
        self.motor_width, self.flange, self.nut_width = 78 * u, 9 * u, 24 * u
        self.arrow_room = 92 * u
        self.left = 14 * u
        self.coupling = 16 * u
        fixed = (
            self.left
            + self.motor_width
            + self.coupling
            + 2 * self.flange
            + self.nut_width
            + self.arrow_room
            + 8 * u
        )
        # What is left is shared between travel, springs (each 1.35 × solid at their scale) and rod.
        room = max(width - fixed, 100 * u)
        rod_share = 1.05
        in_metres = self.stroke * (1 + rod_share) + 2 * 1.35 * self.solid * SPRING_SCALE
        self.per_m = room / in_metres
        self.spring_per_m = self.per_m * SPRING_SCALE
        self.gap = 1.35 * self.solid * self.spring_per_m  # of either spring at no deflection
        self.rod_length = self.stroke * self.per_m * rod_share

        self.half = min(56 * u, (height - 5.5 * line) / 2)  # half height of the flanges
        self.axis = line * 1.75 + self.half + 8 * u
        spare = height - (self.axis + self.half + 2.9 * line + 14 * u)
        self.axis += max(0.0, spare * 0.35)
        self.origin = self.left + self.motor_width + self.coupling  # flange at output 0

        output = model.value("output_position_m")
        deflection = model.value("deflection_m")
        self.known = math.isfinite(output) and math.isfinite(deflection)
        self.output = output if math.isfinite(output) else 0.5 * self.stroke
        self.deflection = deflection if math.isfinite(deflection) else 0.0
        reach = self.solid * 1.05
        self.drawn_deflection = min(max(self.deflection, -reach), reach)

        self.back = self.x_of(self.output)  # inner face of the rear flange is beyond it
        self.inner_left = self.back + self.flange
        self.neutral = self.inner_left + self.gap + self.nut_width / 2
        self.nut = self.neutral + self.drawn_deflection * self.spring_per_m
        self.inner_right = self.neutral + self.nut_width / 2 + self.gap
        self.rod = self.inner_right + self.flange

    def x_of(self, output_m: float) -> float:
        return self.origin + output_m * self.per_m

    def parts(self) -> list[Slice]:
        """Return the acts that paint it, in this order, each about as long as the others."""
        return [self._paint_back, self._carriage, self._paint_middle, self._paint_front]

    def _paint_back(self) -> None:
        self._motor()
        self._screw()

    def _paint_middle(self) -> None:
        self._springs()
        self._nut()
        self._rod()

    def _paint_front(self) -> None:
        self._deflection()
        self._travel()
        self._force()

    def _motor(self) -> None:
        draw, u, theme = self.draw, self.draw.u, self.draw.theme
        height = 1.7 * self.half
        top = self.axis - height / 2
        body = QRectF(self.left, top, self.motor_width, height)
        draw.box(self.left, top, self.motor_width, height, theme.raised)
        # Cut view: the wound stator is hatched, the rotor between is not.
        band = height * 0.3
        for y in (top, top + height - band):
            stator = QRectF(body.left(), y, body.width(), band)
            draw.hatch(stator)
            draw.line(
                stator.left(),
                y + (band if y == top else 0),
                stator.right(),
                y + (band if y == top else 0),
                draw.narrow(),
            )
        draw.box(self.left, top, self.motor_width, height)
        neck = self.left + self.motor_width
        draw.box(neck, self.axis - 11 * u, 9 * u, 22 * u, theme.metal)
        torque = self.model.figure("measured_torque_N_m")
        below = top + height + 0.75 * draw.line_height
        middle = self.left + self.motor_width / 2
        draw.text(middle, below, f"{number(torque, 2)} N·m", anchor="middle")
        draw.text(middle, top - 0.65 * draw.line_height, "motor", theme.quiet, anchor="middle")

    def _screw(self) -> None:
        draw, u, theme = self.draw, self.draw.u, self.draw.theme
        start = self.left + self.motor_width + 9 * u
        end = self.rod + 8 * u
        radius = 8 * u
        draw.box(start, self.axis - radius, end - start, 2 * radius, theme.metal, draw.narrow())
        # The thread turns with the nut's travel: one pitch of the picture per turn of the motor.
        pitch = 9.0 * u
        lead = self.profile.actuator.transmission.lead
        nut = self.model.value("nut_position_m")
        phase = (nut / lead % 1.0) * pitch if math.isfinite(nut) else 0.0
        slant = 5 * u if self.profile.actuator.transmission.hand == "right" else -5 * u
        draw.painter.save()
        draw.painter.setClipRect(QRectF(start, self.axis - radius, end - start, 2 * radius))
        x = start - 2 * pitch + phase
        while x < end + pitch:
            draw.line(x, self.axis + radius, x + slant, self.axis - radius, draw.narrow())
            x += pitch
        draw.painter.restore()
        draw.line(
            self.left - 8 * u,
            self.axis,
            self.rod + self.rod_length + 14 * u,
            self.axis,
            draw.chain(),
        )

    def _carriage(self) -> None:
        """Draw the two flanges and the tie rods, which move with the output."""
        draw, u, theme = self.draw, self.draw.u, self.draw.theme
        half = self.half
        for y in (self.axis - half + 5 * u, self.axis + half - 5 * u):
            draw.box(self.back, y - 2 * u, self.rod - self.back, 4 * u, theme.raised, draw.narrow())
        for x in (self.back, self.inner_right):
            draw.box(x, self.axis - half, self.flange, 2 * half, theme.metal)
        limited = self.profile.limits.deflection.limited * self.spring_per_m
        edge = self.solid * 1.05 * self.spring_per_m
        # Where the nut's middle must not go: hatched on the tie rods.
        if edge > limited:
            y = self.axis - half - 1.5 * u
            for x in (self.neutral - edge, self.neutral + limited):
                draw.hatch(QRectF(x, y - 7 * u, edge - limited, 7 * u), theme.nut, 4.0)
                inner = x + (edge - limited if x < self.neutral else 0)
                draw.line(inner, y - 8 * u, inner, y, draw.narrow(theme.nut))

    def _springs(self) -> None:
        per_m, moved = self.spring_per_m, self.drawn_deflection
        free = self.gap + self.preload * per_m
        left, right = self.nut - self.nut_width / 2, self.nut + self.nut_width / 2
        offset = self.half * 0.52
        for y in (self.axis - offset, self.axis + offset):
            # Beyond its preload a set is at its free length and releases the nut.
            self._coil(self.inner_left, min(left, self.inner_left + free), y, moved > self.preload)
            self._coil(
                self.inner_right, max(right, self.inner_right - free), y, moved < -self.preload
            )

    def _coil(self, fixed: float, free: float, y: float, slack: bool) -> None:
        draw, u, theme = self.draw, self.draw.u, self.draw.theme
        turns = 6
        radius = min(15 * u, self.half * 0.27)
        pitch = (free - fixed) / turns
        front = draw.pen(theme.quiet if slack else theme.ink, 1.1 if slack else 2.0)
        front.setCapStyle(Qt.PenCapStyle.RoundCap)
        back = draw.narrow(theme.disabled if slack else theme.quiet)
        for turn in range(turns):
            x = fixed + turn * pitch
            draw.line(x + pitch / 2, y + radius, x + pitch, y - radius, back)
        for turn in range(turns):
            x = fixed + turn * pitch
            draw.line(x, y - radius, x + pitch / 2, y + radius, front)

    def _nut(self) -> None:
        draw, u, theme = self.draw, self.draw.u, self.draw.theme
        half = self.half - 11 * u
        rect = QRectF(self.nut - self.nut_width / 2, self.axis - half, self.nut_width, 2 * half)
        tint = QColor(theme.motor)
        draw.box(rect.x(), rect.y(), rect.width(), rect.height(), theme.raised)
        tint.setAlpha(150)
        draw.painter.setBrush(tint)
        draw.painter.drawRect(rect)

    def _rod(self) -> None:
        draw, u, theme = self.draw, self.draw.u, self.draw.theme
        radius = 14 * u
        eye = 11 * u
        draw.box(self.rod, self.axis - radius, self.rod_length - eye, 2 * radius, theme.raised)
        centre = QPointF(self.rod + self.rod_length - eye / 2, self.axis)
        draw.painter.setBrush(QColor(theme.raised))
        draw.painter.drawEllipse(centre, eye, eye)
        draw.painter.setBrush(QColor(theme.ground))
        draw.painter.drawEllipse(centre, 4 * u, 4 * u)
        room = self.rod_length - 2 * eye
        if draw.metrics.horizontalAdvance("output") < room - 6 * u:
            draw.text(
                self.rod + room / 2 + 2 * u, self.axis, "output", theme.quiet, anchor="middle"
            )

    def _deflection(self) -> None:
        draw, u = self.draw, self.draw.u
        y = self.axis - self.half - 8 * u - 0.75 * draw.line_height
        top, low = y - 4 * u, self.axis - self.half + 11 * u
        draw.line(self.neutral, top, self.neutral, self.axis + self.half + 4 * u, draw.chain())
        draw.line(self.nut, top, self.nut, low, draw.narrow())
        value = self.model.figure("deflection_m")
        draw.dimension(self.neutral, self.nut, y, f"{number(LENGTH(value), 2)}{LENGTH}", 1e9)

    def _scale_y(self) -> float:
        return self.axis + self.half + 12 * self.draw.u + 0.55 * self.draw.line_height

    def _travel(self) -> None:
        draw, u, theme = self.draw, self.draw.u, self.draw.theme
        limits = self.profile.limits.travel
        y = self._scale_y()
        first, last = self.x_of(0.0), self.x_of(self.stroke)
        draw.line(first, y, last, y, draw.wide())
        band = 8 * u
        for low, high in ((0.0, limits.lower), (limits.upper, self.stroke)):
            a, b = self.x_of(low), self.x_of(high)
            if b - a > 0.5:
                draw.hatch(QRectF(a, y - band / 2, b - a, band), theme.nut, 4.0)
            inner = b if low == 0.0 else a
            draw.line(inner, y - band, inner, y + band, draw.narrow(theme.nut))
        most = LENGTH(self.stroke)
        step = nice_step(most / max(1.0, (last - first) / (2.1 * draw.line_height)))
        mark = 0.0
        while mark <= most + 1e-6:
            x = self.x_of(LENGTH.inside(mark))
            draw.line(x, y, x, y + 6 * u, draw.narrow())
            draw.text(
                x, y + 8 * u + 0.55 * draw.line_height, f"{mark:g}", theme.quiet, anchor="middle"
            )
            mark += step
        draw.text(
            last + 12 * u,
            y + 8 * u + 0.55 * draw.line_height,
            f"travel, {LENGTH.unit}   ·   springs drawn {SPRING_SCALE:g} : 1",
            theme.quiet,
        )
        # The output's place: a plumb line from the rear flange to a filled pointer.
        if self.known:
            x = self.back
            draw.line(x, self.axis + self.half, x, y - 9 * u, draw.narrow(theme.measured))
            self._pointer(x, y, theme.measured, True)
        rest = self.model.value("rest_position_m")
        if math.isfinite(rest):
            x = self.x_of(min(max(rest, 0.0), self.stroke))
            self._pointer(x, y, theme.setpoint, False)
            if abs(x - self.back) > 4 * u:
                side = "right" if x < self.back else "left"
                draw.text(
                    x + (-9 * u if side == "right" else 9 * u),
                    y - 9 * u,
                    "rest",
                    theme.quiet,
                    anchor=side,
                )

    def _pointer(self, x: float, y: float, colour: str, filled: bool) -> None:
        draw, u = self.draw, self.draw.u
        size = 6.5 * u
        shape = QPolygonF(
            [QPointF(x, y - 1), QPointF(x - size, y - 2 * size), QPointF(x + size, y - 2 * size)]
        )
        draw.painter.setPen(draw.pen(colour, 1.8))
        draw.painter.setBrush(QColor(colour if filled else draw.theme.ground))
        draw.painter.drawPolygon(shape)

    def _force(self) -> None:
        draw, u, theme = self.draw, self.draw.u, self.draw.theme
        force = self.model.value("spring_force_N")
        shown = self.model.figure("spring_force_N")
        if not math.isfinite(force):
            return
        start = self.rod + self.rod_length + 9 * u
        full = self.arrow_room - 14 * u
        length = min(abs(force) / self.profile.limits.force.tripped, 1.1) * full
        weight = 6 + 5 * min(abs(force) / self.profile.limits.force.tripped, 1.0)
        if force >= 0:
            draw.force_arrow(QPointF(start, self.axis), 0.0, length, theme.force, weight)
        else:
            draw.force_arrow(
                QPointF(start + length, self.axis), math.pi, length, theme.force, weight
            )
        draw.text(
            start,
            self.axis - 17 * u - 0.3 * draw.line_height,
            f"{number(FORCE(shown), 0)}{FORCE}",
            theme.force,
            bold=True,
            points=1.2 * self.draw.sizes.text_pt,
        )
