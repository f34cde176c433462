"""The manual: prose pages in this folder, reference pages written from the code."""

from __future__ import annotations

from ui.manual.catalogue import TOPICS, ManualError, Topic, find_topic, page_text, search

__all__ = ["TOPICS", "ManualError", "Topic", "find_topic", "page_text", "search"]
