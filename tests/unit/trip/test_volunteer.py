"""What the companion notices unasked, and the lines that could be spoken of it."""

import pytest

from companion import config
from companion.casting.deck import Deck, relined
from companion.casting.ground import TopOnWay, Unmapped
from companion.casting.hand import Hand
from companion.casting.pose import BoatPose
from companion.events import Fix, Match, Notice
from companion.lakebed.bed import CoverHint
from companion.lakebed.water_level import LevelHint
from companion.sensing import moved
from companion.trip.volunteer import REMIND_BEFORE_S, Stamp, Volunteer

RODS = config.parse(config.example_text(), "example").rods
HINT = CoverHint(45.0, -93.0, 3.0, 6.0, 3.0, 4.0)


@pytest.fixture
def deck():
    return Deck(RODS)


@pytest.fixture
def volunteer(deck):
    return Volunteer(deck, "feet")


def test_a_match_comes_with_its_event_its_line_and_what_can_be_done(volunteer):
    matched = volunteer.notice_depth(1.0, 30.0, Hand(1), None)
    event = matched.event(2.0, None)
    assert isinstance(event, Match)
    assert (event.t, event.state, event.depth, event.where) == (
        2.0,
        "short",
        30.0,
        "below",
    )
    assert matched.line("feet") == "too deep for any rod"
    assert matched.action == (False, None)
    assert volunteer.bottom == 30.0


def test_a_rod_that_stays_short_names_one_that_does_not(deck, volunteer):
    deck.rerig(relined(deck.rod(3), 40))
    depth = deck.reach(deck.rod(1)) - 0.02
    matched = volunteer.notice_depth(1.0, depth, Hand(3), None)
    assert matched.line("feet").endswith(", take number one")
    beyond = Volunteer(deck, "feet").notice_depth(1.0, depth + 3.0, Hand(3), None)
    assert "take" not in beyond.line("feet")


class WithTree(Unmapped):
    def __init__(self, distance, depth):
        self.top = TopOnWay(distance, 0.0, 1.0, depth, 7)

    def tops(self, _at, bearing, length, _aside):
        assert bearing == 0.0
        return [self.top] if self.top.distance <= length else []


def test_where_no_rod_gets_down_a_tree_on_the_way_is_told(deck):
    path = deck.path(deck.rod(1))
    for over, words in ((-0.5, "hits the tree ahead"), (1.0, "over the tree ahead by")):
        deck.ground = WithTree(path.reach_at, path.reach + over)
        at = Volunteer(deck, "feet")
        assert words in at.notice_depth(1.0, 30.0, Hand(1), pose()).line("feet")
        at.look_away()
        travelling = at.notice_depth(2.0, 30.0, Hand(1), None)
        assert travelling.line("feet") == "too deep for any rod"
    deck.ground = WithTree(1000.0, 2.0)
    beyond = Volunteer(deck, "feet").notice_depth(1.0, 30.0, Hand(1), pose())
    assert beyond.line("feet") == "too deep for any rod"


def test_possible_cover_is_called_possible(volunteer):
    noticed = volunteer.notice_cover(Stamp(5.0, None), HINT)
    assert isinstance(noticed.event, Notice)
    assert (
        noticed.event.text
        == "possible cover: top at 10 feet, 10 feet high, 13 feet wide"
    )
    assert noticed.line == "possible cover, up to 10 feet"


def test_another_water_level_is_told_once_and_taken_back_once(volunteer):
    def noticed(t, hint, taken_back=False):
        return volunteer.notice_level(Stamp(t, None), hint, taken_back)

    assert noticed(1.0, None, taken_back=True) is None  # it had not been told
    told = noticed(5.0, LevelHint(0.6, 80, 0.05))
    assert told.line == "water seems 2 feet higher than the map"
    assert told.event.text == f"{told.line}, give or take 0.3 ft"
    assert noticed(50.0, LevelHint(0.7, 90, 0.05)) is None
    assert noticed(60.0, None) is None  # the level was said
    back = noticed(70.0, None, taken_back=True)
    assert back.line == "water may stand as on the map after all"
    assert noticed(80.0, None, taken_back=True) is None
    assert noticed(90.0, LevelHint(0.7, 90, 0.05)) is None


def test_a_reminder_comes_only_while_its_cast_is_under_way(volunteer):
    assert volunteer.remind_at == float("inf")
    assert volunteer.remind(10.0, Hand(1)) is None
    assert REMIND_BEFORE_S > 2.0, "never later than two seconds before"


def looks(volunteer, deck, poses):
    """Return at which of some (time, pose) the bottom in range was looked at."""
    ground = Counted()
    deck.ground, looked = ground, []
    for t, pose in poses:
        before = ground.asked
        volunteer.notice_depth(
            t, 5.0, Hand(1), pose if volunteer.wants_boat(t) else None
        )
        if ground.asked > before:
            looked.append(t)
    return looked


class Counted(Unmapped):
    asked = 0

    def spots(self, places):
        self.asked += 1
        return super().spots(places)


def pose(north=0.0, heading=0.0):
    lat, lon = moved(45.0, -93.0, 0.0, north)
    return BoatPose(Fix(lat, lon), heading)


def test_a_boat_that_lies_still_looks_into_its_range_now_and_then(volunteer, deck):
    assert looks(volunteer, deck, [(float(t), pose()) for t in range(25)]) == [
        0.0,
        10.0,
        20.0,
    ]


def test_a_boat_that_moves_or_turns_looks_every_two_seconds(deck):
    going = [(float(t), pose(north=float(t))) for t in range(7)]
    assert looks(Volunteer(deck, "feet"), deck, going) == [0.0, 2.0, 4.0, 6.0]
    turning = [(float(t), pose(heading=340.0 + 6.0 * t)) for t in range(7)]
    assert looks(Volunteer(deck, "feet"), deck, turning) == [0.0, 2.0, 4.0, 6.0]


def test_another_rod_or_a_cast_looks_at_once(volunteer, deck):
    assert looks(volunteer, deck, [(0.0, pose()), (0.5, pose())]) == [0.0]
    volunteer.look_anew()
    assert looks(volunteer, deck, [(0.7, pose())]) == [0.7]
