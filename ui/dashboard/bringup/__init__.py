"""Page Bring-up."""

from ui.dashboard.bringup.model import BringUpModel
from ui.dashboard.bringup.page import BringUpPage

__all__ = ["BringUpModel", "BringUpPage"]
