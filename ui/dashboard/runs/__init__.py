"""Page Runs."""

from ui.dashboard.runs.model import RunsModel
from ui.dashboard.runs.page import RunsPage

__all__ = ["RunsModel", "RunsPage"]
