"""Page Size."""

from ui.dashboard.size.model import SizeModel
from ui.dashboard.size.page import SizePage

__all__ = ["SizeModel", "SizePage"]
