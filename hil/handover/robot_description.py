"""Actuator as a joint of an open robot description in XML: its limits, and its transmission."""

from __future__ import annotations

from xml.etree import ElementTree as Xml

from drivers.motion import FORCE as EFFORT
from drivers.motion import METRES, NEWTON_SECONDS_PER_M, speaking
from hil.profile import Profile, profile_to_dict


def robot_description(profile: Profile, identity: str) -> str:
    """Return XML with one joint, SI units throughout: prismatic, or revolute for a geared actuator.

    Effort is the force, or torque, at which the bench limits, velocity the limited speed, travel from
    the lower mechanical end. The reduction is motor angle per travel in rad/m, or per angle of the
    joint, with the sign of screw or gear. Friction is that of screw or gear at its output, without
    its load.
    """
    with speaking(profile.motion):
        return _described(profile, identity)


def _described(profile: Profile, identity: str) -> str:
    actuator, limits = profile.actuator, profile_to_dict(profile)["limits"]
    rotary = profile.motion == "rotary"
    robot = Xml.Element("robot", name=profile.name)
    robot.append(Xml.Comment(f" written by Hookeline, law {identity}; SI units "))
    for link in ("housing", "output"):
        Xml.SubElement(robot, "link", name=link)
    kind = "revolute" if rotary else "prismatic"
    joint = Xml.SubElement(robot, "joint", name="actuator", type=kind)
    Xml.SubElement(joint, "parent", link="housing")
    Xml.SubElement(joint, "child", link="output")
    Xml.SubElement(joint, "axis", xyz="1 0 0")
    Xml.SubElement(
        joint,
        "limit",
        lower=repr(limits["travel"]["lower"]),
        upper=repr(limits["travel"]["upper"]),
        effort=repr(limits["force"]["limited"]),
        velocity=repr(limits["speed"]["limited"]),
    )
    per_m = actuator.radians_per_metre
    Xml.SubElement(
        joint,
        "dynamics",
        damping=repr(float(NEWTON_SECONDS_PER_M(actuator.friction.viscous * per_m**2))),
        friction=repr(float(EFFORT(actuator.friction.coulomb * per_m))),
    )
    transmission = Xml.SubElement(robot, "transmission", name="gear" if rotary else "screw")
    Xml.SubElement(transmission, "joint", name="actuator")
    motor = Xml.SubElement(transmission, "actuator", name="motor")
    hand = 1.0 if actuator.transmission.hand == "right" else -1.0
    reduction = Xml.SubElement(motor, "mechanicalReduction")
    reduction.text = repr(hand * profile.sensors.motor.sign * per_m / METRES.factor)
    Xml.indent(robot)
    return '<?xml version="1.0" encoding="utf-8"?>\n' + Xml.tostring(robot, "unicode") + "\n"
