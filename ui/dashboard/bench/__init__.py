"""Bench as all pages see it: session, models, texts, traces."""

from ui.dashboard.bench.behaviour_forms import (
    BehaviourForm,
    Choice,
    EntryError,
    Field,
    behaviour_forms,
)
from ui.dashboard.bench.health import HealthWord, health
from ui.dashboard.bench.operate_model import Mark, OperateModel
from ui.dashboard.bench.pages import Page, PageContext, PageEntry
from ui.dashboard.bench.readout_texts import Readout, limited_words, readouts
from ui.dashboard.bench.rig_statics import lever_angle, rig_text
from ui.dashboard.bench.session import Session
from ui.dashboard.bench.spring_choice import SpringChoice
from ui.dashboard.bench.trace_buffer import TraceBuffer, Values, Window
from ui.dashboard.bench.traces import TRACE_INDEX, TRACES
from ui.dashboard.bench.wording import duration_text, number, two_digits

__all__ = [
    "TRACES",
    "TRACE_INDEX",
    "BehaviourForm",
    "Choice",
    "EntryError",
    "Field",
    "HealthWord",
    "Mark",
    "OperateModel",
    "Page",
    "PageContext",
    "PageEntry",
    "Readout",
    "Session",
    "SpringChoice",
    "TraceBuffer",
    "Values",
    "Window",
    "behaviour_forms",
    "duration_text",
    "health",
    "lever_angle",
    "limited_words",
    "number",
    "readouts",
    "rig_text",
    "two_digits",
]
