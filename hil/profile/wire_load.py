"""Check that the messages of a profile fit on its wires at its rate."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import Any

from drivers.base import WireProtocol
from drivers.transport import REFUSE_SHARE, WARN_SHARE, Budgeting
from hil.profile.findings import Finding


def overloaded(protocol: WireProtocol, options: Any, rate_Hz: float) -> Iterator[Finding]:
    """Yield a warning for wires above ``WARN_SHARE``, an error above ``REFUSE_SHARE``."""
    if not isinstance(protocol, Budgeting):
        return
    for budget in protocol.budgets(options, 1.0 / rate_Hz):
        if budget.share <= WARN_SHARE:
            continue
        path = ("drive", *budget.key.split("."))
        what = (
            f"{budget.share:.0%} of the wire are used at worst, {budget.what}, at a rate of "
            f"{rate_Hz:g} Hz"
        )
        fastest = budget.fastest_rate_hz
        slower = ""
        if math.isfinite(fastest) and fastest >= 1:
            slower = f"set control.rate to {math.floor(fastest)} Hz or less, "
        if budget.share > REFUSE_SHARE:
            yield Finding(path, what, f"{slower}raise the bit rate or send less often")
        else:
            yield Finding(
                path, what, "little is left for repeated frames; send less, or faster", "warning"
            )
