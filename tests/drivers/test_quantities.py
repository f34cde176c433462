"""Text with a unit becomes SI; all other input is refused."""

from __future__ import annotations

import math
import subprocess
import sys
import time

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import BaseModel, ValidationError

from drivers.quantities import USUAL_FACTORS, Dimension, Length, units


class Model(BaseModel):
    length: Length


@pytest.mark.parametrize(
    ("unit", "text", "value"),
    [
        ("m", "10 mm", 0.01),
        ("N/m", "60 N/mm", 60e3),
        ("N*s/m", "0.3 N·s/mm", 300.0),
        ("m/s^2", "2 m/s²", 2.0),
        ("kg*m^2", "1.2e-4 kg*m^2", 1.2e-4),
        ("ohm", "150 mΩ", 0.15),
        ("degC", "300 K", 26.85),
        ("degC", "70 °C", 70.0),
        ("rad/s", "60 rpm", 2 * math.pi),
        ("rad", "180 deg", math.pi),
        ("m/count", "3.5 um/count", 3.5e-6),
        ("m", "-3µm", -3e-6),
        # The inch is 25.4 mm exactly (ISO 80000-3).
        ("m", "1 in", 0.0254),
    ],
)
def test_quantities_become_si(unit: str, text: str, value: float) -> None:
    assert Dimension(unit).parse(text) == pytest.approx(value, rel=1e-12)


@given(
    value=st.floats(-1e9, 1e9),
    pair=st.sampled_from([*USUAL_FACTORS, ("degC", "degC"), ("N*m/A", "N*m/A"), ("m", "m")]),
)
def test_usual_units_are_read_as_the_registry_reads_them(
    value: float, pair: tuple[str, str]
) -> None:
    text, unit = pair
    registered = units().Quantity(value, text).to(unit).magnitude
    assert Dimension(unit).parse(f"{value} {text}") == registered


def test_shipped_profiles_requirements_and_parts_need_no_registry_of_units() -> None:
    program = (
        "import sys; from hil.profile import load_profile, shipped_profiles\n"
        "from hil.sizing import load_parts, load_requirements, shipped_requirements\n"
        "for name in shipped_profiles(): load_profile(name)\n"
        "for name in shipped_requirements(): load_requirements(name)\n"
        "load_parts('parts')\n"
        "print('pint' in sys.modules)"
    )
    said = subprocess.run(
        [sys.executable, "-c", program], capture_output=True, text=True, check=True
    )
    assert said.stdout.strip() == "False"


@pytest.mark.parametrize(
    ("unit", "text"),
    [
        ("m", "10"),
        ("m", "10 N"),
        ("N/m", "60 N"),
        ("N", "60 N/mm"),
        ("Hz", "60 rpm"),
        ("rad/s", "3 Hz"),
        ("m/count", "3.5 um"),
        ("m", "3.5 um/count"),
        ("m", "mm"),
        ("m", ""),
        ("m", "1 2 mm"),
        ("m", "1 mm + 2 mm"),
        ("m", "9**9**9 m"),
        ("m", "5 m**9**9**9"),
        ("m", "3 m/0"),
        ("V", "5 Volt_"),
        ("N*m", "1 J/rad"),
    ],
)
def test_what_is_no_such_quantity_is_refused_at_once(unit: str, text: str) -> None:
    started = time.monotonic()
    with pytest.raises(Exception) as caught:
        Dimension(unit).parse(text)
    assert type(caught.value).__name__ == "PydanticCustomError"
    # Evaluating 9**9**9 would take minutes.
    assert time.monotonic() - started < 5.0


@pytest.mark.parametrize("value", [5, 5.0, True, None, [1], {"a": 1}, "1e999 m", "nan m", "inf m"])
def test_a_model_takes_no_bare_number(value: object) -> None:
    with pytest.raises(ValidationError):
        Model.model_validate({"length": value})


def test_si_numbers_pass_only_where_a_dump_is_read() -> None:
    assert Model.model_validate({"length": 0.01}, context={"si": True}).length == 0.01
    for wrong in (True, "0.01", math.nan, math.inf):
        with pytest.raises(ValidationError):
            Model.model_validate({"length": wrong}, context={"si": True})
    with pytest.raises(ValidationError):
        Model.model_validate({"length": 0.01}, context={"si": "yes"})


@given(st.text(max_size=30))
def test_any_text_gives_a_number_or_a_validation_error(text: str) -> None:
    try:
        model = Model.model_validate({"length": text})
    except ValidationError:
        return
    assert math.isfinite(model.length)


@given(st.floats(-1e6, 1e6).map(lambda x: round(x, 9)))
def test_millimetres_are_thousandths(value: float) -> None:
    assert Model.model_validate({"length": f"{value!r} mm"}).length == pytest.approx(
        value / 1000, rel=1e-12, abs=1e-300
    )
