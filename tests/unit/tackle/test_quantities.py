"""Numbers with units: every unit to SI, and what is refused."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from companion.tackle.quantities import Kind, Quantity


@pytest.mark.parametrize(
    ("kind", "text", "value"),
    [
        ("length", "0.33 mm", 0.33e-3),
        ("length", "28in", 0.7112),
        ("length", "35 yds", 32.004),
        ("length", "-2 m", -2.0),
        ("length", "3 fathoms", 5.4864),
        ("length", "40 yards", 36.576),
        ("length", "20 FEET", 6.096),
        ("length", "12'6\"", 3.81),
        ("length", "12 ft 6 in", 3.81),
        ("length", "-2 ft 6 inches", -0.762),
        ("length", "1 foot", 0.3048),
        ("length", "6,5 m", 6.5),
        ("length", "0,285 mm", 0.285e-3),
        ("length", "45-yard", 41.148),
        ("speed", "0.5 knots", 0.2572222),
        ("speed", "3 mph", 1.34112),
        ("mass", "3 lb 2 oz", 1.41747616),
        ("mass", "8 pounds 3 ounces", 3.71378753),
        ("temperature", "65 Fahrenheit", 18.33333),
        ("rate", "84 rpm", 1.4),
        ("speed", "4 in/s", 0.1016),
        ("speed", "2 kn", 1.0288889),
        ("strength", "12 lb", 53.37866),
        ("strength", "5.4 kg", 52.95591),
        ("mass", "0.7 oz", 0.01984467),
        ("temperature", "66 F", 18.88889),
        ("temperature", "32 °F", 0.0),
        ("temperature", "19 C", 19.0),
        ("rate", "72 /min", 1.2),
        ("time", "250 ms", 0.25),
    ],
)
def test_units_to_si(kind: Kind, text: str, value: float) -> None:
    assert Quantity(kind).read(text) == pytest.approx(value, rel=1e-6, abs=1e-12)


@pytest.mark.parametrize(
    "text",
    [
        "",
        "12",
        "mm",
        "1 lb",
        "one m",
        "1,500 m",
        "nan m",
        "1e3 m",
        "6 in 2 ft",
        "2 ft 3 ft",
        "2 ft -3 in",
        "20 feet 6",
        "3 lb 2 ft",
        12,
        None,
        True,
    ],
)
def test_what_is_no_length(text: object) -> None:
    with pytest.raises(
        ValueError, match=r'expected a length with its unit, like "0.33 mm"'
    ):
        Quantity("length").read(text)


def test_range_is_told_in_the_unit_used() -> None:
    with pytest.raises(ValueError, match="must be between 32 F and 104 F"):
        Quantity("temperature", 0.0, 40.0).read("120 F")
    with pytest.raises(ValueError, match="must be at least 0 kn"):
        Quantity("speed", low=0.0).read("-1 kn")
    with pytest.raises(ValueError, match="must be at most 2 m"):
        Quantity("length", high=2.0).read("3 m")


@given(st.floats(0.001, 1000.0))
def test_feet_and_metres_agree(metres: float) -> None:
    length = Quantity("length")
    assert length.read(f"{metres / 0.3048:.9f} ft") == pytest.approx(
        length.read(f"{metres:.9f} m"), rel=1e-5
    )
