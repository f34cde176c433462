"""Requirements on any drive, whatever its protocol: inherit from ``DriveConformance``.

The class that inherits gives the profile's ``drive`` mapping; every test then runs that
protocol's ``make`` against its own ``simulate`` over a real wire.
"""

from __future__ import annotations

import pytest

# Register before the import: only then does a failed assertion show its values.
for part in ("cycle", "power", "loss"):
    pytest.register_assert_rewrite(f"conformance_{part}")

from conformance_cycle import CycleConformance  # noqa: E402
from conformance_loss import LossConformance  # noqa: E402
from conformance_power import PowerConformance  # noqa: E402


class DriveConformance(CycleConformance, PowerConformance, LossConformance):
    """The whole suite: give ``drive``, and every requirement is tested against it."""
