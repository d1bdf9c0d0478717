"""The loop: what goes in in whatever pieces, comes out as events in the order things happened."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from functools import cache
from itertools import pairwise

import msgspec
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from companion import config
from companion.casting.deck import Deck
from companion.casting.ground import Mapped, Ray, Unmapped
from companion.events import (
    DepthNews,
    Heard,
    Learned,
    Logged,
    Match,
    Notice,
    RodTaken,
    Said,
    TripBegan,
    TripEnded,
    Undone,
)
from companion.lakebed.bed import Bed
from companion.lakebed.marks import off_the_bow
from companion.record.recording import stamped
from companion.sensing import (
    BoatOffsets,
    BoatState,
    Chunk,
    MaximumAges,
    Sensing,
    range_and_bearing,
)
from companion.sensing.framing import sentence as body_sentence
from companion.sensing.remarks import OWN_SOURCE, SOLVED, SOLVES_LATER, signal_body
from companion.trip import wording
from companion.trip.agenda import Utterance
from companion.trip.engine import Engine
from companion.trip.entries import REACTION_S
from companion.trip.keep import KeepNothing
from companion.trip.presence import BACK_AFTER_S
from companion.trip.state import Moment
from companion.units import FOOT, OUNCE, POUND
from companion.voice.commands import WhatCanISay
from companion.voice.grammar import Grammar, aboard
from companion.voice.heard import Hearing
from tests.phrases import echoes

START = datetime(2026, 10, 3, 14, 0, 0, tzinfo=UTC)
SETTINGS = config.parse(config.example_text(), "example")
GRAMMAR = Grammar(aboard(SETTINGS))


def sentence(body: str) -> str:
    value = 0
    for byte in body.encode():
        value ^= byte
    return f"{body}*{value:02X}"


def tagged(t: float, body: str) -> bytes:
    millis = round((START + timedelta(seconds=t)).timestamp() * 1000)
    return f"\\{sentence(f's:sonar,c:{millis}')}\\${sentence(body)}\r\n".encode()


def rmc(t: float, lat="4500.000", lon="09300.000") -> bytes:
    at = START + timedelta(seconds=t)
    return tagged(
        t,
        f"GPRMC,{at:%H%M%S}.{at.microsecond // 10000:02d},A,{lat},N,{lon},W,0.5,090.0,{at:%d%m%y},,,A",
    )


def dpt(t: float, depth: float | None) -> bytes:
    return tagged(t, f"SDDPT,{'' if depth is None else f'{depth:.2f}'},0.0")


def recording(seconds: float, depth_at, *, fixes=True) -> bytes:
    """A recording with a depth five times a second and a fix once a second."""
    out = []
    for i in range(round(seconds * 5)):
        t = i / 5.0
        if fixes and i % 5 == 0:
            out.append(rmc(t))
        out.append(dpt(t, depth_at(t)))
    return b"".join(out)


@cache
def shared_deck_paths():
    deck = Deck(SETTINGS.rods)
    for rod in deck.rods:
        deck.path(rod)
    return deck._paths


def run(data: bytes, spoken=(), cuts=(), keep=None):
    """Return the events of a recording with (seconds, words) spoken in it."""
    events = []
    deck = Deck(SETTINGS.rods)
    deck._paths.update(shared_deck_paths())
    sensing = Sensing({}, BoatOffsets(transducer=0.0))
    engine = Engine("a test", sensing, deck, GRAMMAR, "feet", events.append, keep=keep)
    for t, words in spoken:
        began = START + timedelta(seconds=t)
        engine.utterance(
            Utterance(
                began, began + timedelta(seconds=1), lambda w=words: w, f"{t}.flac"
            )
        )
    edges = [0, *sorted(cuts), len(data)]
    for a, b in pairwise(edges):
        engine.chunk(Chunk(0.0, "sonar", data[a:b]))
    engine.finish()
    return events


def of(kind, events):
    return [event for event in events if isinstance(event, kind)]


REACH = {
    rod.number: path.reach
    for rod, path in zip(SETTINGS.rods, shared_deck_paths().values(), strict=True)
}


def test_a_trip_begins_with_the_rods_and_ends_with_the_counts():
    events = run(recording(10, lambda _: 6.0))
    assert isinstance(events[0], TripBegan)
    assert list(events[0].rods) == ["rod 1", "rod 2", "rod 3"]
    assert isinstance(events[1], RodTaken)
    assert isinstance(events[-1], TripEnded)
    assert events[-1].sentences == 60


def test_events_come_in_order_of_time_and_carry_utc():
    events = run(
        recording(60, lambda t: 6.0 + t / 20), [(5, "log bite"), (30, "how deep")]
    )
    assert [e.t for e in events] == sorted(e.t for e in events)
    bite = of(Logged, events)[0]
    assert bite.t == pytest.approx(6.0)
    assert bite.utc == "2026-10-03T14:00:06.000Z"


@pytest.mark.parametrize(
    ("share", "state"), [(0.8, "touch"), (1.05, "clear"), (1.8, "short")]
)
def test_how_a_trip_begins_is_noted_and_asks_for_no_word(share, state):
    events = run(recording(20, lambda _: share * REACH[1]))
    assert [m.state for m in of(Match, events)] == [state]
    assert of(Said, events) == []


def test_a_rod_just_taken_is_told_of_at_once_and_what_then_changes_within_four_seconds():
    low, deep = 0.9 * REACH[3], 1.2 * REACH[3]
    events = run(recording(60, lambda t: low if t < 30 else deep), [(10, "rod three")])
    lines = [(s.t, s.text) for s in of(Said, events) if s.about == "match"]
    assert [text for _, text in lines] == ["touch", "clear by 3 feet, take number one"]
    assert lines[0][0] == pytest.approx(11.2, abs=0.3)
    assert 30.0 <= lines[1][0] <= 34.0


def test_what_was_said_is_not_taken_back_within_ten_seconds():
    low, deep = 0.9 * REACH[3], 1.2 * REACH[3]
    events = run(
        recording(120, lambda t: low if t % 10 < 5 else deep), [(2, "rod three")]
    )
    times = [s.t for s in of(Said, events) if s.about == "match"]
    assert len(times) > 3
    assert min(b - a for a, b in pairwise(times)) > 10.0


def test_a_false_echo_is_neither_spoken_nor_logged_nor_answered():
    depth = lambda t: 2.0 if 20.0 <= t < 21.0 else 0.9 * REACH[3]  # noqa: E731
    events = run(
        recording(40, depth), [(5, "rod three"), (19.2, "log bite"), (19.6, "how deep")]
    )
    assert [s.text for s in of(Said, events) if s.about == "match"] == ["touch"]
    assert of(Logged, events)[0].bottom == pytest.approx(0.9 * REACH[3], abs=0.01)
    assert "7 feet under us" not in [s.text for s in of(Said, events)]


def test_a_mark_is_where_the_boat_was_at_the_first_word_less_the_reaction():
    """At five knots the boat is 4 m on when the words end."""
    knots = 2.57
    data = b"".join(
        rmc(t / 2, lat=f"45{t / 2 * knots / 1852.0:07.4f}") + dpt(t / 2, 5.0)
        for t in range(80)
    )
    (mark,) = of(Logged, run(data, [(20.3, "mark a ledge")]))
    north = (mark.boat.lat - 45.0) * 60.0 * 1852.0
    assert north == pytest.approx((20.3 - REACTION_S) * knots, abs=0.5)


def test_lost_depth_and_its_return_are_each_said_once():
    events = run(recording(120, lambda t: None if 30 <= t < 90 else 4.0))
    news = of(DepthNews, events)
    assert [n.state for n in news] == ["lost", "back"]
    assert news[0].t == pytest.approx(29.8 + MaximumAges().depth)
    assert news[1].t == pytest.approx(90.0 + BACK_AFTER_S, abs=0.5), (
        "three pings and two seconds"
    )
    assert [s.text for s in of(Said, events) if s.about == "depth"] == [
        "depth lost",
        "depth back, 13 feet",
    ]


def test_a_flickering_echo_is_no_depth_that_is_back():
    events = run(recording(200, lambda t: 4.0 if t < 10 or int(t) % 11 == 0 else None))
    assert [n.state for n in of(DepthNews, events)] == ["lost"]


def test_a_recording_that_falls_silent_loses_the_depth_when_it_goes_on():
    data = recording(10, lambda _: 4.0) + b"".join(rmc(10 + t) for t in range(20))
    assert [n.state for n in of(DepthNews, run(data))] == ["lost"]


def test_a_lost_position_is_noted():
    data = b"".join(dpt(t, 4.0) + (b"" if 20 <= t < 50 else rmc(t)) for t in range(80))
    notices = [n.text for n in of(Notice, run(data))]
    assert notices == ["position lost", "position back"]


def test_taking_another_rod_says_how_that_one_matches():
    middle = (REACH[1] + REACH[3]) / 2
    events = run(recording(30, lambda _: middle), [(10, "rod three")])
    assert [m.rod for m in of(Match, events)] == ["rod 1", "rod 3"]
    first, second = of(Match, events)
    assert first.state == "touch"
    assert second.state != "touch"


def test_a_line_takes_the_rod_that_carries_it():
    events = run(recording(20, lambda _: 5.0), [(5, "line seventeen")])
    assert [r.rod for r in of(RodTaken, events)] == ["rod 1", "rod 3"]


def test_which_rod_without_a_map_names_the_shallowest_that_touches_or_says_that_none_does():
    middle = (REACH[2] + REACH[3]) / 2
    (take,) = [
        s.text
        for s in of(
            Said, run(recording(20, lambda _: middle, fixes=False), [(5, "which rod")])
        )
        if s.about == "answer"
    ]
    assert take.startswith("take number two")
    (none,) = [
        s.text
        for s in of(
            Said, run(recording(20, lambda _: 12.0, fixes=False), [(5, "which rod")])
        )
        if s.about == "answer"
    ]
    assert none.startswith("none gets down, number one")


def test_which_rod_over_a_map_that_is_too_deep_says_so_and_names_the_deepest():
    events = run(recording(40, lambda _: 12.0), [(30, "which rod")])
    said = [s.text for s in of(Said, events)]
    assert "none gets down, number one goes to 18 feet" in said


def test_a_bite_has_the_lure_between_the_boat_and_the_end_of_the_cast():
    cast = SETTINGS.rods[0].cast
    events = run(recording(60, lambda _: 5.0), [(5, "cast now"), (20, "log bite")])
    bite = of(Logged, events)[1]
    assert bite.what == "bite"
    assert bite.rod == "rod 1"
    assert 0.0 < bite.lure_depth <= REACH[1]
    assert bite.boat.lat == pytest.approx(45.0)
    assert bite.lure_at is not None
    assert bite.clip == "20.flac"
    assert 0.0 < bite.lure_at.radius < cast


def test_without_an_announced_cast_the_lure_is_put_at_its_reach_with_a_wide_radius():
    events = run(recording(60, lambda _: 12.0), [(20, "log bite")])
    bite = of(Logged, events)[0]
    assert bite.lure_depth == pytest.approx(REACH[1], abs=1e-3)
    assert bite.lure_at.radius > 5.0


def drifting(seconds):
    """A recording of a boat that drifts north at about a knot."""
    return b"".join(
        rmc(t, lat=f"45{t * 0.000278:07.4f}") + dpt(t, 5.0) for t in range(seconds)
    )


def test_a_fish_is_where_its_bite_was_however_long_the_fight():
    spoken = [(5, "cast three o'clock"), (20, "log bite"), (50, "log fish four pounds")]
    cast, bite, fish = of(Logged, run(drifting(80), spoken))
    assert fish.boat.lat > bite.boat.lat
    assert (fish.lure_at, fish.lure_depth, fish.lure_bottom) == (
        bite.lure_at,
        bite.lure_depth,
        bite.lure_bottom,
    )
    assert (fish.catch, bite.catch, cast.catch) == (bite.number, None, None)


@pytest.mark.parametrize("between", ["rod two", "cast now", "lost it", "undo that"])
def test_a_fish_does_not_come_of_a_bite_on_another_rod_or_cast(between):
    spoken = [(5, "cast now"), (20, "log bite"), (30, between), (50, "log fish")]
    fish = of(Logged, run(drifting(80), spoken))[-1]
    assert (fish.what, fish.catch) == ("fish", None)


def mapped_then_still(depth=4.0):
    """A recording of a boat that maps a level bottom northwards, and comes back to where it began."""
    north = [min(t, 60) - max(t - 60, 0) for t in range(120)] + [0] * 60
    return b"".join(
        rmc(t, lat=f"45{n * 0.001:07.4f}") + dpt(t, depth) for t, n in enumerate(north)
    )


def test_at_a_touch_the_lure_is_on_the_bottom_and_the_models_depth_stands_beside_it():
    heading = b"".join(tagged(t, "IIHDT,000.0,T") for t in range(119, 122))
    spoken = [(125, "cast twelve o'clock"), (142, "touched bottom"), (146, "log bite")]
    _, touch, bite = of(Logged, run(mapped_then_still() + heading, spoken))
    assert touch.lure_depth == touch.lure_bottom == pytest.approx(4.0, abs=0.1)
    assert 0.0 < touch.model_depth <= 4.0
    assert bite.model_depth is None


def test_a_touch_over_a_bottom_mapped_too_deep_is_no_deeper_than_the_lure_gets():
    heading = b"".join(tagged(t, "IIHDT,000.0,T") for t in range(119, 122))
    spoken = [(125, "cast twelve o'clock"), (137, "touched bottom"), (150, "log bite")]
    _, touch, _ = of(Logged, run(mapped_then_still(30.0) + heading, spoken))
    assert touch.lure_bottom == pytest.approx(30.0, abs=0.2)
    assert touch.model_depth < touch.lure_depth < 2.0 * REACH[1]


def test_a_level_in_doubt_is_said_back_with_both_values():
    said = of(
        Said,
        run(drifting(20), [(5, heard("water up two feet", doubt="water up ten feet"))]),
    )
    assert [s.text for s in said if s.about == "answer"] == ["up two feet, or ten"]


def test_a_fish_whose_bite_was_not_told_may_have_struck_all_along_the_cast():
    cast, fish = of(Logged, run(drifting(80), [(5, "cast now"), (40, "log fish")]))
    away, _ = range_and_bearing(
        cast.boat.lat, cast.boat.lon, fish.lure_at.lat, fish.lure_at.lon
    )
    assert fish.lure_depth is None
    assert fish.lure_at.radius >= 0.9 * SETTINGS.rods[0].cast / 2
    assert away <= SETTINGS.rods[0].cast


def test_a_fish_is_lost_only_when_somebody_was_fishing():
    """ "Lost it" in a story about last year is talk; said to the companion ("log ...") it counts."""
    events = run(
        drifting(300),
        [(5, "lost it"), (10, "log lost fish"), (20, "cast now"), (30, "lost it")],
    )
    assert [heard.reason for heard in of(Heard, events)] == [
        "no cast or bite lately",
        None,
        None,
        None,
    ]
    assert [thing.what for thing in of(Logged, events)] == [
        "lost fish",
        "cast",
        "lost fish",
    ]
    late = run(drifting(300), [(5, "cast now"), (20, "reeled in"), (260, "broke off")])
    assert of(Heard, late)[-1].reason == "no cast or bite lately"


def heard(text, **more):
    return Hearing(text, spoke=(0.5, 1.4), **more)


def test_a_few_words_by_themselves_that_were_not_understood_are_asked_for_once():
    refused = heard(
        "[unk]", alternatives=("log bite",), refused="the sounds do not fit"
    )
    spoken = [
        (5, refused),
        (20, heard("blog bike")),
        (40, heard("log bite")),
        (60, heard("blog bike")),
    ]
    said = of(Said, run(drifting(80), spoken))
    assert [round(one.t) for one in said if one.about == "unclear"] == [6, 61]


@pytest.mark.parametrize(
    "hearing",
    [
        heard("did you see that one over there"),
        heard("[unk]"),
        heard("log bite", refused="no quiet before it"),
        heard("bite", ended="time"),
        Hearing("bite", spoke=(0.5, 0.6)),
        Hearing("blog bike"),
    ],
)
def test_talk_and_noise_are_not_asked_for(hearing):
    assert [
        one
        for one in of(Said, run(drifting(20), [(5, hearing)]))
        if one.about == "unclear"
    ] == []


def test_nobody_is_asked_amid_talk_or_when_quiet_was_wanted():
    spoken = [(5, heard("did you see that one over there")), (8, heard("blog bike"))]
    wanted = [(5, heard("quiet for five minutes")), (20, heard("blog bike"))]
    for some in (spoken, wanted):
        assert [
            one for one in of(Said, run(drifting(40), some)) if one.about == "unclear"
        ] == []


def test_a_fish_is_taken_back_only_when_that_is_said_twice():
    spoken = [(5, "log fish"), (10, "undo that"), (15, "undo that")]
    events = run(drifting(40), spoken)
    assert [one.t for one in of(Undone, events)] == [16.0]
    assert [one.text for one in of(Said, events)][-2:] == [
        wording.AGAIN_TO_UNDO_FISH,
        "fish taken back",
    ]
    late = [(5, "log fish"), (10, "undo that"), (30, "undo that")]
    other = [(5, "log fish"), (10, "undo that"), (12, "log bite"), (15, "undo that")]
    assert of(Undone, run(drifting(40), late)) == []
    assert [one.what for one in of(Undone, run(drifting(40), other))] == ["bite"]


def test_a_rod_is_forgotten_only_when_that_is_said_twice():
    once = of(Said, run(drifting(40), [(5, "forget rod two")]))
    twice = of(Said, run(drifting(40), [(5, "forget rod two"), (9, "forget rod two")]))
    changed = of(
        Said,
        run(
            drifting(40),
            [(5, "forget rod two"), (9, "no three"), (14, "forget rod three")],
        ),
    )
    assert once[-1].text == "number two? repeat to forget it"
    assert twice[-1].text == "number two forgotten"
    assert [one.text for one in changed[-2:]] == [
        "number three? repeat to forget it",
        "number three forgotten",
    ]


def test_a_value_in_doubt_is_said_back_with_what_else_it_may_be():
    doubtful = heard("log fish seven pounds", doubt="log fish seven and a half pounds")
    said = of(
        Said, run(drifting(40), [(5, doubtful), (12, "no seven and a half pounds")])
    )
    assert [one.text for one in said[-2:]] == [
        "fish seven pounds, or seven pounds eight",
        "fish seven pounds eight",
    ]


def test_the_rest_of_a_command_amends_it():
    """ "Log fish", a moment's thought, "eight pounds": words that begin soon after the first were taken."""
    spoken = [
        (5, "log fish"), (6, heard("eight pounds")), (7, heard("two ounces")),
        (20, "mark a ledge"), (21, heard("at nine feet")),
    ]  # fmt: skip
    events = run(drifting(60), spoken)
    fish, heavier, heaviest, mark, deeper = of(Logged, events)
    assert [one.number for one in of(Undone, events)] == [
        fish.number,
        heavier.number,
        mark.number,
    ]
    assert heavier.size == pytest.approx(8 * POUND, abs=0.001)
    assert heaviest.size == pytest.approx(8 * POUND + 2 * OUNCE, abs=0.001)
    assert (fish.lure_at, fish.boat) == (heaviest.lure_at, heaviest.boat)
    assert (mark.size, deeper.size, deeper.boat) == (
        None,
        pytest.approx(9 * FOOT, abs=0.001),
        mark.boat,
    )
    assert [one.text for one in of(Said, events) if one.about == "answer"][:3] == [
        "fish", "fish eight pounds", "fish eight pounds two",
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("first", "rest", "later"),
    [
        ("log fish", "eight pounds", 1.2),
        ("log bite", "eight feet", 1.0),
        ("log fish", "eight feet", 1.0),
    ],
)
def test_what_comes_later_or_does_not_fit_is_talk(first, rest, later):
    events = run(drifting(40), [(5, first), (5 + later, heard(rest))])
    assert len(of(Logged, events)) == 1
    assert of(Heard, events)[-1].reason == "no command that goes on so"
    assert [one for one in of(Said, events) if one.about == "unclear"] == []


def test_a_line_that_breaks_ends_the_cast_where_the_lure_was():
    cast, lost = of(
        Logged, run(drifting(80), [(5, "cast three o'clock"), (20, "broke off")])
    )
    assert (cast.what, lost.what) == ("cast", "broke off")
    assert lost.lure_at is not None
    said = of(
        Said,
        run(drifting(80), [(5, "cast now"), (20, "broke off"), (30, "lure depth")]),
    )
    assert said[-1].text.startswith("it gets to"), "no lure is on its way"


def test_wood_stands_above_the_bottom_and_a_touch_of_it_says_so():
    heading = b"".join(tagged(t, "IIHDT,000.0,T") for t in range(119, 122))
    spoken = [
        (125, "cast twelve o'clock"),
        (132, "hit wood"),
        (140, "cast twelve o'clock"),
        (160, "hit rock"),
    ]
    _, wood, _, rock = of(Logged, run(mapped_then_still() + heading, spoken))
    assert (wood.detail, wood.model_depth) == ("wood", None)
    assert rock.detail == "rock"
    assert rock.lure_depth == rock.lure_bottom


def test_undo_takes_back_one_thing_after_the_other():
    spoken = [
        (5, "log bite"),
        (10, "touched bottom"),
        (15, "undo that"),
        (20, "undo that"),
        (25, "undo that"),
    ]
    events = run(recording(40, lambda _: 5.0), spoken)
    assert [(u.number, u.what) for u in of(Undone, events)] == [
        (2, "touch"),
        (1, "bite"),
    ]
    assert of(Said, events)[-1].text == "nothing to take back"


def test_a_wrong_number_is_put_right_and_what_was_logged_stays_marked():
    spoken = [(5, "mark tree top five feet"), (9, "no fifteen")]
    events = run(recording(20, lambda _: 5.0), spoken)
    assert [u.number for u in of(Undone, events)] == [1]
    first, second = of(Logged, events)
    assert (first.number, first.size) == (1, pytest.approx(5 * 0.3048))
    assert (second.number, second.size) == (2, pytest.approx(15 * 0.3048))
    assert second.boat == first.boat
    assert of(Said, events)[-1].text == "tree top fifteen feet"


class KeptAtOnce(KeepNothing):
    """The marks and level that were asked onto the disk at once, and those a power cut would have lost."""

    def __init__(self):
        self.kept, self.lost = [((), 0.0)], []

    def lakebed(self, t, bed, *, now=False, over=False):
        del over
        state = (
            tuple((m.kind, m.top) for area in bed.areas for m in area.marks),
            bed.level,
        )
        if now:
            self.kept.append(state)
        elif state != self.kept[-1]:
            self.lost.append((t, state))


@pytest.mark.parametrize(
    ("spoken", "marked", "level"),
    [
        ([(5, "mark tree top five feet"), (9, "no fifteen")], [15.0], 0.0),
        (
            [(5, "mark tree top five feet"), (9, "no fifteen"), (13, "undo that")],
            [],
            0.0,
        ),
        ([(5, "mark tree top five feet"), (9, "that was rod three")], [5.0], 0.0),
        ([(5, "water is up two feet"), (9, "no three")], [], 3.0),
    ],
)
def test_a_correction_is_asked_onto_the_disk_at_once(spoken, marked, level):
    keep = KeptAtOnce()
    run(recording(20, lambda _: 5.0), spoken, keep=keep)
    assert keep.lost == []
    tops, rise = keep.kept[-1]
    assert rise == pytest.approx(level * 0.3048)
    assert [top for _, top in tops] == pytest.approx([feet * 0.3048 for feet in marked])


def test_a_rod_put_right_takes_that_rod():
    events = run(recording(20, lambda _: 5.0), [(5, "rod two"), (9, "no three")])
    assert [r.rod for r in of(RodTaken, events)] == ["rod 1", "rod 2", "rod 3"]


@pytest.mark.parametrize(
    "spoken", [[(9, "no fifteen")], [(1, "rod two"), (38, "no three")]]
)
def test_nothing_is_put_right_without_a_command_just_before(spoken):
    events = run(recording(45, lambda _: 5.0), spoken)
    last = of(Heard, events)[-1]
    assert (last.command, last.reason) == (None, "nothing to put right")
    assert [said.t for said in of(Said, events) if said.t >= last.t] == [], (
        "it was talk, and is not answered"
    )


def test_a_bite_is_moved_to_another_rod_with_the_lure_where_that_one_had_it():
    spoken = [(5, "cast now"), (20, "log bite"), (25, "that was rod three")]
    events = run(recording(60, lambda _: 5.0), spoken)
    cast, bite, moved = of(Logged, events)
    assert (cast.rod, bite.rod, moved.rod) == ("rod 1", "rod 1", "rod 3")
    assert [u.number for u in of(Undone, events)] == [bite.number]
    assert moved.lure_depth != bite.lure_depth
    assert of(RodTaken, events)[-1].rod == "rod 3"
    nothing = run(recording(20, lambda _: 5.0), [(5, "that was rod three")])
    assert of(Said, nothing)[-1].text == "nothing logged to put right"


def test_after_an_undo_there_is_nothing_to_put_right():
    events = run(
        recording(30, lambda _: 5.0),
        [(5, "mark tree top two feet"), (9, "undo that"), (13, "no three")],
    )
    assert of(Heard, events)[-1].reason == "nothing to put right"
    assert len(of(Logged, events)) == 1


def test_a_short_cast_is_logged_with_its_length_and_its_lure_is_nearer():
    spoken = [(5, "cast short two o'clock"), (12, "log bite")]
    cast, bite = of(Logged, run(recording(30, lambda _: 5.0), spoken))
    assert 0.5 < cast.size / SETTINGS.rods[0].cast < 0.8
    assert cast.detail == "two o'clock"
    _, full = of(
        Logged,
        run(recording(30, lambda _: 5.0), [(5, "cast two o'clock"), (12, "log bite")]),
    )
    assert full.lure_depth != bite.lure_depth


def test_a_mark_off_the_bow_lies_there():
    said = "mark a tree top twenty yards three o'clock"
    data = recording(20, lambda _: 5.0) + b"".join(
        tagged(20 + t, "IIHDT,090.0,T") for t in range(3)
    )
    (mark,) = of(Logged, run(data + rmc(23) + dpt(23, 5.0), [(22, said)]))
    away, bearing = range_and_bearing(
        mark.boat.lat, mark.boat.lon, mark.at.lat, mark.at.lon
    )
    assert away == pytest.approx(20 * 0.9144, abs=0.05)
    assert mark.detail == "tree top"
    assert mark.at.radius == round(off_the_bow(0.0, 0.0, 90.0, 20 * 0.9144, 3)[2], 1)
    assert bearing == pytest.approx(180.0, abs=0.1)


def test_words_that_are_no_phrase_are_told_and_not_taken():
    events = run(recording(20, lambda _: 5.0), [(5, "log bite please"), (10, "[unk]")])
    assert [(h.command, h.reason) for h in of(Heard, events)] == [
        (None, "not one of the phrases"),
        (None, "no words made out"),
    ]
    assert not of(Logged, events)


def test_quiet_silences_advice_but_not_answers():
    data = recording(120, lambda t: 9.0 if t < 30 else 3.0)
    events = run(
        data,
        [(5, "quiet for five minutes"), (60, "how deep"), (80, "start talking again")],
    )
    assert of(Match, events)[-1].state == "touch"
    assert [
        s.text for s in of(Said, events) if s.about == "match" and 6 < s.t < 80
    ] == []
    assert "10 feet under us" in [s.text for s in of(Said, events)]


def test_say_again_repeats_the_last_line():
    events = run(recording(20, lambda _: 5.0), [(5, "how deep"), (10, "say again")])
    texts = [s.text for s in of(Said, events)]
    assert texts[-1] == texts[-2] == "16 feet under us"


def test_what_was_not_said_lately_is_not_said_again():
    events = run(recording(80, lambda _: 5.0), [(5, "how deep"), (70, "say again")])
    last = of(Heard, events)[-1]
    assert (last.command, last.reason) == (None, "nothing was said lately")
    assert [said for said in of(Said, events) if said.t >= last.t] == []


def test_the_lure_stands_still_while_the_reel_does():
    cast, plain, stop = (5, "cast two o'clock"), (24, "log bite"), (15, "all stopped")
    radius = {}
    for name, told in {
        "plain": [],
        "stopped": [stop],
        "going": [stop, (20, "going again")],
    }.items():
        *_, bite = of(Logged, run(recording(30, lambda _: 5.0), [cast, *told, plain]))
        radius[name] = bite.lure_at.radius
    later = min(radius["stopped"], radius["going"]) - radius["plain"]
    assert later > 4.0, (
        "further out by the line not reeled in; as no heading tells the way, it is all radius"
    )


def test_a_tip_held_down_lets_the_lure_go_deeper_until_it_is_held_as_usual():
    spoken = [(5, "rod tip down"), (9, "rod tip up"), (13, "rod tip normal")]
    before, down, up, after = of(RodTaken, run(recording(20, lambda _: 5.0), spoken))
    assert down.reach > before.reach + 0.2
    assert up.reach < before.reach - 0.4
    assert after.reach == before.reach


def test_a_tip_is_held_otherwise_for_the_cast_under_way_too():
    cast, bite = (5, "cast two o'clock"), (24, "log bite")
    depths = []
    for told in ([], [(9, "rod tip down")]):
        *_, thing = of(Logged, run(recording(30, lambda _: 5.0), [cast, *told, bite]))
        depths.append(thing.lure_depth)
    assert depths[1] > depths[0] + 0.1


def test_stopped_and_going_again_are_talk_where_they_mean_nothing():
    spoken = [
        (4, "stopped now"),
        (8, "cast now"),
        (12, "moving again"),
        (16, "stopped now"),
        (20, "moving again"),
    ]
    heard = of(Heard, run(recording(30, lambda _: 5.0), spoken))
    assert [h.reason for h in heard] == [
        "no cast under way",
        None,
        "no stop was told",
        None,
        None,
    ]


def test_a_current_told_by_the_hour_is_noted_and_no_current_ends_it():
    data = recording(20, lambda _: 5.0) + b"".join(
        tagged(20 + t, "IIHDT,090.0,T") for t in range(9)
    )
    spoken = [
        (3, "no current"),
        (22, "current half a knot two o'clock"),
        (26, "no current"),
    ]
    events = run(data + rmc(30) + dpt(30, 5.0), spoken)
    assert [h.reason for h in of(Heard, events)] == ["no current was told", None, None]
    told = [n.text for n in of(Notice, events) if n.text.startswith("current")]
    assert told == [
        "current 0.26 m/s towards 150 degrees",
        "current 0.00 m/s towards 0 degrees",
    ]
    assert [s.text for s in of(Said, events)] == [
        "half a knot two",
        "noted, still water",
    ]


def test_what_is_logged_keeps_the_speed_that_a_log_told():
    data = b"".join(rmc(t) + dpt(t, 5.0) for t in range(10))
    by_log = data + tagged(10, "VWVHW,,,090.0,M,1.50,N,,") + rmc(11) + dpt(11, 5.0)
    (bite,) = of(Logged, run(by_log, [(11, "log bite")]))
    assert bite.water_speed == pytest.approx(1.5 * 1852 / 3600, abs=0.005)
    (bite,) = of(Logged, run(data, [(9, "log bite")]))
    assert bite.water_speed is None


def test_a_cast_that_touched_before_its_reel_stopped_teaches_nothing_more():
    said = [
        (125, "cast twelve o'clock"),
        (132, "touched bottom"),
        (136, "stopped now"),
        (140, "going again"),
    ]
    told = [spoken_at(*one) for one in [*said, (150, "reeled in")]]
    assert len(of(Learned, run_with(with_a_heading(), told))) == 1


def test_words_spoken_before_the_first_sentence_are_heard_at_the_start():
    events = run(recording(10, lambda _: 5.0), [(-30, "log bite")])
    assert of(Logged, events)[0].t == 0.0


def test_words_after_the_end_of_the_recording_are_not_lost():
    events = run(recording(10, lambda _: 5.0), [(60, "log bite")])
    assert [e.what for e in of(Logged, events)] == ["bite"]
    assert isinstance(events[-1], TripEnded)


def test_every_command_is_answered_once_and_within_three_seconds_of_speech():
    samples = {type(GRAMMAR.parse(p)): p for p in reversed(GRAMMAR.phrases)}
    for command, phrase in samples.items():
        before = [(2, "how deep"), (4, "cast now"), (6, "stopped now")]
        events = run(recording(20, lambda _: 5.0), [*before, (8, phrase)])
        answers = [s for s in of(Said, events) if s.about == "answer" and s.t >= 8]
        assert len(answers) == 1, phrase
        if command is not WhatCanISay:
            assert len(answers[0].text.split()) <= 9, answers[0].text


def test_no_answer_holds_a_phrase_that_it_could_be_taken_for():
    samples = {type(GRAMMAR.parse(p)): p for p in reversed(GRAMMAR.phrases)}
    samples.pop(WhatCanISay)
    for phrase in samples.values():
        for said in of(Said, run(recording(20, lambda _: 5.0), [(8, phrase)])):
            assert not echoes(GRAMMAR, said.text), said.text


DATA = recording(40, lambda t: 7.0 if t < 20 else 3.0)
SPOKEN = [(3, "log bite"), (12, "rod two"), (30, "undo that")]


@settings(max_examples=25, deadline=None)
@given(st.lists(st.integers(0, len(DATA)), max_size=30))
def test_how_the_bytes_are_cut_changes_nothing(cuts):
    assert run(DATA, SPOKEN, cuts) == run(DATA, SPOKEN)


def decided(seconds_late, t=132.0, spoken_until=0.9):
    """An utterance "touched bottom" at t, decided so long after its last word."""
    began = START + timedelta(seconds=t)
    hearing = Hearing("touched bottom", spoke=(0.2, spoken_until))
    return Utterance(
        began,
        began + timedelta(seconds=spoken_until + seconds_late),
        lambda: hearing,
        "t.flac",
    )


def run_with(data, utterances):
    events = []
    engine = engine_with(utterances, events.append)
    engine.chunk(Chunk(0.0, "sonar", data))
    engine.finish()
    return events


def engine_with(utterances, emit):
    """Return an engine over a map of its own, with utterances that wait."""
    deck = Deck(SETTINGS.rods)
    deck._paths.update(shared_deck_paths())
    bed = Bed()
    deck.ground = Mapped(bed)
    sensing = Sensing({}, BoatOffsets(transducer=0.0))
    engine = Engine("a test", sensing, deck, GRAMMAR, "feet", emit, bed)
    for utterance in utterances:
        engine.utterance(utterance)
    return engine


def spoken_at(t, words):
    began = START + timedelta(seconds=t)
    return Utterance(began, began + timedelta(seconds=1), lambda: words, f"{t}.flac")


def with_a_heading():
    lines = mapped_then_still().splitlines(keepends=True)
    return b"".join(
        line + (tagged(n // 2, "IIHDT,000.0,T") if n % 2 else b"")
        for n, line in enumerate(lines)
    )


def cast_and(touch):
    began = START + timedelta(seconds=125)
    cast = Utterance(
        began, began + timedelta(seconds=1), lambda: "cast twelve o'clock", "c.flac"
    )
    return run_with(with_a_heading(), [cast, *touch])


@pytest.mark.parametrize(
    ("words", "answer"),
    [
        ("mark tree top fifteen feet", "tree top fifteen feet, but bottom is 13 feet"),
        ("mark tree top eleven feet", "tree top eleven feet"),
    ],
)
def test_a_top_below_the_bottom_is_answered_with_how_deep_that_is(words, answer):
    events = run(recording(20, lambda _: 4.0), [(10, words)])
    assert answer in [s.text for s in of(Said, events)]


def foretold_after(*words):
    """What the glance foretells of a cast after words on it, and once it is over."""
    said = [
        spoken_at(125 + 4 * n, one)
        for n, one in enumerate(["cast twelve o'clock", *words])
    ]
    engine = engine_with(said, lambda _: None)
    engine.chunk(Chunk(0.0, "sonar", with_a_heading()))
    assert engine.glance(engine.now + 300.0).foretold is None
    return engine.glance(engine.now).foretold


def test_the_glance_foretells_the_cast_as_it_is_fished_by_now():
    as_called = foretold_after()
    assert (as_called.cast, as_called.rod) == (1, "rod 1")
    assert foretold_after("rod tip up").margin > as_called.margin + 0.3
    assert foretold_after("that was rod three").rod == "rod 3"


def test_what_is_decided_in_time_is_learned_from():
    events = cast_and([decided(0.8)])
    assert len(of(Learned, events)) == 1
    assert "late" not in " ".join(e.text for e in of(Said, events))


def test_what_is_decided_late_is_dated_by_its_words_and_not_learned_from():
    (_, prompt), (_, late) = (of(Logged, cast_and([decided(s)])) for s in (0.8, 3.0))
    events = cast_and([decided(3.0)])
    assert not of(Learned, events)
    assert (late.lure_at.lat, late.lure_at.lon, late.model_depth) == (
        prompt.lure_at.lat,
        prompt.lure_at.lon,
        prompt.model_depth,
    )
    assert "understood 3.0 s late: not learned from" in [
        e.text for e in of(Notice, events)
    ]
    assert [e.text for e in of(Said, events)].count(wording.HEARD_LATE) == 1


def test_lateness_is_said_once():
    events = cast_and([decided(3.0), decided(2.0, 137.0), decided(2.0, 142.0)])
    assert [e.text for e in of(Said, events)].count(wording.HEARD_LATE) == 1
    assert sum("late" in e.text for e in of(Notice, events)) == 3


def test_a_late_touch_ends_what_its_cast_teaches():
    events = cast_and([decided(3.0)])
    reeled = START + timedelta(seconds=150)
    then = Utterance(
        reeled, reeled + timedelta(seconds=1), lambda: "reeled in", "r.flac"
    )
    assert not of(Learned, events)
    assert not of(Learned, cast_and([decided(3.0), then]))
    assert of(Learned, cast_and([then])), "without the touch it would have taught"


def test_a_place_told_from_a_fast_or_a_late_boat_is_less_sure():
    at = BoatState(t=0.0, lat=45.0, lon=-93.0, speed=2.5)
    slow = msgspec.structs.replace(at, speed=0.2)

    def radius(boat, late=0.0):
        return Moment(0.0, 0.0, None, boat, boat, late=late).fix.radius

    assert radius(slow) < radius(at) < radius(at, late=2.0) < radius(at, late=4.0)


def own(t: float, body: str) -> Chunk:
    at = round((START + timedelta(seconds=t)).timestamp() * 1000)
    line = stamped(body_sentence(body), OWN_SOURCE, at)
    return Chunk(0.0, "recording", line, own=True)


def solved_later(solved_at: dict[int, tuple[float, ...]], spoken=()):
    """Return the events of 20 s over 6 m of water in which what is solved comes at these times."""
    events: list = []
    sensing = Sensing({}, BoatOffsets(transducer=0.0))
    engine = Engine(
        "later", sensing, Deck(SETTINGS.rods), GRAMMAR, "feet", events.append
    )
    engine.chunk(own(0.0, signal_body(SOLVES_LATER)))
    for second in range(20):
        for t in solved_at.get(second, ()):
            engine.chunk(own(t, signal_body(SOLVED)))
        for t, words in spoken:
            if second <= t < second + 1:
                began = START + timedelta(seconds=t)
                ended = began + timedelta(seconds=0.5)
                engine.utterance(Utterance(began, ended, lambda w=words: w))
        engine.chunk(Chunk(0.0, "sonar", rmc(float(second)) + dpt(second, 6.0)))
    engine.finish()
    return events


def test_depths_are_read_while_the_rods_are_not_known_yet():
    events = solved_later({8: (8.0,)})
    assert of(TripBegan, events)[0].t == 0.0
    assert of(RodTaken, events)[0].t == 8.0
    assert of(Match, events)[0].t >= 8.0
    early = solved_later({1: (1.0,)})
    assert of(RodTaken, early)[0].reach == of(RodTaken, events)[0].reach


def test_a_rod_that_nothing_was_said_of_is_not_solved_at_the_end():
    assert not of(RodTaken, solved_later({}))


def test_what_is_said_meanwhile_is_heard_when_the_rods_are_known():
    spoken = [(3.0, "log bite"), (4.0, "how deep")]
    events = solved_later({8: (8.0,)}, spoken)
    assert [heard.t for heard in of(Heard, events)] == [8.0, 8.0]
    assert [logged.what for logged in of(Logged, events)] == ["bite"]
    assert not [n for n in of(Notice, events) if "late" in n.text]
    at_the_end = solved_later({}, spoken)
    assert [logged.what for logged in of(Logged, at_the_end)] == ["bite"]
    assert of(RodTaken, at_the_end)


def test_a_tip_is_held_up_and_what_follows_waits_until_its_table_is_there():
    spoken = [(3.0, "rod tip up"), (4.0, "how deep")]
    events = solved_later({1: (1.0,), 9: (9.0,)}, spoken)
    usual, up = of(RodTaken, events)
    assert (usual.t, up.t) == (1.0, 9.0)
    assert up.reach < usual.reach
    assert [round(heard.t, 1) for heard in of(Heard, events)] == [3.5, 9.0]
    assert (
        next(said.text for said in of(Said, events) if said.about == "answer")
        == "held up"
    )


def test_a_stop_of_the_reel_is_carried_out_when_its_ways_are_solved():
    spoken = [(3.0, "cast now"), (9.0, "stopped now")]
    events = solved_later({1: (1.0,), 12: (12.0,)}, spoken)
    answers = [(s.t, s.text) for s in of(Said, events) if s.about == "answer"]
    assert (12.0, "stop noted") in answers


def test_the_depth_that_is_there_is_matched_as_soon_as_the_rods_are_known():
    events: list = []
    sensing = Sensing({}, BoatOffsets(transducer=0.0))
    deck = Deck(SETTINGS.rods)
    engine = Engine("once", sensing, deck, GRAMMAR, "feet", events.append)
    engine.chunk(own(0.0, signal_body(SOLVES_LATER)))
    for tenth in range(20):
        engine.chunk(Chunk(0.0, "sonar", dpt(0.1 * tenth, 6.0)))
    engine.chunk(own(2.5, signal_body(SOLVED)))
    assert [match.t for match in of(Match, events)] == [2.5]


class EverywhereAt(Unmapped):
    """A ground mapped at one depth, m."""

    def __init__(self, depth):
        self._depth = depth

    def spots(self, places):
        return Ray(np.full(len(places), self._depth), np.full(len(places), 0.1))


@pytest.mark.parametrize(("ground", "bottom"), [(EverywhereAt(4.0), 4.0), (None, 9.0)])
def test_a_glance_tells_which_bottom_the_rods_are_matched_against(ground, bottom):
    deck = Deck(SETTINGS.rods, ground=ground)
    deck._paths.update(shared_deck_paths())
    sensing = Sensing({}, BoatOffsets(transducer=0.0))
    engine = Engine("a test", sensing, deck, GRAMMAR, "feet", lambda _: None)
    bow = tagged(0.0, "HEHDT,10.0,T")
    engine.chunk(Chunk(0.0, "sonar", bow + recording(4.0, lambda _: 9.0)))
    seen = engine.glance(engine.now)
    assert (seen.depth, seen.ahead) == (9.0, ground is not None)
    assert all(
        rod.margin == pytest.approx(bottom - rod.reach, abs=0.002) for rod in seen.rods
    )
