"""One frame of a rotary actuator, seen along its axis: motor, gear, hub between springs, output."""

from __future__ import annotations

import math

from PySide6.QtCore import QPointF, QRectF
from PySide6.QtGui import QColor, QPolygonF

from drivers.motion import FORCE, LENGTH, METRES
from hil.profile import Lever
from ui.dashboard.bench import OperateModel, lever_angle, number
from ui.dashboard.charts import nice_step
from ui.dashboard.widgets import SketchPainter, Slice

GAP = math.radians(75.0)  # of the circle, for the springs on either side of the hub's spoke
BEYOND = 1.3  # of the deflection at which it trips: the largest that is drawn
FREE = 1.15  # of the largest deflection: room of a spring at rest
COILS = 6


class JointFrame:
    """Geometry of one frame. Angles are counter-clockwise, 0 to the right; logical pixels.

    The output points where the arm beside it points. Deflection is drawn larger, as a note says.
    """

    def __init__(
        self, draw: SketchPainter, model: OperateModel, width: float, height: float
    ) -> None:
        self.draw, self.model = draw, model
        self.profile = profile = model.profile
        u, line = draw.u, draw.line_height
        self.stroke = profile.actuator.stroke
        self.low, self.high = self.angle_of(0.0), self.angle_of(self.stroke)
        up = 1.0 if self.high > math.pi / 2 else max(math.sin(self.high), 0.3)
        down = 1.0 if self.low < -math.pi / 2 else max(-math.sin(self.low), 0.3)
        room = height - 2.0 * line
        self.motor_radius = min(34 * u, 0.3 * room)
        self.scale_radius = max(min(room / (up + down), 0.3 * width), 30 * u)
        self.ring = 0.7 * self.scale_radius
        self.hub = 0.24 * self.scale_radius
        part = profile.actuator.transmission
        self.ratio = f"{2 * math.pi * METRES.inside(1.0) / part.lead:.4g} : 1"
        self.ratio_width = draw.metrics.horizontalAdvance(self.ratio) + 10 * u
        left = 24 * u + 2 * self.motor_radius + self.ratio_width + 30 * u
        self.centre = QPointF(left + self.ring, 0.9 * line + self.scale_radius * up)
        self.motor = QPointF(16 * u + self.motor_radius, self.centre.y())

        output, deflection = model.value("output_position_m"), model.value("deflection_m")
        self.known = math.isfinite(output) and math.isfinite(deflection)
        self.output = self.angle_of(output) if math.isfinite(output) else 0.0
        springs, limits = profile.actuator.springs, profile.limits.deflection
        self.reach = min(springs.solid_deflection, BEYOND * limits.tripped)
        largest = math.radians(LENGTH.rotary.factor * self.reach)
        self.times = max(1, math.floor(GAP / (FREE * largest)))
        moved = deflection if math.isfinite(deflection) else 0.0
        self.deflection = moved
        self.gap = FREE * largest * self.times
        self.spoke = self.output + self.drawn(min(max(moved, -self.reach), self.reach))

    def angle_of(self, output_m: float) -> float:
        """Return the direction of the output in rad, that of the arm beside it."""
        rig = self.profile.rig
        return lever_angle(rig, output_m) if isinstance(rig, Lever) else METRES(output_m)

    def drawn(self, deflection_m: float) -> float:
        """Return the angle in rad by which a deflection is drawn."""
        return math.radians(LENGTH.rotary.factor * deflection_m) * self.times

    def at(self, radius: float, angle: float) -> QPointF:
        """Return a point at a distance and direction from the joint's axis."""
        return self.centre + QPointF(radius * math.cos(angle), -radius * math.sin(angle))

    def parts(self) -> list[Slice]:
        """Return the acts that paint it, in this order, each about as long as the others."""
        return [self._drive, self._scale, self._joint, self._figures]

    # -------------------------------------------------------------- motor and gear

    def _drive(self) -> None:
        draw, u, theme, radius = self.draw, self.draw.u, self.draw.theme, self.motor_radius
        painter, middle = draw.painter, self.motor
        draw.line(middle.x(), middle.y(), self.centre.x(), self.centre.y(), draw.chain())
        for share, fill in ((1.0, theme.raised), (0.62, theme.metal)):
            painter.setPen(draw.wide())
            painter.setBrush(QColor(fill))
            painter.drawEllipse(middle, share * radius, share * radius)
        # The rotor's mark turns with the motor.
        nut = self.model.value("nut_position_m")
        part = self.profile.actuator.transmission
        turns = nut / part.lead if math.isfinite(nut) else 0.0
        turn = 2 * math.pi * (turns % 1.0) * (1.0 if part.hand == "right" else -1.0)
        tip = middle + QPointF(math.cos(turn), -math.sin(turn)) * (0.62 * radius)
        draw.line(middle.x(), middle.y(), tip.x(), tip.y(), draw.wide())
        torque = self.model.figure("measured_torque_N_m")
        line = draw.line_height
        above, below = middle.y() - radius - 0.65 * line, middle.y() + radius + 0.75 * line
        draw.text(middle.x(), above, "motor", theme.quiet, anchor="middle")
        draw.text(middle.x(), below, f"{number(torque, 2)} N·m", anchor="middle")
        # The gear between both axes, as a box with its ratio.
        ratio, wide = self.ratio, self.ratio_width
        x = middle.x() + radius + 8 * u
        draw.box(x, middle.y() - 0.75 * line, wide, 1.5 * line, theme.raised, draw.narrow())
        draw.text(x + wide / 2, middle.y(), ratio, anchor="middle")

    # -------------------------------------------------------------- travel

    def _arc(self, radius: float, start: float, end: float) -> None:
        middle = self.centre
        self.draw.painter.drawArc(
            QRectF(middle.x() - radius, middle.y() - radius, 2 * radius, 2 * radius),
            round(16 * math.degrees(start)),
            round(16 * math.degrees(end - start)),
        )

    def _radial(self, angle: float, inner: float, outer: float, colour: str = "") -> None:
        a, b = self.at(inner, angle), self.at(outer, angle)
        self.draw.line(a.x(), a.y(), b.x(), b.y(), self.draw.narrow(colour))

    def _scale(self) -> None:
        draw, u, theme, radius = self.draw, self.draw.u, self.draw.theme, self.scale_radius
        limits = self.profile.limits.travel
        draw.painter.setPen(draw.wide())
        self._arc(radius, self.low, self.high)
        for first, last in ((0.0, limits.lower), (limits.upper, self.stroke)):
            a, b = self.angle_of(first), self.angle_of(last)
            for i in range(5):
                self._radial(a + (b - a) * i / 4, radius - 5 * u, radius + 5 * u, theme.nut)
        most = float(LENGTH(self.stroke))
        arc = radius * (self.high - self.low)
        step = nice_step(most / max(1.0, arc / (2.6 * draw.line_height)))
        mark = 0.0
        while mark <= most + 1e-6:
            angle = self.angle_of(LENGTH.inside(mark))
            self._radial(angle, radius, radius + 6 * u)
            place = self.at(radius + 10 * u, angle)
            draw.text(place.x(), place.y(), f"{mark:g}", theme.quiet)
            mark += step
        rest = self.model.value("rest_position_m")
        if math.isfinite(rest):
            self._pointer(self.angle_of(min(max(rest, 0.0), self.stroke)), theme.setpoint, False)

    def _pointer(self, angle: float, colour: str, filled: bool) -> None:
        draw, u = self.draw, self.draw.u
        tip, back = self.scale_radius - 2 * u, self.scale_radius - 14 * u
        half = 6.5 * u / back
        draw.painter.setPen(draw.pen(colour, 1.8))
        draw.painter.setBrush(QColor(colour if filled else draw.theme.ground))
        corners = [self.at(tip, angle), self.at(back, angle - half), self.at(back, angle + half)]
        draw.painter.drawPolygon(QPolygonF(corners))

    # -------------------------------------------------------------- joint

    def _joint(self) -> None:
        draw, u, theme = self.draw, self.draw.u, self.draw.theme
        painter, band = draw.painter, 7 * u
        painter.setPen(draw.wide())
        painter.setBrush(QColor(theme.metal))
        painter.drawEllipse(self.centre, self.ring, self.ring)
        painter.setBrush(QColor(theme.ground))
        painter.drawEllipse(self.centre, self.ring - band, self.ring - band)
        # The output: its lugs hold the springs; its pointer stands on the scale of travel.
        inner, outer = self.hub + 5 * u, self.ring - band
        for way in (-1.0, 1.0):
            self._bar(self.output + way * (self.gap + self._half()), inner, outer, theme.metal)
        self._coil(self.output - self.gap, self.spoke, self.deflection > 0)
        self._coil(self.output + self.gap, self.spoke, self.deflection < 0)
        tint = QColor(theme.motor)
        tint.setAlpha(150)
        painter.setPen(draw.wide())
        painter.setBrush(QColor(theme.raised))
        painter.drawEllipse(self.centre, self.hub, self.hub)
        painter.setBrush(tint)
        painter.drawEllipse(self.centre, self.hub, self.hub)
        self._bar(self.spoke, 0.6 * self.hub, outer - 5 * u, theme.motor)
        if self.known:
            self._radial(self.output, self.ring, self.scale_radius - 14 * u, theme.measured)
            self._pointer(self.output, theme.measured, True)

    def _half(self) -> float:
        """Return half of the angle that a bar takes at its middle."""
        return 4.0 * self.draw.u / (0.5 * (self.hub + self.ring))

    def _bar(self, angle: float, inner: float, outer: float, colour: str) -> None:
        draw = self.draw
        side = QPointF(math.sin(angle), math.cos(angle)) * (4.0 * draw.u)
        a, b = self.at(inner, angle), self.at(outer, angle)
        draw.painter.setPen(draw.narrow())
        draw.painter.setBrush(QColor(colour))
        draw.painter.drawPolygon(QPolygonF([a - side, b - side, b + side, a + side]))

    def _coil(self, fixed: float, spoke: float, unwound: bool) -> None:
        """Draw the springs of one set along the circle, from a lug to the spoke."""
        draw, theme = self.draw, self.draw.theme
        slack = unwound and abs(self.deflection) > self.profile.actuator.springs.preload
        end = spoke - math.copysign(self._half(), spoke - fixed)
        if slack:  # at its free length it releases the spoke
            end = fixed + math.copysign(
                self.gap + self.drawn(self.profile.actuator.springs.preload), spoke - fixed
            )
        middle = 0.5 * (self.hub + self.ring)
        depth = 0.22 * (self.ring - self.hub)
        draw.painter.setPen(draw.pen(theme.quiet if slack else theme.ink, 1.1 if slack else 1.8))
        points = [
            self.at(middle + (depth if i % 2 else -depth), fixed + (end - fixed) * i / (2 * COILS))
            for i in range(2 * COILS + 1)
        ]
        draw.painter.drawPolyline(QPolygonF(points))

    # -------------------------------------------------------------- figures

    def _figures(self) -> None:
        draw, u, theme, line = self.draw, self.draw.u, self.draw.theme, self.draw.line_height
        x = (
            self.centre.x()
            + self.scale_radius
            + 14 * u
            + draw.metrics.horizontalAdvance("000") * 1.5
        )
        y = self.centre.y()
        torque = self.model.value("spring_force_N")
        shown = self.model.figure("spring_force_N")
        deflection = self.model.figure("deflection_m")
        draw.text(x, y - 2.1 * line, "torque of the springs", theme.quiet)
        draw.text(
            x,
            y - 0.95 * line,
            f"{number(FORCE(shown), 0)}{FORCE}",
            theme.force,
            bold=True,
            points=1.2 * draw.sizes.text_pt,
        )
        draw.text(x, y + 0.35 * line, "deflection", theme.quiet)
        draw.text(x, y + 1.4 * line, f"{number(LENGTH(deflection), 2)}{LENGTH}", bold=True)
        draw.text(x, y + 2.5 * line, f"drawn {self.times} : 1", theme.quiet)
        if math.isfinite(torque):
            self._torque(torque / self.profile.limits.force.tripped)

    def _torque(self, share: float) -> None:
        """Draw the torque as an arc with an arrow left of the joint; positive turns it up."""
        draw, u, theme = self.draw, self.draw.u, self.draw.theme
        radius = self.ring + 9 * u
        half = math.radians(65.0) * min(abs(share), 1.1)
        if half * radius < 2 * u:
            return
        draw.painter.setBrush(QColor(0, 0, 0, 0))
        draw.painter.setPen(draw.pen(theme.force, 4.0))
        self._arc(radius, math.pi - half, math.pi + half)
        # Counter-clockwise is downwards there.
        end = math.pi + math.copysign(half, share)
        tip = self.at(radius, end)
        way = -end - math.copysign(math.pi / 2, share)
        reach = QPointF(math.cos(way), math.sin(way)) * (12 * u)
        draw.arrow_head(tip + reach, way, 24 * u, theme.force)
