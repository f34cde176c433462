"""Conditions of the bench for any guided procedure: in hand, not stopped, without power."""

from __future__ import annotations

from hil.core import State
from ui.dashboard.bench import OperateModel


def why_not_ready(model: OperateModel) -> str:
    """Why no procedure can be begun on the bench as it is, '' if one can."""
    if model.lock_reason and (model.holder or model.watch_only):
        return model.lock_reason
    if model.state is State.STOPPED:
        return "stopped: find the cause, then reset (T)"
    if model.state is not State.DE_ENERGISED or model.energising:
        return "power off first (P): it begins without power"
    return ""
