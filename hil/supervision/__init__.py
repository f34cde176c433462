"""Limits at work: what is limited, what trips, the margins left."""

from hil.supervision.limit_margins import LimitMargin, limit_margins
from hil.supervision.limit_notices import LimitNotices
from hil.supervision.supervision import Supervisor

__all__ = ["LimitMargin", "LimitNotices", "Supervisor", "limit_margins"]
