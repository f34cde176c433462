"""Actuator as a joint of an open robot description in XML: its limits, and its transmission."""

from __future__ import annotations

from xml.etree import ElementTree as Xml

from hil.profile import Profile


def robot_description(profile: Profile, identity: str) -> str:
    """Return XML with one prismatic joint, SI units throughout.

    Effort is the force at which the bench limits, velocity the limited speed, travel from the lower
    mechanical end. The reduction is motor angle per travel in rad/m, with the sign of the screw.
    Friction is that of the screw at the nut, without its load.
    """
    limits, actuator = profile.limits, profile.actuator
    robot = Xml.Element("robot", name=profile.name)
    robot.append(Xml.Comment(f" written by Hookeline, law {identity}; SI units "))
    for link in ("housing", "output"):
        Xml.SubElement(robot, "link", name=link)
    joint = Xml.SubElement(robot, "joint", name="actuator", type="prismatic")
    Xml.SubElement(joint, "parent", link="housing")
    Xml.SubElement(joint, "child", link="output")
    Xml.SubElement(joint, "axis", xyz="1 0 0")
    Xml.SubElement(
        joint,
        "limit",
        lower=repr(float(limits.travel.lower)),
        upper=repr(float(limits.travel.upper)),
        effort=repr(float(limits.force.limited)),
        velocity=repr(float(limits.speed.limited)),
    )
    per_m = actuator.radians_per_metre
    Xml.SubElement(
        joint,
        "dynamics",
        damping=repr(actuator.friction.viscous * per_m**2),
        friction=repr(actuator.friction.coulomb * per_m),
    )
    transmission = Xml.SubElement(robot, "transmission", name="screw")
    Xml.SubElement(transmission, "joint", name="actuator")
    motor = Xml.SubElement(transmission, "actuator", name="motor")
    hand = 1.0 if actuator.transmission.hand == "right" else -1.0
    reduction = Xml.SubElement(motor, "mechanicalReduction")
    reduction.text = repr(hand * profile.sensors.motor.sign * per_m)
    Xml.indent(robot)
    return '<?xml version="1.0" encoding="utf-8"?>\n' + Xml.tostring(robot, "unicode") + "\n"
