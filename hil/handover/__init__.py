"""Hand-over: the law of an actuator as code and data that run without this program."""

from hil.handover.package import HandoverError, Package, hand_over
from hil.handover.translated import NotTranslatable

__all__ = ["HandoverError", "NotTranslatable", "Package", "hand_over"]
