"""Conditions of the bench for any guided procedure: in control, not stopped, power off."""

from __future__ import annotations

from hil.core import State
from ui.dashboard.bench import OperateModel, Session


def why_not_ready(model: OperateModel) -> str:
    """Return why no procedure can begin on the bench as it is, '' if one can."""
    if model.lock_reason and (model.holder or model.watch_only):
        return model.lock_reason
    if model.state is State.STOPPED:
        return "stopped: find the cause, then reset (T)"
    if model.state is not State.DE_ENERGISED or model.energising:
        return "power off first (P): it begins without power"
    return ""


def why_not_words(model: OperateModel, why: str) -> str:
    """Return a reason as a sentence."""
    return f"{model.sentence(why)}."


def why_not_begin(model: OperateModel, session: Session | None) -> str:
    """Return why none can begin over the window's session, '' if one can."""
    if session is None or not model.link_well:
        return "the rig host does not answer"
    return why_not_ready(model)
