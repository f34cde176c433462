"""Wear: cycles repeated and counted, its signs in runs, and trends of them."""

from hil.wear.endurance import Callbacks, Enough, Plan, Until, endure, words_of
from hil.wear.history import SIGNS, Entry, Finding, History
from hil.wear.journal import Journal, JournalError
from hil.wear.rainflow import SpringLife, rainflow, screw_damage
from hil.wear.signs import Signs, signs_of, signs_of_columns
from hil.wear.summary import write_summary
from hil.wear.trend import Change, Trend, date_change

__all__ = [
    "SIGNS",
    "Callbacks",
    "Change",
    "Enough",
    "Entry",
    "Finding",
    "History",
    "Journal",
    "JournalError",
    "Plan",
    "Signs",
    "SpringLife",
    "Trend",
    "Until",
    "date_change",
    "endure",
    "rainflow",
    "screw_damage",
    "signs_of",
    "signs_of_columns",
    "words_of",
    "write_summary",
]
