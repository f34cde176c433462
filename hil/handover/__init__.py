"""Hand-over: the law of an actuator as code and data that run without this program, and back."""

from hil.handover.known import LICENCE, Evidence
from hil.handover.package import HandoverError, Package, hand_over
from hil.handover.received import PackageError, Received, receive, take_profile
from hil.handover.translated import NotTranslatable

__all__ = [
    "LICENCE",
    "Evidence",
    "HandoverError",
    "NotTranslatable",
    "Package",
    "PackageError",
    "Received",
    "hand_over",
    "receive",
    "take_profile",
]
