"""Lines against published sizes and densities, and the trade's own figures.

S: seen in the source named. M: recalled from memory. "Common practice": what the trade says, no source.
"""

import math

import pytest

from companion.tackle import DENSITY, SIZES, LineSpec, size_diameter, strength_diameter
from companion.units import POUND_FORCE


@pytest.mark.parametrize(
    ("size", "millimetres"),
    [
        (1, 0.165),
        (1.5, 0.205),
        (2, 0.235),
        (2.5, 0.260),
        (3, 0.285),
        (4, 0.330),
        (5, 0.370),
        (6, 0.405),
        (8, 0.470),
        (10, 0.520),
    ],
)
def test_size_numbers(size: float, millimetres: float) -> None:
    """Japan Fishing Tackle Manufacturers Association standard of 2010 (S, as quoted in a trade page)."""
    assert size_diameter(size) == pytest.approx(millimetres * 1e-3, rel=1e-9)
    assert 0.165e-3 * math.sqrt(size) == pytest.approx(millimetres * 1e-3, rel=0.016)


def test_sizes_between_those_listed_follow_the_square_root() -> None:
    """The standard's own rule of thumb, within 1.6 % (S, same page)."""
    assert SIZES[3.0] < size_diameter(3.5) < SIZES[4.0]


def test_densities() -> None:
    """Polyamide 6 about 1140, PVDF 1770-1780, UHMWPE 970 kg/m3 (polymer data sheets, M)."""
    assert DENSITY["nylon"] == pytest.approx(1140, abs=10)
    assert 1770 <= DENSITY["fluorocarbon"] <= 1780
    assert DENSITY["braid"] == pytest.approx(970, abs=10)


def test_strength_alone_is_the_trades_rule_and_says_so() -> None:
    """Four pounds a size number; 30 lb braid near 0.27 mm. Common practice, no source."""
    assert strength_diameter("fluorocarbon", 12 * POUND_FORCE) == pytest.approx(SIZES[3.0], rel=0.01)
    assert strength_diameter("nylon", 20 * POUND_FORCE) == pytest.approx(SIZES[5.0], rel=0.01)
    guessed = LineSpec("fluorocarbon", strength=17 * POUND_FORCE)
    measured = LineSpec("fluorocarbon", strength=17 * POUND_FORCE, diameter=0.35e-3)
    assert guessed.thickness_sigma >= 0.10 > measured.thickness_sigma
    assert "guessed from its strength" in str(guessed.guessed)
    assert measured.guessed is None
