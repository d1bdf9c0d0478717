"""Which bite belongs to which cast, what is counted, and what the counts are said to bear."""

from __future__ import annotations

from zoneinfo import ZoneInfo

import numpy as np
import pytest

from companion import config
from companion.dive.evidence import NoTouch, Touch
from companion.events import Learned, level_notice
from companion.record.amendments import Amendment
from companion.report.cards import cards
from companion.report.casts import catches_of
from companion.report.counts import (
    CATCH_RATE_QUESTIONS,
    SEASON_QUESTIONS,
    Try,
    shown,
    tables,
)
from companion.report.day import read_day
from companion.report.figures import figures
from companion.report.findings import findings
from companion.report.rods import rod_stories
from companion.report.words import count, lasting
from companion.tackle import calibrations, rig_name
from companion.units import Units


def table(found, question):
    return next(one for one in found.tables if one.question == question)


def rows(found, question):
    return {
        row.label: (len(row.strikes), row.effort) for row in table(found, question).rows
    }


def test_a_bite_belongs_to_its_cast_and_the_fish_in_the_net_too(script, found):
    first = script.cast(10.0, bite=True)
    fish = script.log(50.0, "fish", size=1.4)  # ten seconds after it was reeled in
    second = script.cast(120.0)
    lone = script.log(400.0, "bite")
    out = found(script)
    assert [(c.event.number, [one.what for one in c.catches]) for c in out.casts] == [
        (first, ["bite", "fish"]),
        (second, []),
    ]
    assert [one.number for one in out.off] == [lone.number]
    assert [[one.what for one in hit.things] for hit in out.catches] == [
        ["bite", "fish"],
        ["bite"],
    ]
    assert out.best_fish.number == fish.number


def test_a_cast_is_over_where_its_lure_broke_off(script, found):
    """What is caught more than a minute later is none of it, and it is no time in the water."""
    call = script.log(10.0, "cast", detail="twelve o'clock")
    lost = script.log(25.0, "broke off")
    script.log(110.0, "bite")
    (cast,) = found(script).casts
    assert (cast.event, cast.ended, cast.reeled) == (call, 25.0, None)
    assert cast.touches == (lost,)
    assert cast.catches == ()


def test_a_bite_on_another_rod_is_not_the_casts(script, found):
    script.cast(10.0)
    script.log(20.0, "bite", rod="rod 2")
    assert found(script).casts[0].catches == ()


def test_two_bites_in_a_row_are_two_fish(script, found):
    script.log(10.0, "bite")
    script.log(20.0, "bite")
    script.log(25.0, "lost fish")
    assert [
        len(hit.things) for hit in catches_of(found(script).day.of("bite", "lost fish"))
    ] == [1, 2]


def test_casts_are_counted_by_rod_and_where_the_lure_worked(script, found):
    for i in range(4):
        script.cast(10.0 + 40.0 * i, bite=i == 0)
    script.cast(200.0, rod="rod 2")
    out = found(script)
    assert out.by == "cast"
    assert rows(out, "rod") == {"rod 1, 12 lb": (1, 4), "rod 2, 20 lb": (0, 1)}
    assert rows(out, "depth") == {"20 to 25 ft": (1, 5)}
    assert rows(out, "slope") == {"1. flat, less than 1 in 10": (1, 5)}
    assert rows(out, "structure") == {"nothing marked": (1, 5)}
    assert rows(out, "hour") == {
        "06:00 to 07:00": (1, 5)
    }  # eight hours behind UTC, so far out at sea


def test_a_mark_by_the_cast_is_its_structure(script, found, place):
    script.log(1.0, "mark", detail="rock pile", boat=None, at=place(0.0, 17.0))
    script.cast(10.0, bite=True)
    assert rows(found(script), "structure") == {"rock pile": (1, 1)}


def test_a_cast_whose_way_was_not_said_is_of_no_class_where_the_bottom_differs(
    script, found, place
):
    script.log(1.0, "mark", detail="rock pile", boat=None, at=place(0.0, 17.0))
    script.cast(10.0, hour=None)
    out = found(script)
    assert rows(out, "structure") == {}
    assert table(out, "structure").unknown.effort == 1


def test_without_casts_called_time_is_the_effort(script, found):
    script.log(100.0, "bite")
    out = found(script)
    assert out.by == "hour"
    assert sum(effort for _, effort in rows(out, "depth").values()) == pytest.approx(
        599 / 3600
    )
    assert sum(hits for hits, _ in rows(out, "depth").values()) == 1
    assert rows(out, "rod") == {"rod 1, 12 lb": (1, pytest.approx(599 / 3600))}


def test_few_counts_are_said_to_be_too_few(script, found):
    script.cast(10.0, bite=True)
    script.cast(60.0, rod="rod 2")
    out = found(script)
    assert {row.verdict for row in table(out, "rod").rows} == {"too few to tell"}
    assert not any(one.bears for one in out.tables)


def test_a_plain_difference_is_said(script, found):
    for i in range(12):
        script.cast(
            5.0 + 45.0 * i, bite=i % 2 == 0, rod="rod 1" if i % 2 == 0 else "rod 2"
        )
    assert {row.label: row.verdict for row in table(found(script), "rod").rows} == {
        "rod 1, 12 lb": "more than elsewhere",
        "rod 2, 20 lb": "fewer than elsewhere",
    }


def test_by_chance_alone_little_is_said_to_bear(script):
    """Bites at random over 8 rods: nothing should be said of them but one time in twenty."""
    rng = np.random.default_rng(7)
    thing = script.log(0.0, "bite")
    said = 0
    for _ in range(300):
        tries = [
            Try(
                dict.fromkeys(CATCH_RATE_QUESTIONS, f"rod {i % 8}"),
                1.0,
                (thing,) if hit else (),
            )
            for i, hit in enumerate(rng.random(80) < 0.25)
        ]
        said += tables(tries, "cast")[0].bears
    assert said <= 0.05 * 300


def test_a_thing_taken_back_or_corrected_counts_as_it_stands(script, book, kept):
    script.cast(10.0, bite=True)
    script.cast(60.0)
    trip = kept(script)
    book.corrections.add(trip, Amendment(number=2, taken_back=True))
    book.corrections.add(
        trip, Amendment(number=4, rod="rod 2", lure="deep dorrow", line="20 lb")
    )
    day = read_day(book, trip)
    out = findings(day, rod_stories(day, book), Units())
    assert rows(out, "rod") == {"rod 1, 12 lb": (0, 1), "rod 2, 20 lb": (0, 1)}
    told = {one["number"]: one for one in figures(out)["things"]}
    assert told[2]["stands"] is False
    assert told[2]["now"]["what"] == "bite"
    assert told[4]["as_logged"]["rod"] == "rod 1"


def test_lone_deep_echoes_are_not_believed_and_a_tree_top_is(script, found, sounded):
    echoes = [
        (t, fix, {100.0: 12.6, 200.0: 2.0, 300.0: None}.get(t, depth))
        for t, fix, depth in sounded
    ]
    track = found(script, echoes).day.track
    by_time = dict(zip(track.t, track.believed, strict=True))
    assert np.isnan(by_time[100.0])
    assert by_time[200.0] == 2.0
    assert np.isnan(by_time[300.0])
    assert np.isnan(track.believed).sum() == 2


def test_times_are_those_of_the_zone_asked_for(script, found):
    day = found(script, zone=ZoneInfo("America/Chicago")).day
    assert day.time_words(0.0) == "09:00"
    assert day.date == "Saturday 3 October 2026"


def test_what_was_believed_before_and_after_the_day(script, book, kept):
    settings = config.parse(config.example_text(), "the example")
    rod = settings.rods[0]
    script.events[0] = script.events[0].__class__(
        t=0.0, name="day", rods={"rod 1": f"{rod.lure.name} on {rod.line.name}"}
    )
    script.events[1:] = []
    first = Learned(
        t=30.0,
        rod="rod 1",
        lure=rod.lure.name,
        line=rod.line.name,
        reach=5.0,
        low=4.0,
        high=6.0,
        was=5.5,
        evidence=1,
    )
    script.events.append(first)
    learned = calibrations(settings.rods)[rod.lure.name]
    learned.learn(Touch(rig_name(rod), ((0.0, 4.5),)))
    book.keep_calibration("lure", rod.lure.name, learned.belief())
    trip = kept(script)
    learned.learn(NoTouch(rig_name(rod), ((0.0, 6.5),)))
    book.keep_calibration("lure", rod.lure.name, learned.belief(), trip=trip)
    (story,) = rod_stories(read_day(book, trip), book)
    rig = learned.belief().by_rig[rig_name(rod)]
    assert story.described == rig.before
    assert story.evening == rig.reach
    assert story.morning is not None
    assert story.morning != story.evening
    assert (story.touches, story.without_touch) == (1, 1)
    assert story.learned == (first,)


def test_numbers_in_words():
    feet, metres = Units("feet"), Units("metres")
    assert (feet.depth(3.048), metres.depth(3.048)) == ("10.0 ft", "3.0 m")
    assert feet.depth(None) == "not known"
    assert (feet.weight(1.4175), metres.weight(1.4175)) == ("3 lb 2 oz", "1.42 kg")
    assert (feet.distance(32.0), metres.distance(32.0)) == ("35 yd", "32 m")
    assert feet.temperature(17.0) == "63 °F"
    assert (lasting(60.0), lasting(1010.0), lasting(35_400.0)) == (
        "1 minute",
        "17 minutes",
        "9 h 50 min",
    )
    assert (count(0, "cast"), count(1, "cast"), count(12, "cast")) == (
        "no casts",
        "one cast",
        "12 casts",
    )


def test_casts_are_put_by_the_level_of_the_water_that_was_told(script, found):
    script.cast(10.0, bite=True)
    script.events.append(level_notice(100.0, None, 0.61))
    script.cast(120.0)
    out = found(script)
    asked = tables(out.tries, "lure hour", SEASON_QUESTIONS)
    by_level = next(one for one in asked if one.question == "level")
    assert [(shown(row.label), len(row.tries)) for row in by_level.rows] == [
        ("above the map's by up to 2 ft", 1)
    ]
    assert len(by_level.unknown.tries) == 1
    assert by_level.unknown.effort == pytest.approx(30.0 / 3600.0)


def test_wind_stands_on_the_card_and_in_the_season(script, found):
    script.cast(10.0, bite=True, wind_speed=4.0, wind_from=315)
    script.cast(100.0, wind_speed=9.0)
    script.cast(200.0)
    script.log(300.0, "fish", wind_speed=4.0, wind_from=315)
    day = found(script)
    assert "<dt>wind</dt><dd>9 mph from the north-west</dd>" in cards(day)
    by_wind = next(
        one
        for one in tables(day.tries, "cast", SEASON_QUESTIONS)
        if one.question == "wind"
    )
    assert [(shown(row.label), len(row.tries)) for row in by_wind.rows] == [
        ("5 to 10 mph", 1),
        ("20 to 25 mph", 1),
    ]
    assert len(by_wind.unknown.tries) == 1
