"""Widgets are drawn in memory; rows that a test hands to the view models are made here."""

import gc
import os

os.environ.setdefault("QT_QPA_PLATFORM", "offscreen")

import pytest

from hil.profile.loader import load_profile, profile_to_dict
from ui.dashboard import page_entries
from ui.dashboard.app import application
from ui.dashboard.bench.operate_model import OperateModel


@pytest.fixture(autouse=True)
def no_collector_in_other_threads():
    """As in the dashboard: see ``ui.dashboard.collecting``. What is left is collected afterwards."""
    gc.disable()
    yield
    gc.enable()


@pytest.fixture(scope="session")
def qapp():
    """The application as the dashboard makes it."""
    return application()


@pytest.fixture(autouse=True)
def only_pages_named(request, monkeypatch):
    """A window has the pages that the mark ``pages`` names: the others take most of the time to lay."""
    mark = request.node.get_closest_marker("pages")
    if mark is not None and mark.args:
        entries = [entry for entry in page_entries.PAGES if entry.title in mark.args]
        monkeypatch.setattr(page_entries, "PAGES", tuple(entries))


@pytest.fixture
def description():
    return {
        "profile": profile_to_dict(load_profile("footplate_trainer")),
        "simulated": True,
        "realtime": {"granted": True, "notice": ""},
    }


@pytest.fixture
def model(description):
    model = OperateModel(description, history_s=60.0)
    model.in_control = True
    return model
