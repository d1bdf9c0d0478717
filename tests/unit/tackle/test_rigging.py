"""Lines, lures and rods in the dive model's terms, and what a rod reaches with and without a change."""

import re

import msgspec
import pytest
from msgspec import structs

from companion import dive
from companion.config import parse, starter_lures
from companion.dive.evidence import Belief, NoTouch, Touch
from companion.pictures import reach as pictures
from companion.tackle import (
    Backing,
    Change,
    Leader,
    LineSpec,
    LureSpec,
    Rating,
    Rod,
    RodReach,
    before_and_after,
    calibrations,
    change_from,
    known_of,
    reaches,
    what_was_learned,
)
from companion.tackle.reach import rig_name, stated
from companion.units import FOOT, POUND_FORCE

BOAT = "".join(
    f"""
[[rods]]
number = {number}
lure = "deep dorrow"
cast = "{cast} yd"
line = {{ material = "fluorocarbon", {thick}, strength = "{strength} lb" }}
reel = {{ per_turn = "28 in", turns = "1.25 /s" }}
"""
    for number, cast, thick, strength in (
        (1, 45, 'diameter = "0.285 mm"', 12),
        (2, 40, "size = 4", 17),
    )
)


def rods() -> tuple[Rod, ...]:
    return parse(BOAT).rods


@pytest.mark.parametrize("lure", starter_lures(), ids=lambda lure: lure.name)
def test_starter_lures_reach_what_is_stated(lure: LureSpec) -> None:
    path = dive.solve(lure.rated.line.physics(), lure.physics(), lure.rated_retrieve())
    assert path.reach == pytest.approx(lure.rated.depth, rel=2e-3)


def test_a_lure_with_two_stated_depths_reaches_both_and_is_known_better() -> None:
    line = LineSpec("fluorocarbon", strength=12 * POUND_FORCE)
    once = LureSpec("a", 0.07, Rating(5.4, line, 41.0))
    twice = LureSpec("a", 0.07, Rating(5.4, line, 41.0), also=Rating(2.9, line, 18.3))
    lure, short = twice.physics(), dive.Retrieve(18.3, 1.0, 0.5, temperature=18.0)
    assert dive.solve(
        line.physics(), lure, twice.rated_retrieve()
    ).reach == pytest.approx(5.4, rel=3e-3)
    assert dive.solve(line.physics(), lure, short).reach == pytest.approx(2.9, rel=0.01)
    assert stated(twice).drag_sigma < stated(once).drag_sigma


def test_the_way_a_lure_rises_gives_its_buoyancy() -> None:
    line = LineSpec("nylon", diameter=0.3e-3)
    rated = Rating(4.0, line, 35.0)
    floats, hangs, sinks = (
        LureSpec("a", 0.07, rated, when_stopped=way).buoyancy
        for way in ("rises slowly", "hangs", "sinks slowly")
    )
    assert floats > 0.0 == hangs > sinks
    measured = LureSpec("a", 0.07, rated, when_stopped="hangs", rise=0.1)
    assert measured.buoyancy == pytest.approx(0.5 * 1000 * measured.drag_area * 0.01)


def test_a_depth_that_cannot_be_is_told() -> None:
    line = LineSpec("nylon", diameter=0.3e-3)
    with pytest.raises(ValueError, match="two fifths of its cast"):
        Rating(15.0, line, 30.0)
    hopeless = LureSpec(
        "pebble", 0.012, Rating(12.0, LineSpec("nylon", diameter=1e-3), 31.0)
    )
    with pytest.raises(ValueError, match='"pebble": check the stated depth'):
        hopeless.physics()


def test_lines_need_a_thickness_and_prefer_what_was_measured() -> None:
    with pytest.raises(ValueError, match="give the diameter"):
        LineSpec("nylon")
    with pytest.raises(ValueError, match="give the braid's diameter"):
        LineSpec("braid", size=2)
    both = LineSpec("nylon", diameter=0.35e-3, size=4, strength=16 * POUND_FORCE)
    assert (both.thickness, both.thickness_sigma) == (0.35e-3, 0.02)
    assert LineSpec("nylon", size=4).thickness == 0.33e-3
    assert LineSpec("nylon", size=4).name == "size 4 nylon"
    assert LineSpec("braid", diameter=0.2e-3).name == "0.2 mm braid"


BRAID_30, FLUOROCARBON_20 = (
    LineSpec(m, strength=lb * POUND_FORCE)
    for m, lb in (("braid", 30), ("fluorocarbon", 20))
)


def with_leader(length: float = 2.0) -> Rod:
    rod = rods()[0].with_line(BRAID_30)
    return structs.replace(
        rod, spec=structs.replace(rod.spec, leader=Leader(FLUOROCARBON_20, length))
    )


def test_a_rod_has_leader_main_line_and_backing_in_their_order() -> None:
    backing = Backing(LineSpec("nylon", size=4), 30.0)
    rod = structs.replace(
        with_leader(), spec=structs.replace(with_leader().spec, backing=backing)
    )
    line = rod.dive_line()
    assert [piece.length for piece in line.sections] == [2.0, 30.0]
    assert [piece.density for piece in line.sections] == [1775.0, 970.0]
    assert (line.diameter, line.density) == (0.33e-3, 1140.0)
    assert (
        rod.line_name
        == "30 lb braid with 20 lb fluorocarbon leader over size 4 nylon backing"
    )
    assert (
        rig_name(with_leader()) == "rod 1, 30 lb braid with 20 lb fluorocarbon leader"
    )
    assert rods()[0].dive_line().sections == ()


def test_a_leader_takes_depth_stays_with_another_line_and_can_be_left_out() -> None:
    rod = with_leader()
    learned = calibrations([rod])

    def found(change: Change) -> RodReach:
        return reaches([rod], learned, change)[0]

    as_it_is, without = found(Change()), found(change_from(leader="none"))
    longer = found(change_from(leader="fluorocarbon 20 lb of 13 ft"))
    assert without.reach.best > 1.03 * as_it_is.reach.best > 1.03 * longer.reach.best
    assert (as_it_is.leader, without.leader, longer.leader) == (
        2.0,
        None,
        pytest.approx(13 * FOOT),
    )
    nylon = found(change_from(line="nylon 0.33 mm"))
    assert nylon.line == "0.33 mm nylon with 20 lb fluorocarbon leader"
    assert "30 lb braid with 20 lb fluorocarbon leader of 6.6 ft  " in pictures.table(
        [as_it_is], "feet"
    )


def test_what_a_leader_taught_is_kept_when_it_gets_shorter() -> None:
    learned = calibrations([with_leader()])["deep dorrow"]
    learned.learn(Touch(rig_name(with_leader()), ((0.0, 5.0),), 12.0))
    again = calibrations([with_leader(1.5)], {"deep dorrow": learned.belief()})[
        "deep dorrow"
    ]
    assert again.belief().by_rig[rig_name(with_leader(1.5))].touches == 1


def test_reach_before_any_touch_is_that_of_the_description() -> None:
    for rod, found in zip(rods(), reaches(rods(), calibrations(rods())), strict=True):
        plain = dive.solve(rod.dive_line(), rod.dive_lure(), rod.dive_retrieve())
        assert found.reach.best == pytest.approx(plain.reach, rel=0.01)
        assert found.reach.low < 0.9 * plain.reach
        assert found.reach.high > 1.1 * plain.reach
        # The paths are as depths are told on this boat, which may all be off.
        assert max(z for _, z in found.path) == pytest.approx(
            found.reach.best, rel=0.01
        )
        assert (
            0.9 * found.reach.low < max(z for _, z in found.shallow) < found.reach.low
        )
        assert (
            found.reach.high < max(z for _, z in found.deep) < 1.05 * found.reach.high
        )


def test_changes_go_the_way_they_must() -> None:
    learned = calibrations(rods())

    def deep(change: Change | None = None) -> float:
        return reaches(rods()[:1], learned, change)[0].reach.best

    assert deep(Change(cast=50.0)) > deep() > deep(Change(cast=30.0))
    assert deep(Change(line=LineSpec("nylon", diameter=0.5e-3))) < deep()
    assert deep(Change(speed=1.5)) > deep(Change(speed=0.5))
    assert deep(Change(temperature=5.0)) < deep(Change(temperature=30.0))


def test_what_one_rod_learns_reaches_the_other_and_comes_back_from_the_logbook() -> (
    None
):
    learned = calibrations(rods())["deep dorrow"]
    was = learned.reach(rig_name(rods()[1])).best
    name = rig_name(rods()[0])
    for after in (12.0, 14.0, 15.0, 13.0):
        learned.learn(Touch(name, ((0.0, 5.6),), after))
    assert learned.reach(rig_name(rods()[1])).best > 1.02 * was
    stored = msgspec.json.decode(msgspec.json.encode(learned.belief()), type=Belief)
    again = calibrations(rods(), {"deep dorrow": stored})["deep dorrow"]
    assert again.belief() == learned.belief()
    said = before_and_after(rods()[0], again, "feet")
    belief = again.belief().by_rig[name]
    assert (
        said
        == f"rod one: {belief.reach.best / FOOT:.1f} ft, was {belief.before.best / FOOT:.1f}"
    )
    told = what_was_learned(rods(), {"deep dorrow": again}, "feet").splitlines()
    assert told[0].startswith(
        said + "; 4 touches, no cast without a touch (12 lb fluorocarbon, "
    )
    assert "; learned from other lines of that lure (" in told[1]
    assert told[1].endswith(", 40 yd cast)")
    again.learn(Touch(rig_name(rods()[1]), ((0.0, 5.4),), 12.0))
    again.learn(NoTouch(rig_name(rods()[1]), ((0.0, 9.0),)))
    told = what_was_learned(rods(), {"deep dorrow": again}, "feet").splitlines()
    assert "; 1 touch, 1 cast without a touch (" in told[1]
    again.forget()
    told = what_was_learned(rods(), {"deep dorrow": again}, "feet").splitlines()
    assert "as before; nothing learned yet (12 lb fluorocarbon, " in told[0]
    assert before_and_after(rods()[0], again, "metres").endswith("m, as before")


def test_touches_well_above_its_reach_tell_how_soon_a_lure_takes_hold() -> None:
    """By the next start: nobody has to say more than "touched bottom"."""
    taught = calibrations(rods())["deep dorrow"]
    name, depth = rig_name(rods()[0]), rods()[0].lure.rated.depth
    t, _, deep = taught.path(name, depth)
    for share in (0.2, 0.25, 0.3, 0.35, 0.4, 0.5):
        late = float(t[int((deep > share * depth).argmax())]) + 4.0
        taught.learn(Touch(name, ((0.0, share * depth),), late))
    beliefs = {"deep dorrow": taught.belief()}
    again = calibrations(rods(), beliefs)["deep dorrow"]
    described = stated(rods()[0].lure).lure.onset
    assert again.stated.lure.onset > 1.2 * described
    assert again.evidence == taught.evidence
    told = what_was_learned(rods(), {"deep dorrow": again}, "metres").splitlines()
    assert told[2] == (
        f"deep dorrow: takes hold after {again.stated.lure.onset:.1f} m, described as {described:.1f}"
    )
    # What its owner states is not learned anew.
    lure = structs.replace(rods()[0].lure, down_after=22.0)
    known = known_of([structs.replace(rods()[0], lure=lure)], beliefs["deep dorrow"])
    assert known == stated(lure)


@pytest.mark.parametrize(
    ("words", "says"),
    [
        ({"cast": "35 miles"}, 'cast "35 miles": expected a length with its unit'),
        ({"cast": "1 yd"}, 'cast "1 yd": must be between 5.47 yd and 164 yd'),
        ({"speed": "30 m/s"}, 'speed "30 m/s": must be between'),
        ({"temperature": "200 F"}, 'temperature "200 F": must be between'),
        ({"line": "rope 3"}, 'line "rope 3": expected a material'),
        (
            {"line": "nylon size big"},
            'line "nylon size big": size "big": expected a standard size number',
        ),
        (
            {"leader": "nylon 0.3 mm"},
            'leader "nylon 0.3 mm": expected its line and length',
        ),
        ({"line": "nylon 33"}, 'line "nylon 33": expected a length'),
    ],
)
def test_a_change_that_cannot_be_is_told_with_what_it_was(
    words: dict[str, str], says: str
) -> None:
    with pytest.raises(ValueError, match=re.escape(says)):
        change_from(**words)


def cast_as_far_as(rod: Rod, cast: float) -> Rod:
    """Return a rod with another usual cast, m."""
    return structs.replace(rod, spec=structs.replace(rod.spec, cast=cast))


def test_touches_outlive_a_new_description() -> None:
    """The owner measures the cast anew: what was seen counts on, from the new beginning."""
    learned = calibrations(rods())["deep dorrow"]
    name = rig_name(rods()[0])
    for _ in range(4):
        learned.learn(Touch(name, ((0.0, 6.2),)))
    longer = (cast_as_far_as(rods()[0], 48.0), rods()[1])
    again = calibrations(longer, {"deep dorrow": learned.belief()})["deep dorrow"]
    assert again.belief().by_rig[name].touches == 4
    assert (
        again.belief().by_rig[name].before.best
        > learned.belief().by_rig[name].before.best
    )


def test_a_small_lure_is_not_cast_as_far_as_nobody_casts_it() -> None:
    rod = rods()[0]
    small = structs.replace(rod.lure, length=0.03)
    assert structs.replace(cast_as_far_as(rod, 59.0), lure=small).cast == 59.0
    with pytest.raises(
        ValueError, match=r"66.7 yd \(61 m\) is too long for a lure of 1.2 in"
    ):
        structs.replace(cast_as_far_as(rod, 61.0), lure=small)


@pytest.mark.parametrize(
    ("line", "doubt"),
    [
        (LineSpec("nylon", 0.29e-3, strength=12 * POUND_FORCE), None),
        (LineSpec("braid", 0.2e-3, strength=30 * POUND_FORCE), None),
        (LineSpec("nylon", 1.2e-3), None),
        (
            LineSpec("nylon", 1.2e-3, strength=12 * POUND_FORCE),
            "1.2 mm thick .* about 0.29 mm",
        ),
        (LineSpec("nylon", 0.03e-2 / 3, strength=12 * POUND_FORCE), "0.1 mm thick"),
        (LineSpec("fluorocarbon", size=30, strength=12 * POUND_FORCE), "check both"),
    ],
)
def test_a_thickness_that_does_not_fit_the_strength_is_doubted(line, doubt):
    if doubt is None:
        assert line.doubt is None
    else:
        assert re.search(doubt, line.doubt)
