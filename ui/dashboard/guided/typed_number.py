"""A number that a person types in answer to a question, with or without a unit."""

from __future__ import annotations

import contextlib

from pydantic_core import PydanticCustomError

from drivers.quantities import kind_of
from ui.dashboard.guided.page_operator import Question


def typed_number(question: Question, text: str) -> float:
    """Return the number in SI; a bare one is in the question's unit.

    Raises:
        ValueError: not a number; the text says what to type.
    """
    typed = text.strip().replace(",", ".").replace("−", "-")
    if not typed:
        raise ValueError("type a number, or choose 'Cannot read'")
    with contextlib.suppress(ValueError):  # or it carries its own unit
        typed = f"{float(typed):.12g} {question.unit}"
    try:
        return float(kind_of(question.dimension, question.along).parse(typed))
    except PydanticCustomError as error:
        raise ValueError(str(error)) from None
