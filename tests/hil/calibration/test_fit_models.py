"""Fitted laws against certified values, the GUM's own example and scipy."""

from __future__ import annotations

import json
import math
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import curve_fit

from hil.calibration.fit_models import FitError, choose_law, fit_law
from hil.calibration.points import Points, PointsError, parse_points, read_points
from ui import cli

# NIST Statistical Reference Datasets, linear regression, "Pontius": data and certified values.
PONTIUS = Path(__file__).with_name("nist_strd_pontius.csv")
CERTIFIED = (0.673565789473684e-03, 0.732059160401003e-06, -0.316081871345029e-14)
CERTIFIED_SD = (0.107938612033077e-03, 0.157817399981659e-09, 0.486652849992036e-16)


def test_the_certified_load_cell_calibration() -> None:
    fit = fit_law(read_points(PONTIUS), "quadratic")
    assert fit.coefficients == pytest.approx(CERTIFIED, rel=1e-11, abs=0.0)
    assert fit.standard_errors == pytest.approx(CERTIFIED_SD, rel=1e-11, abs=0.0)
    assert fit.residual_sd == pytest.approx(0.205177424076185e-03, rel=1e-11)
    assert fit.r_squared == pytest.approx(0.999999900178537, rel=1e-14)
    best, _ = choose_law(read_points(PONTIUS))
    assert best.law == "quadratic"


def gum_thermometer() -> Points:
    """JCGM 100:2008, annex H.3, table H.6: thermometer calibration; values from memory."""
    readings = (
        21.521,
        22.012,
        22.512,
        23.003,
        23.507,
        23.999,
        24.513,
        25.002,
        25.503,
        26.010,
        26.511,
    )
    corrections = (
        -0.171,
        -0.169,
        -0.166,
        -0.159,
        -0.164,
        -0.165,
        -0.156,
        -0.157,
        -0.159,
        -0.161,
        -0.160,
    )
    # Relative to 20 °C, as in the example.
    return Points(np.array(readings) - 20.0, np.array(corrections))


def test_the_gums_own_straight_line_outside_its_data() -> None:
    fit = fit_law(gum_thermometer(), "line")
    # JCGM 100:2008, H.3.3 and H.3.4, from memory.
    assert fit.coefficients == pytest.approx((-0.1712, 0.00218), abs=6e-5)
    assert fit.standard_errors == pytest.approx((0.0029, 0.00067), rel=0.02)
    assert fit.correlation[0, 1] == pytest.approx(-0.930, abs=6e-4)
    assert fit.residual_sd == pytest.approx(0.0035, abs=6e-5)
    at_30 = fit.at(10.0)
    assert at_30.value == pytest.approx(-0.1494, abs=6e-5)
    assert at_30.u == pytest.approx(0.0041, abs=6e-5)
    # Without the correlation the uncertainty would be 0.0073.
    alone = math.hypot(fit.standard_errors[0], 10.0 * fit.standard_errors[1])
    assert alone > 1.7 * at_30.u


def test_a_knee_as_scipy_finds_it() -> None:
    rng = np.random.default_rng(3)
    load = np.repeat(np.linspace(-550.0, 550.0, 23), 3)

    def law(x: np.ndarray, b0: float, inner: float, outer: float, knee: float) -> np.ndarray:
        within = np.clip(x, -knee, knee)
        return b0 + inner * within + outer * (x - within)

    true = (2048.0, 2.2756, 4.5511, 360.0)
    reading = law(load, *true) + rng.normal(0.0, 1.0, load.size)
    fit = fit_law(Points(load, reading), "two_slopes")
    found, covariance = curve_fit(law, load, reading, p0=(2040.0, 2.0, 5.0, 300.0))
    assert fit.coefficients == pytest.approx(found, rel=1e-4)
    assert fit.standard_errors == pytest.approx(np.sqrt(np.diag(covariance)), rel=1e-2)
    assert abs(fit.coefficients[3] - 360.0) < 4.0 * fit.standard_errors[3]
    assert choose_law(Points(load, reading))[0].law == "two_slopes"


def test_the_inverses_uncertainty_by_monte_carlo() -> None:
    """JCGM 101:2008: repeat the whole experiment many times and take a new reading in each."""
    rng = np.random.default_rng(5)
    load = np.repeat(np.arange(0.0, 501.0, 100.0), 2)
    truth = 2048.0 + 2.3 * load
    noise = 4.0
    first = fit_law(Points(load, truth + rng.normal(0.0, noise, load.size)), "line")
    drawn = []
    for _ in range(4000):
        fit = fit_law(Points(load, truth + rng.normal(0.0, noise, load.size)), "line")
        new = 2048.0 + 2.3 * 250.0 + rng.normal(0.0, noise)
        drawn.append((new - fit.coefficients[0]) / fit.coefficients[1])
    stated = first.load_for(2048.0 + 2.3 * 250.0, noise).u
    # The law's part scales with the scatter of one experiment, known to 25 % from 10 points.
    assert np.std(drawn) == pytest.approx(stated, rel=0.08)


@settings(max_examples=80, deadline=None)
@given(
    offset=st.floats(-4000, 4000),
    slope=st.floats(0.01, 100),
    curve=st.floats(-1e-5, 1e-5),
    share=st.floats(0.0, 1.0),
    scale=st.sampled_from((1e-3, 1.0, 1e6)),
)
def test_inverting_gives_the_load_back(
    offset: float, slope: float, curve: float, share: float, scale: float
) -> None:
    load = np.linspace(-500.0, 500.0, 15) * scale
    reading = offset + slope * load / scale + curve * slope * (load / scale) ** 2
    fit = fit_law(Points(load, reading), "quadratic")
    wanted = (share - 0.5) * 1000.0 * scale
    assert fit.load_for(fit.reading(wanted)).value == pytest.approx(wanted, abs=1e-6 * scale)


@pytest.mark.parametrize(
    ("law", "points", "word"),
    [
        ("line", 2, "too few points"),
        ("quadratic", 3, "too few points"),
        ("cubic", 4, "too few points"),
        ("two_slopes", 4, "too few points"),
        ("line", 0, "too few points"),
    ],
)
def test_too_few_points_for_the_law(law: str, points: int, word: str) -> None:
    if points == 0:  # many points at one load
        table = Points(np.full(9, 5.0), np.arange(9.0))
    else:
        table = Points(np.arange(float(points)), np.arange(float(points)))
    with pytest.raises(FitError, match=word):
        fit_law(table, law)


def test_titles_give_names_units_series_and_direction() -> None:
    points = parse_points(
        "# hung on the lever\nreading (counts); load (N); series; direction\n"
        "2048;0;1;up\n2190.5;60.5;1;up\n2049;0;1;down\n"
    )
    assert points.load.tolist() == [0.0, 60.5, 0.0]
    assert points.reading.tolist() == [2048.0, 2190.5, 2049.0]
    assert (points.load_unit, points.reading_unit) == ("N", "counts")
    assert points.series is not None and points.series.tolist() == [1, 1, 1]
    assert points.direction is not None and points.direction.tolist() == [1, 1, -1]


@pytest.mark.parametrize("header", ["", "a,b\n", "x (N),y (V)\n", "load_N,reading_counts\n"])
def test_two_columns_are_load_then_reading(header: str) -> None:
    points = parse_points(header + "1,10\n2,20\n")
    assert points.load.tolist() == [1.0, 2.0]


@pytest.mark.parametrize(
    ("text", "word"),
    [
        ("", "no points"),
        ("load,reading\n", "no points below"),
        ("load\n1\n", "one column only"),
        ("load,reading\n1,x\n", "table:2: reading 'x' is not a number"),
        ("load,reading\n1,2,3\n", "table:2: 3 values"),
        ("load,reading\n1,nan\n", "not finite"),
        ("load,reading\n1,inf\n", "not finite"),
        ("load,force\n1,2\n", "both look like"),
        ("load,reading,colour\n1,2,3\n", "colour"),
        ("load,reading,direction\n1,2,sideways\n", "neither up nor down"),
        ("load,reading,series\n1,2,1.5\n", "numbered"),
        ("1,2,3,4,5\n", "without a header"),
    ],
)
def test_a_wrong_table_names_place_and_fix(text: str, word: str) -> None:
    with pytest.raises(PointsError, match=word):
        parse_points(text)


@settings(max_examples=150, deadline=None)
@given(st.text(max_size=200))
def test_any_text_is_a_table_or_one_clear_error(text: str) -> None:
    try:
        points = parse_points(text)
    except PointsError:
        return
    assert len(points) == points.reading.size


def test_the_command_answers_for_machines(capsys: pytest.CaptureFixture[str]) -> None:
    code = cli.main(
        [
            "calibrate",
            "--points",
            str(PONTIUS),
            "--law",
            "quadratic",
            "--json",
            "--at",
            "1e6",
            "--reading",
            "0.73",
        ]
    )
    assert code == 0
    data = json.loads(capsys.readouterr().out.splitlines()[-1])
    assert data["coefficients"] == pytest.approx(CERTIFIED, rel=1e-9, abs=0.0)
    assert data["at"]["u"] == pytest.approx(4.39e-5, rel=1e-2)
    assert data["inverse"]["value"] == pytest.approx(1000589.87, rel=1e-6)
    assert data["inverse"]["u"] > data["inverse"]["u_law"] > 0.0


@pytest.mark.parametrize(
    "arguments",
    [
        ["--points", "nowhere.csv"],
        ["--points", str(PONTIUS), "--at", "nan"],
        ["--points", str(PONTIUS), "--reading", "99"],
    ],
)
def test_the_command_tells_bad_input_in_one_line(
    arguments: list[str], capsys: pytest.CaptureFixture[str]
) -> None:
    assert cli.main(["calibrate", *arguments]) == 2
    assert "Traceback" not in capsys.readouterr().err
