"""Data sheet and comparison: reproducible bytes, and one clear error for a file that is not a sheet."""

import json
import math
import re
from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from drivers.motion import speaking
from hil.measure import (
    Characteristic,
    Diagram,
    EvaluatedRun,
    Line,
    Sheet,
    compare_sheets,
    read_sheet,
    write_sheet,
)
from hil.measure.characteristic import Evaluation
from hil.measure.rig_words import in_rig_words
from hil.measure.sheet import SheetError, shown
from hil.measure.sheet_files import _printed
from hil.measure.sheet_plots import plots_canvas
from hil.profile import load_profile


def sheet(value: float = 20.0, unit: str = "Hz") -> Sheet:
    x = np.linspace(1, 50, 20)
    line = Line("measured", x, 1 / x, points=True)
    figures = (
        Characteristic(
            "a.bandwidth", "Bandwidth", value, 1.0, unit, predicted=25.0, predicted_u95=1
        ),
        Characteristic("a.count", "Count", 3.0, math.nan, "1"),
    )
    test = SimpleNamespace(key="a", title="A test")
    run = SimpleNamespace(
        path=SimpleNamespace(name="0001-a"),
        meta={"started": "2026-11-28T01:02:03"},
        motion="linear",
    )
    diagram = Diagram("Size", "frequency (Hz)", "1", (line,), log_x=True)
    made: Any = EvaluatedRun
    tested = made(test, run, figures, (diagram,), ("a note",))
    return Sheet(load_profile("footplate_trainer"), (tested,), ("b",))


def pages(pdf: bytes) -> int:
    return len(re.findall(rb"/Type /Page\b", pdf))


def test_the_same_sheet_has_the_same_bytes_and_says_what_differs(tmp_path):
    before = {p.name: p.read_bytes() for p in write_sheet(sheet(), tmp_path)}
    again = {p.name: p.read_bytes() for p in write_sheet(sheet(), tmp_path)}
    assert before == again and len(before) == 4
    page = before["data_sheet.html"].decode()
    assert "20.0 ± 1.0" in page and "≠" in page and "a note" in page and "not measured: b" in page
    assert before["data_sheet.pdf"].startswith(b"%PDF") and pages(before["data_sheet.pdf"]) == 2
    data = read_sheet(tmp_path)
    assert data["figures"][0]["differs"] is True
    assert data["figures"][1]["u95"] is None


@pytest.mark.parametrize("each, expected", [(7, 2), (14, 3)])
def test_a_full_sheet_is_one_page_of_figures_and_one_of_plots(tmp_path, each, expected):
    """The shipped trainer has 77 figures in twelve groups; far more continue on another page."""
    one = sheet()
    tested = one.tested[0]
    made: Any = EvaluatedRun
    groups = []
    for n in range(12):
        test = SimpleNamespace(key=f"t{n}", title=f"Test {n}")
        figures = tuple(
            Characteristic(
                f"t{n}.{i}",
                f"A figure of middling length, {n} {i}"
                + ", and a title that needs a second line" * (i == 0),
                10.0,
                1.0,
                "Hz",
                20.0 if i == 0 else 10.0,
                1.0,
                # Each figure repeats the conditions of the one before and adds to them.
                conditions="output blocked, sines of 2 to 16 Hz about 180 N" + ", more" * i,
                causes="dry friction, reflected mass",
            )
            for i in range(each)
        )
        groups.append(
            made(test, tested.run, figures, tested.diagrams, ("a note",) if n < 4 else ())
        )
    written = write_sheet(Sheet(one.profile, tuple(groups), ()), tmp_path)
    assert pages(written[1].read_bytes()) == expected
    # In HTML each figure shows its own conditions.
    page = written[0].read_text()
    assert page.count("about 180 N, more, more<") == 12 and page.count("likely causes") == 12


def test_the_sheet_says_that_a_loop_over_velocity_is_predicted_over_torque():
    over_torque = sheet()
    over_velocity = replace(over_torque, profile=load_profile("footplate_velocity"))
    assert not any("over torque" in note for note in over_torque.as_data()["notes"])
    assert any("acts by velocity" in note for note in over_velocity.as_data()["notes"])


def test_a_joint_is_printed_in_its_own_words_and_units():
    figure = Characteristic(
        "a.drift", "Drift of the force", 6.0, 1.0, "N/min", 9.0, 1.0, conditions="lever free"
    )
    tested = sheet().tested[0]
    tested.run.meta["profile"] = {"actuator": {"gear": {}}}
    test: Any = SimpleNamespace(key="a", title="Springs and screw, lever free")
    joint = replace(sheet(), tested=(replace(tested, test=test, characteristics=(figure,)),))
    printed = _printed(joint)
    ((title, rows, foot),) = printed.groups
    assert title == "Springs and gear, arm free"
    assert rows[0][0] == "Drift of the torque" and rows[0][-1] == "N·m/min"
    assert foot.startswith("arm free") and "Drift of the torque" in printed.sentences[0]
    with speaking("rotary"):
        line = Line("lever free", np.ones(2), np.ones(2))
        noise = Diagram("Noise of the force", "frequency (Hz)", "density (N/√Hz)", (line,))
    assert noise.lines[0].label == "arm free"
    assert noise.title == "Noise of the torque" and noise.y_label == "density (N·m/√Hz)"


def test_a_slide_is_printed_with_a_carriage():
    plot = Diagram("Lever", "frequency (Hz)", "dB", (Line("lever free", np.ones(2), np.ones(2)),))
    figure = Characteristic("a", "Weight on the lever", 6.0, 1.0, "N", conditions="lever free")
    found = Evaluation((figure,), (plot,), ("The lever is free.",))
    assert in_rig_words(found, load_profile("footplate_trainer")) is found
    slide = load_profile("bench_slide")
    carriage = in_rig_words(found, slide)
    assert carriage.characteristics[0].title == "Weight on the carriage"
    assert carriage.characteristics[0].conditions == "carriage free"
    assert carriage.diagrams[0].title == "Carriage"
    assert carriage.diagrams[0].lines[0].label == "carriage free"
    assert carriage.notes == ("The carriage is free.",)
    one = replace(sheet(), profile=slide)
    test: Any = SimpleNamespace(key="a", title="Response, lever free")
    named = replace(one.tested[0], test=test)
    ((title, _, _),) = _printed(replace(one, tested=(named,))).groups
    assert title == "Response, carriage free"


def test_measured_points_alone_have_no_legend_that_looks_like_a_point():
    points = Line("measured", np.ones(3), np.ones(3), points=True, joined=False)
    other = replace(points, label="design", kind="predicted")
    plots = [Diagram("a", "Hz", "dB", (points,)), Diagram("b", "Hz", "dB", (points, other))]
    alone, beside = plots_canvas(plots).axes
    assert alone.get_legend() is None and beside.get_legend() is not None


def test_sheets_are_compared_by_the_normalised_error(tmp_path):
    one, near, far, other = (
        s.as_data() for s in (sheet(), sheet(21.3), sheet(21.5), sheet(20, "kHz"))
    )
    assert [p.differs for p in compare_sheets(one, near).pairs] == [False, False]
    pair = compare_sheets(one, far).pairs[0]
    assert pair.differs and pair.score == pytest.approx(1.5 / math.sqrt(2))
    assert math.isnan(compare_sheets(one, far).pairs[1].score)
    apart = compare_sheets(one, other)
    assert apart.only_first == ("a.bandwidth",) and apart.only_second == ("a.bandwidth",)


@pytest.mark.parametrize(
    "text", ["{", "[]", '{"data_sheet": 2}', '{"data_sheet": 1, "figures": [{}]}']
)
def test_what_is_not_a_data_sheet_is_one_clear_error(tmp_path, text):
    (tmp_path / "data_sheet.json").write_text(text)
    with pytest.raises(SheetError, match=r"data_sheet\.json.*Fix"):
        read_sheet(tmp_path)


def test_a_missing_sheet_is_one_clear_error(tmp_path):
    with pytest.raises(SheetError, match="No such file"):
        read_sheet(tmp_path)


def test_uncertainty_is_shown_to_two_digits():
    assert shown(23.1034, 0.6899) == "23.10 ± 0.69"
    assert shown(1234.5, 45.0) == "1234 ± 45"
    assert shown(math.nan, 1.0) == "not measured"
    assert json.dumps(shown(3.0)) == '"3"'
