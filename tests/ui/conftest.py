"""Fixtures: widgets drawn in memory, and view models fed with made-up rows."""

import os

os.environ.setdefault("QT_QPA_PLATFORM", "offscreen")

import pytest

from hil.core.collector_hold import hold_collector, release_collector
from hil.profile.loader import load_profile, profile_to_dict
from ui.dashboard import page_entries
from ui.dashboard.app import application
from ui.dashboard.bench.operate_model import OperateModel


@pytest.fixture(autouse=True)
def no_collector_in_other_threads():
    """Collect no garbage during a test, as in the dashboard; see ``ui.dashboard.collecting``."""
    hold_collector()
    yield
    release_collector()


@pytest.fixture(scope="session")
def qapp():
    """Return the application as the dashboard makes it."""
    return application()


@pytest.fixture(autouse=True)
def only_pages_named(request, monkeypatch):
    """Limit a window to the pages of the mark ``pages``: building the others takes most of the time."""
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
