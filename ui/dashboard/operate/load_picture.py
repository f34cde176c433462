"""Picture of the load on the rod, drawn to scale: the lever with its weight, or the carriage."""

from __future__ import annotations

import math

from PySide6.QtCore import QPointF, QRectF
from PySide6.QtGui import QColor, QPolygonF

from drivers.motion import FORCE, worded
from hil.profile import Lever, Linear
from ui.dashboard.bench import OperateModel, lever_angle, number
from ui.dashboard.operate.live_drawing import LiveDrawing
from ui.dashboard.widgets import SketchPainter


class LoadPicture(LiveDrawing):
    """Lever or carriage, redrawn from the model's latest row."""

    NAME = "Drawing of the rig"
    LEAST = (220, 113)

    def draw(self, draw: SketchPainter) -> None:
        rig = self.model.profile.rig
        if isinstance(rig, Lever):
            _paint_lever(draw, self.model, rig, self.width(), self.height())
        else:
            _paint_linear(draw, self.model, rig, self.width(), self.height())


def weight_words(model: OperateModel) -> tuple[float, str]:
    """Return the mass in kg for the drawn weight, and its label; known only if simulated."""
    if model.hung_kg is not None:
        return model.hung_kg, f"{model.hung_kg:g} kg"
    mass = model.borne_mass()
    if not math.isfinite(mass) or mass < 0.1:
        return 0.0, ""
    return mass, f"≈ {mass:.1f} kg"


def _ground(draw: SketchPainter, x: float, y: float, width: float) -> None:
    """Draw fixed ground: a wide line, hatched below."""
    draw.line(x - width / 2, y, x + width / 2, y, draw.wide())
    draw.hatch(QRectF(x - width / 2, y, width, 7 * draw.u), pitch=5.0)


def _paint_lever(
    draw: SketchPainter, model: OperateModel, rig: Lever, width: float, height: float
) -> None:
    u, theme, line = draw.u, draw.theme, draw.line_height
    stroke = model.profile.actuator.stroke
    travel = model.profile.limits.travel
    angles = [lever_angle(rig, x) for x in (0.0, stroke, travel.lower, travel.upper)]
    bottom, top = min(angles[0], angles[1]), max(angles[0], angles[1])
    low, high = angles[2], angles[3]

    # The longest lever whose swing, with the hanging weight, stays in the picture. The rod arm
    # must stay visible: below a tenth of the lever it is drawn at a tenth.
    hang = 9 * u + max(31 * u, line) + 4 * u
    head = 10 * u
    swing = math.sin(max(top, 0.02)) + math.sin(max(-bottom, 0.02))
    # A joint is turned by a torque: its arrow and figure are left of the pivot, where no arm ever is.
    joint_turns = model.profile.motion == "rotary"
    figure = f"{number(FORCE(model.figure('spring_force_N')), 0)}{FORCE}"
    pivot_x = 30 * u
    if joint_turns:
        pivot_x = 14 * u + draw.metrics.horizontalAdvance(f"−00.0{FORCE}") * 1.2 + 44 * u
    long_arm = min((height - hang - head) / swing, (width - pivot_x - 60 * u))
    short_arm = long_arm * max(rig.rod_arm / rig.load_arm, 0.1)
    pivot = QPointF(pivot_x, head + long_arm * math.sin(max(top, 0.02)))

    output = model.value("output_position_m")
    angle = lever_angle(rig, output) if math.isfinite(output) else 0.0
    angle = min(max(angle, -1.3), 1.3)

    def at(arm: float, turn: float = angle) -> QPointF:
        return QPointF(pivot.x() + arm * math.cos(turn), pivot.y() - arm * math.sin(turn))

    # Level line, and the arc of travel with its hatched ends.
    draw.line(pivot.x(), pivot.y(), pivot.x() + long_arm + 26 * u, pivot.y(), draw.chain())
    arc = QRectF(pivot.x() - long_arm, pivot.y() - long_arm, 2 * long_arm, 2 * long_arm)
    painter = draw.painter

    def sweep(radius_more: float, start: float, end: float) -> None:
        painter.drawArc(
            arc.adjusted(-radius_more, -radius_more, radius_more, radius_more),
            round(math.degrees(start) * 16),
            round(math.degrees(end - start) * 16),
        )

    painter.setBrush(QColor(0, 0, 0, 0))
    painter.setPen(draw.narrow(theme.quiet))
    sweep(8 * u, low, high)
    for a, b in ((bottom, low), (high, top)):
        painter.setPen(draw.narrow(theme.nut))
        sweep(8 * u, a, b)
        for i in range(5):
            turn = a + (b - a) * i / 4
            draw.line(
                at(long_arm + 4 * u, turn).x(),
                at(long_arm + 4 * u, turn).y(),
                at(long_arm + 12 * u, turn).x(),
                at(long_arm + 12 * u, turn).y(),
                draw.narrow(theme.nut),
            )

    mass, words = weight_words(model)
    tip = at(long_arm)
    box_w = max(1.3 * _side(draw, mass), draw.metrics.horizontalAdvance(words) + 10 * u)

    # A lever lies over the hook of its weight; from a raised arm the weight hangs in front of it.
    if not joint_turns:
        _hang_weight(draw, tip, mass, words, box_w)

    # The rod pushes from below: stub, arrow, value.
    joint = at(short_arm)
    force = model.value("spring_force_N")
    if joint_turns:
        joint = pivot
        _paint_torque(draw, pivot, force / model.profile.limits.force.tripped, figure)
    elif math.isfinite(force):
        full = 58 * u
        share = min(abs(force) / model.profile.limits.force.tripped, 1.1)
        length = max(share * full, 0.0)
        foot = joint.y() + 9 * u
        if force >= 0:
            draw.force_arrow(QPointF(joint.x(), foot + length), -math.pi / 2, length, theme.force)
        else:
            draw.force_arrow(QPointF(joint.x(), foot), math.pi / 2, length, theme.force)
        if length > 3 * u:
            # A lever that hangs down would cover the label, which is then above.
            above = angle < -0.12 or mass > 0
            draw.text(
                joint.x() + 10 * u,
                joint.y() - 1.1 * line if above else foot + max(length, line) - line / 2,
                figure,
                theme.force,
                bold=True,
            )

    # Lever: a slender bar, pivot over hatched ground.
    normal = QPointF(math.sin(angle), math.cos(angle))
    thick, thin = 5.5 * u, 3.0 * u
    back = at(-10 * u)
    painter.setPen(draw.wide())
    painter.setBrush(QColor(theme.metal))
    painter.drawPolygon(
        QPolygonF(
            [back - normal * thick, tip - normal * thin, tip + normal * thin, back + normal * thick]
        )
    )
    base = 17 * u
    painter.setBrush(QColor(theme.raised))
    painter.drawPolygon(
        QPolygonF([pivot, pivot + QPointF(-0.62 * base, base), pivot + QPointF(0.62 * base, base)])
    )
    _ground(draw, pivot.x(), pivot.y() + base, 2.1 * base)
    for place, radius in ((pivot, 4.5), (joint, 4.0), (tip, 3.0)):
        painter.setPen(draw.wide())
        painter.setBrush(QColor(theme.raised))
        painter.drawEllipse(place, radius * u, radius * u)
    if joint_turns:
        _hang_weight(draw, tip, mass, words, box_w)

    # The hand, only if it is known.
    if abs(model.hand_N) >= 0.5:
        beside = (box_w / 2 if mass > 0 else 14 * u) + 22 * u
        length = (14 + min(abs(model.hand_N), 150.0) * 0.22) * u
        up = model.hand_N > 0
        start = QPointF(tip.x() + beside, tip.y() + (length if up else -length) / 2)
        draw.force_arrow(start, -math.pi / 2 if up else math.pi / 2, length, theme.marker, 4.0)
        draw.text(
            start.x() + 9 * u,
            start.y() + (-length / 2 if up else length / 2),
            f"hand {number(abs(model.hand_N), 0)} N",
            theme.marker,
        )
    if math.isfinite(output):
        # Beside the arc, if there is room: the force is above a short lever.
        _paint_words(draw, model, rig, pivot.x() + long_arm + 40 * u, width)


def _paint_words(
    draw: SketchPainter, model: OperateModel, rig: Lever, beside: float, width: float
) -> None:
    """Write the angle of the lever at the top, from ``beside`` on if there is room."""
    u, line = draw.u, draw.line_height
    turned = math.degrees(lever_angle(rig, model.figure("output_position_m")))
    where = "above" if turned >= 0 else "below"
    words = f"{number(abs(turned), 1)}° {where} level"
    room = width - 14 * u - beside
    lever = worded("lever", "arm")
    if draw.metrics.horizontalAdvance(f"{lever} {words}") < room:
        draw.text(beside, 0.6 * line, f"{lever} {words}", draw.theme.quiet)
        return
    left = beside if draw.metrics.horizontalAdvance(words) < room else 14 * u
    draw.text(left, 0.6 * line, lever, draw.theme.quiet)
    draw.text(left, 1.7 * line, words, draw.theme.quiet)


def _side(draw: SketchPainter, mass_kg: float) -> float:
    """Return the height of the box of a weight, which grows with it."""
    return (20 + 5.0 * math.sqrt(min(mass_kg, 10.0))) * draw.u


def _hang_weight(
    draw: SketchPainter, tip: QPointF, mass_kg: float, words: str, width: float
) -> None:
    """Draw hook and weight at the tip of a lever, or an empty pan."""
    u = draw.u
    y = tip.y() + 9 * u
    draw.line(tip.x(), tip.y(), tip.x(), y, draw.narrow())
    if mass_kg > 0:
        height = max(0.9 * _side(draw, mass_kg), draw.line_height)
        draw.box(tip.x() - width / 2, y, width, height, draw.theme.metal)
        draw.text(tip.x(), y + height / 2, words, bold=True, anchor="middle")
    else:
        draw.line(tip.x() - 14 * u, y, tip.x() + 14 * u, y, draw.wide())


def _paint_torque(draw: SketchPainter, pivot: QPointF, share: float, figure: str) -> None:
    """Draw the torque of a joint as an arc with an arrow, left of its pivot; positive lifts the arm."""
    if not math.isfinite(share):
        return
    u, theme, painter = draw.u, draw.theme, draw.painter
    radius = 32 * u
    half = math.radians(70.0) * min(abs(share), 1.1)
    # Counter-clockwise is downwards there.
    end = math.pi + math.copysign(half, share)
    round_pivot = QRectF(pivot.x() - radius, pivot.y() - radius, 2 * radius, 2 * radius)
    painter.setBrush(QColor(0, 0, 0, 0))
    painter.setPen(draw.pen(theme.force, 4.0))
    start = math.degrees(math.pi - half)
    painter.drawArc(round_pivot, round(16 * start), round(16 * 2 * math.degrees(half)))
    tip = QPointF(pivot.x() + radius * math.cos(end), pivot.y() - radius * math.sin(end))
    along = QPointF(-math.sin(end), -math.cos(end)) * math.copysign(11 * u, share)
    across = QPointF(math.cos(end), -math.sin(end)) * (6 * u)
    painter.setPen(draw.narrow(theme.force))
    painter.setBrush(QColor(theme.force))
    painter.drawPolygon(QPolygonF([tip + along, tip + across, tip - across]))
    draw.text(
        pivot.x() - radius - 12 * u, pivot.y(), figure, theme.force, bold=True, anchor="right"
    )


def _paint_linear(
    draw: SketchPainter, model: OperateModel, rig: Linear, width: float, height: float
) -> None:
    u, theme, line = draw.u, draw.theme, draw.line_height
    painter = draw.painter
    stroke = model.profile.actuator.stroke
    travel = model.profile.limits.travel
    output = model.value("output_position_m")
    place = output if math.isfinite(output) else 0.5 * stroke
    force = model.value("spring_force_N")
    share = min(abs(force) / model.profile.limits.force.tripped, 1.1) if force == force else 0.0
    mass, words = weight_words(model)
    painter.save()
    if rig.vertical:
        length, across, offset = (
            height - 26 * u,
            width * 0.42,
            QPointF(width * 0.4, height - 10 * u),
        )
        painter.translate(offset)
        painter.rotate(-90)
    else:
        length, across = width - 40 * u, height * 0.5
        painter.translate(QPointF(20 * u, height * 0.5))
    # In this frame the rod comes from the left and extends to the right along y = 0.
    body = max(44 * u, 0.16 * length)
    arrow = 0.2 * length
    span = length - body - arrow
    per_m = span / stroke
    half = min(0.34 * across, 34 * u)
    rail = half + 9 * u
    for y in (-rail, rail):
        draw.line(0, y, length, y, draw.wide())
        draw.hatch(QRectF(0, y if y > 0 else y - 7 * u, length, 7 * u), pitch=6.0)
    for a, b in ((0.0, travel.lower), (travel.upper, stroke)):
        first = arrow + a * per_m + (body if a else 0)
        band = QRectF(first, -rail + 2 * u, max((b - a) * per_m, 1.0), 2 * rail - 4 * u)
        draw.hatch(band, theme.nut, 5.0)
    x = arrow + place * per_m
    draw.line(0, 0, x, 0, draw.pen(theme.quiet, 7))
    draw.line(0, 0, x, 0, draw.pen(theme.raised, 4.5))
    draw.box(x, -half, body, 2 * half, theme.metal)
    painter.setPen(draw.wide())
    painter.setBrush(QColor(theme.raised))
    for wheel_x in (x + 9 * u, x + body - 9 * u):
        for y in (-half - 4.5 * u, half + 4.5 * u):
            painter.drawEllipse(QPointF(wheel_x, y), 4.5 * u, 4.5 * u)
    reach = share * arrow * 1.2
    if force == force:
        side = half * 0.45
        tip_x = x - 4 * u
        if force >= 0:
            draw.force_arrow(QPointF(tip_x - reach, side), 0.0, reach, theme.force)
        else:
            draw.force_arrow(QPointF(tip_x, side), math.pi, reach, theme.force)
    painter.restore()
    if rig.vertical:
        centre = QPointF(width * 0.4, height - 10 * u - x - body / 2)
        right = width * 0.4 + rail + 14 * u
        if mass > 0:
            draw.text(centre.x(), centre.y(), words, bold=True, anchor="middle")
        draw.text(
            right,
            centre.y() - 0.6 * line,
            f"{number(FORCE(model.figure('spring_force_N')), 0)}{FORCE}",
            theme.force,
            bold=True,
        )
        if abs(model.hand_N) >= 0.5:
            draw.text(
                right, centre.y() + 0.6 * line, f"hand {number(model.hand_N, 0)} N", theme.marker
            )
    else:
        centre = QPointF(20 * u + x + body / 2, height * 0.5)
        if mass > 0:
            draw.text(centre.x(), centre.y(), words, bold=True, anchor="middle")
        draw.text(
            20 * u,
            height * 0.5 - rail - 7 * u - 0.8 * line,
            f"{number(FORCE(model.figure('spring_force_N')), 0)}{FORCE}",
            theme.force,
            bold=True,
        )
