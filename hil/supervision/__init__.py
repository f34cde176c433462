"""Limits at work: what is limited, what trips, the margins left."""

from hil.supervision.bound_notices import BoundNotices
from hil.supervision.headroom import Headroom, headroom
from hil.supervision.supervision import Supervisor

__all__ = ["BoundNotices", "Headroom", "Supervisor", "headroom"]
