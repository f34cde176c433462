"""The pages of the window, in the order of their keys.

A page is one line of ``PAGES``: its title, its key, what makes its widget (a
``ui.dashboard.bench.pages.Page``) and, if it has one, what makes its view model. The window makes
the widget again whenever theme or size changes; whatever must outlive that belongs in the view
model (plain Python, no Qt), which is made once, or is handed on in ``Page.carry_from``. It may
have, each called on the Qt thread, in order, and expected to return within milliseconds:

``feed(items, now_s)``
    every ``Block`` and ``Event`` of the link, whether the page is shown or not;
``answered(answer)``
    every ``Answer`` of the bench to a request of this window, from any page;
``close()``
    the window is closing.

A page sends requests by ``Session.ask(request, then=...)``, which returns at once. A view model
that raises receives no more, the rig is stopped and a notice reports it.
"""

from __future__ import annotations

from ui.dashboard.bench import PageEntry
from ui.dashboard.bringup import BringUpModel, BringUpPage
from ui.dashboard.calibrate import CalibrateModel, CalibratePage
from ui.dashboard.measure import MeasureModel, MeasurePage
from ui.dashboard.operate import OperatePage, OperateView
from ui.dashboard.runs import RunsModel, RunsPage
from ui.dashboard.size import SizeModel, SizePage

PAGES = (
    PageEntry("Operate", "F2", OperatePage, view=OperateView, help_topic="operate"),
    PageEntry("Bring-up", "F3", BringUpPage, view=BringUpModel, help_topic="bring_up"),
    PageEntry("Calibrate", "F4", CalibratePage, view=CalibrateModel, help_topic="calibrate"),
    PageEntry(
        "Runs",
        "F5",
        RunsPage,
        view=lambda model, session, runs: RunsModel(runs, model),
        help_topic="runs",
    ),
    PageEntry("Measure", "F6", MeasurePage, view=MeasureModel, help_topic="measure"),
    PageEntry(
        "Size", "F7", SizePage, view=lambda model, session, runs: SizeModel(), help_topic="size"
    ),
)
