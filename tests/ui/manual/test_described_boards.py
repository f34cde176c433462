"""The manual's descriptions of boards are valid as shown, with the omitted rest added."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import pytest
import yaml

from drivers.declared.combined.options import CombinedOptions
from drivers.registry import find_protocol
from hil.profile.loader import SHIPPED

PART = (Path(__file__).parents[3] / "ui" / "manual" / "describe_a_board.md").read_text()
SHOWN = {
    data["protocol"]: data
    for text in re.findall(r"```yaml\n(.*?)```", PART, re.S)
    for data in [yaml.safe_load(text.replace(", …}", "}"))]
}
REST: dict[str, Any] = {
    "status": {"energised": {"mask": 1, "equals": 1}},
    "host_loss": "100 ms",
    "rated_torque": "1 N*m",
    "peak_torque": "2 N*m",
}


def whole(name: str) -> dict[str, Any]:
    """Return the manual's description for a protocol, plus the keys that every such board needs."""
    data = {**SHOWN[name], **REST}
    if name == "declared_can":
        data |= {
            "dbc": str(SHIPPED / "drives" / "treadle_board.dbc"),
            "poll": "ASK",
            "sequences": {
                "energise": [{"send": "ORDER", "with": {"ORDER_ACTION": 1}}],
                "de_energise": [{"send": "ORDER", "with": {"ORDER_ACTION": 0}}],
            },
            "gives": {**data["gives"], "status": {"from": "MOTION.BOARD_FLAGS"}},
        }
    else:
        data["commands"] = {**data["commands"], "order": "{action:d}"}
        data |= {
            "sequences": {
                "energise": [{"send": "order", "with": {"action": 1}}],
                "de_energise": [{"send": "order", "with": {"action": 0}}],
            },
            "gives": {**data["gives"], "status": {"from": "state.flags"}},
        }
    return data


@pytest.mark.parametrize("name", ["declared_can", "declared_lines"])
def test_a_shown_board_is_taken(name: str) -> None:
    find_protocol(name).options.model_validate(whole(name))


def test_the_shown_devices_make_a_rig() -> None:
    data = SHOWN["combined"]
    assert data["members"]["motor"] == {"protocol": "declared_can"}
    data["members"]["motor"] = whole("declared_can")
    options = CombinedOptions.model_validate(data)
    assert options.source("deflection") == "probe"


def test_every_example_that_is_named_is_there() -> None:
    named = set(re.findall(r"`(profiles/drives/\w+\.yaml)`", PART))
    assert len(named) == 3
    for name in named:
        assert (SHIPPED.parent / name).is_file()
