"""The radius that holds nine places of ten, against the integral it stands for and a printed table of it.

The probability of an elliptical normal error within a circle: Harter 1960, Circular
error probabilities, J. Am. Stat. Assoc. 55, 723-731, equation (2). Values of its table
2 for P = 0.9 from memory.
"""

import math

import pytest
from scipy import integrate, special

from companion.units import NINE_IN_TEN_RADIUS_SIGMAS, nine_in_ten_radius


def held(radius: float, along: float, across: float) -> float:
    """Return the share of places within a radius, by numeric integration over the longer axis."""

    def strip(x: float) -> float:
        half = math.sqrt(max(radius * radius - x * x, 0.0))
        density = math.exp(-0.5 * (x / along) ** 2) / (along * math.sqrt(2.0 * math.pi))
        return density * float(special.erf(half / (across * math.sqrt(2.0))))

    return float(integrate.quad(strip, -radius, radius)[0])


@pytest.mark.parametrize("ratio", [0.02, 0.1, 0.3, 0.5, 0.7, 0.9, 1.0])
def test_the_circle_holds_nine_of_ten_and_hardly_more(ratio):
    assert (
        0.8999 <= held(nine_in_ten_radius(3.0, 3.0 * ratio), 3.0, 3.0 * ratio) <= 0.915
    )
    assert nine_in_ten_radius(3.0 * ratio, 3.0) == nine_in_ten_radius(3.0, 3.0 * ratio)


@pytest.mark.parametrize(
    ("ratio", "printed"), [(0.1, 1.6479), (0.5, 1.7371), (1.0, 2.1460)]
)
def test_the_circle_beside_the_printed_table(ratio, printed):
    assert nine_in_ten_radius(1.0, ratio) == pytest.approx(printed, rel=0.03)


def test_alike_in_every_direction_it_is_the_rayleigh_quantile():
    assert (
        pytest.approx(math.sqrt(-2.0 * math.log(0.1)), abs=5e-4)
        == NINE_IN_TEN_RADIUS_SIGMAS
    )
