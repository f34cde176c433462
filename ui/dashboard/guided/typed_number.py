"""A number that a person types in answer to a question, with a unit of its own or without."""

from __future__ import annotations

import contextlib

from pydantic_core import PydanticCustomError

from drivers.quantities import Dimension
from ui.dashboard.guided.page_operator import Question


def typed_number(question: Question, text: str) -> float:
    """In SI; a bare number is in the question's unit.

    Raises:
        ValueError: it is none; the text says what to type.
    """
    typed = text.strip().replace(",", ".").replace("−", "-")
    if not typed:
        raise ValueError("type a number, or choose 'Cannot tell'")
    with contextlib.suppress(ValueError):  # or it carries a unit of its own
        typed = f"{float(typed):.12g} {question.unit}"
    try:
        return float(Dimension(question.dimension).parse(typed))
    except PydanticCustomError as error:
        raise ValueError(str(error)) from None
