"""Lines against published sizes and densities, and the trade's own figures.

S: seen in the source named. M: recalled from memory. "Common practice": what the trade
says, no source.
"""

import math
from dataclasses import replace

import pytest

from companion import dive
from companion.config import starter_lures
from companion.dive.evidence import NoTouch, Touch
from companion.tackle import (
    DENSITY_KG_M3,
    SIZE_DIAMETER_M,
    LineSpec,
    LureSpec,
    Rating,
    Reel,
    Rod,
    RodSpec,
    calibrations,
    size_diameter,
    strength_diameter,
)
from companion.tackle.reach import rig_name
from companion.units import FOOT, POUND_FORCE, YARD


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
    assert SIZE_DIAMETER_M[3.0] < size_diameter(3.5) < SIZE_DIAMETER_M[4.0]


def test_densities() -> None:
    """Polyamide 6 about 1140, PVDF 1770-1780, UHMWPE 970 kg/m3 (polymer data sheets, M)."""
    assert DENSITY_KG_M3["nylon"] == pytest.approx(1140, abs=10)
    assert 1770 <= DENSITY_KG_M3["fluorocarbon"] <= 1780
    assert DENSITY_KG_M3["braid"] == pytest.approx(970, abs=10)


def test_strength_alone_is_the_trades_rule_and_says_so() -> None:
    """Four pounds a size number; 30 lb braid near 0.27 mm. Common practice, no source."""
    assert strength_diameter("fluorocarbon", 12 * POUND_FORCE) == pytest.approx(
        SIZE_DIAMETER_M[3.0], rel=0.01
    )
    assert strength_diameter("nylon", 20 * POUND_FORCE) == pytest.approx(
        SIZE_DIAMETER_M[5.0], rel=0.01
    )
    guessed = LineSpec("fluorocarbon", strength=17 * POUND_FORCE)
    measured = LineSpec("fluorocarbon", strength=17 * POUND_FORCE, diameter=0.35e-3)
    assert guessed.thickness_sigma >= 0.10 > measured.thickness_sigma
    assert "guessed from its strength" in str(guessed.doubt)
    assert measured.doubt is None


def dorrow(size: float = 70.0) -> LureSpec:
    """A deep diver of the usual size, known only by the trade's first figure."""
    return LureSpec(
        name="check dorrow",
        length=size * 1e-3,
        rated=Rating(
            depth=18 * FOOT,
            line=LineSpec("fluorocarbon", strength=12 * POUND_FORCE),
            cast=45 * YARD,
        ),
    )


def reach_ft(lure: LureSpec, pounds: float, cast: float) -> float:
    line = LineSpec("fluorocarbon", strength=pounds * POUND_FORCE)
    retrieve = replace(lure.rated_retrieve(), cast=cast)
    return dive.solve(line.physics(), lure.physics(), retrieve).reach / FOOT


def test_the_thicker_the_line_the_shallower() -> None:
    """12 to 14 to 17 lb, same lure and cast. Common practice, no source."""
    depths = [reach_ft(dorrow(), pounds, 45 * YARD) for pounds in (12, 14, 17)]
    assert depths[0] == pytest.approx(18.0, rel=2e-3)
    assert depths[0] > depths[1] > depths[2]


def test_seventeen_pound_line_from_the_twelve_pound_figure_alone() -> None:
    """Known: 18 ft on 12-lb fluorocarbon. The trade says 11-12 ft on 17-lb (common practice, no source).

    The model, told the first figure only, says 17.0 ft on 17-lb with the same cast of
    45 yd, 14.6 ft with the cast 20 % shorter and 13.9 ft with 25 %. Thickness and a
    plausible loss of casting length explain somewhat more than half of the difference.
    The rest it does not explain, and no coefficient here is bent to make it so:
    handling, a 17-lb line thicker than its number, or a figure that is only talk.
    Touches settle it for the angler's own rod (`companion.dive.calibration`, and the
    test after this one).
    """
    same = reach_ft(dorrow(), 17, 45 * YARD)
    shorter = [reach_ft(dorrow(), 17, share * 45 * YARD) for share in (0.80, 0.75)]
    print(
        f"\n17 lb: {same:.1f} ft on the same cast, {shorter[0]:.1f} and {shorter[1]:.1f} at 20 and 25 % less"
    )
    assert same == pytest.approx(17.0, abs=0.15)
    assert shorter == [pytest.approx(14.6, abs=0.15), pytest.approx(13.9, abs=0.15)]
    assert shorter[1] > 12.0, (
        "if this fails the model has come to agree with the trade: rewrite the text above"
    )


def test_touches_bring_seventeen_pound_line_to_what_the_trade_reports() -> None:
    """An angler whose 17-lb rod really gets to 11.5 ft (common practice) has it within 8 % in ten casts."""
    lure = dorrow()
    spec = RodSpec(
        number=3,
        lure=lure.name,
        line=LineSpec("fluorocarbon", strength=17 * POUND_FORCE),
        reel=Reel(per_turn=0.7, turns=1.3),
        cast=0.78 * 45 * YARD,
    )
    rod = Rod(spec, lure)
    learned = calibrations([rod])[lure.name]
    before = learned.reach(rig_name(rod)).best / FOOT
    for feet in (9.0, 10.0, 10.0, 10.5, 11.0):
        learned.learn(Touch(rig_name(rod), ((0.0, feet * FOOT),)))
    for feet in (12.0, 12.0, 12.5, 13.0, 14.0):
        learned.learn(NoTouch(rig_name(rod), ((0.0, feet * FOOT),)))
    after = learned.reach(rig_name(rod))
    print(f"\n17 lb by touches: {after.best / FOOT:.1f} ft, was {before:.1f}")
    assert before > 13.5
    assert after.best / FOOT == pytest.approx(11.5, rel=0.08)
    assert after.low / FOOT < 11.5 < after.high / FOOT


@pytest.mark.parametrize(
    ("tip", "feet"),
    [(0.6, 17.8), (0.0, 19.2), (-0.6, 20.6), (-1.2, 22.0), (-1.5, 22.7)],
)
def test_a_rod_tip_held_up_or_into_the_water_as_another_program_has_it(tip, feet):
    """C: elastic lumped masses with inertia, of other authors than `companion.dive`; an 18 ft lure."""
    lure = next(lure for lure in starter_lures() if lure.name == "deep dorrow")
    retrieve = replace(lure.rated_retrieve(), tip_height=tip)
    path = dive.solve(lure.rated.line.physics(), lure.physics(), retrieve)
    assert path.reach / FOOT == pytest.approx(feet, rel=0.006)
