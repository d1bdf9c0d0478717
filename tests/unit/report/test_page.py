"""The page as text: whole in itself, every link leads somewhere, and what was said cannot become markup."""

from __future__ import annotations

import dataclasses
import json
import re
from html.parser import HTMLParser
from xml.etree import ElementTree

import pytest

from companion.dive.evidence import Estimate
from companion.events import Heard, Match, Notice, Outlook
from companion.record.amendments import Amendment
from companion.record.own_clips import ClipTruth
from companion.report import clips
from companion.report.cards import cards
from companion.report.day import read_day
from companion.report.daymap import map_of
from companion.report.findings import findings
from companion.report.page import page
from companion.report.reach_charts import reach_over_time
from companion.report.rods import rod_stories
from companion.report.season import Outing, season_figures, season_page
from companion.report.summary import summary
from companion.report.timeline import timeline_of
from companion.units import Units

SVG = "{http://www.w3.org/2000/svg}"


class Page(HTMLParser):
    """Anchors, links, sources of anything fetched, and text of a page."""

    def __init__(self, text):
        super().__init__()
        self.ids, self.links, self.fetched, self.text, self.rows = [], [], [], [], {}
        self._silent = self._row = None
        self.feed(text)

    def handle_starttag(self, tag, attrs):
        named = dict(attrs)
        self.ids += [named["id"]] if "id" in named else []
        self.links += [named["href"]] if tag == "a" else []
        self.fetched += [
            named[key] for key in ("src", "srcset", "data", "poster") if key in named
        ]
        self.fetched += [named["href"]] if tag == "link" else []
        self._silent = tag if tag in ("script", "style") else self._silent
        if tag == "tr" and "id" in named:
            self._row = named["id"]
            self.rows[self._row] = ""

    def handle_endtag(self, tag):
        self._silent = None if tag == self._silent else self._silent
        self._row = None if tag == "tr" else self._row

    def handle_data(self, data):
        if self._silent is None:
            self.text.append(data)
            if self._row:
                self.rows[self._row] += data


@pytest.fixture
def fished(script):
    script.log(5.0, "mark", detail="ledge", size=4.5)
    script.cast(10.0, bite=True)
    script.log(50.0, "fish", size=1.4175)
    script.cast(120.0, rod="rod 2")
    script.log(130.0, "touch", rod="rod 2", lure_depth=3.2, lure_at=script_at(5.0, 9.0))
    script.events.append(
        Match(t=140.0, rod="rod 2", state="clear", by=1.0, depth=6.1, reach=5.1)
    )
    return script


def script_at(east, north):
    from companion.events import Fix

    return Fix(-47.2 + north / 111_190.0, -126.4 + east / 75_500.0, 6.0)


def test_every_link_leads_to_something_and_nothing_is_fetched(fished, found):
    made = Page(page(found(fished)))
    assert len(made.ids) == len(set(made.ids))
    assert made.links
    assert [
        link for link in made.links if link[0] != "#" or link[1:] not in made.ids
    ] == []
    assert [source for source in made.fetched if not source.startswith("data:")] == []


def test_every_event_of_the_trip_has_its_row(fished, found):
    out = found(fished)
    made = Page(page(out))
    assert {f"e{place}" for place in range(1, len(out.day.events) + 1)} <= set(made.ids)
    bite = out.day.of("bite")[0]
    row = made.rows[out.day.anchor(bite)]
    assert f"#{bite.number}" in row
    assert "15.7 ft" in row  # the lure, 4.8 m down
    assert "“log bite”" in row


def test_the_same_trip_gives_the_same_bytes(fished, book, kept):
    def made():
        day = read_day(book, trip)
        return page(findings(day, rod_stories(day, book), Units()))

    trip = kept(fished)
    assert made() == made()


def test_what_was_said_cannot_become_markup(script, found):
    evil = "</script><script>alert(1)</script><img src=x onerror=alert(2)>"
    script.log(10.0, "mark", detail=evil)
    script.events += [
        Heard(t=11.0, text=evil, clip="x.flac", reason=evil),
        Notice(t=12.0, text=evil),
    ]
    text = page(found(script, invented=evil))
    assert "<img" not in text
    assert "alert(1)</script>" not in text
    assert evil in "".join(Page(text).text)


def test_an_amended_thing_shows_both(fished, book, kept):
    trip = kept(fished)
    book.corrections.add(
        trip,
        Amendment(
            number=3, what="lost fish", note="at the boat", utc="2026-10-04T20:00:00Z"
        ),
    )
    book.corrections.add(trip, Amendment(number=7, taken_back=True))
    day = read_day(book, trip)
    made = Page(page(findings(day, rod_stories(day, book), Units())))
    row = made.rows[day.anchor(day.things[2].original)]
    assert "lost fish" in row
    assert "as logged: bite" in row
    assert "at the boat" in row
    assert "corrected 2026-10-04" in row
    assert "taken back afterwards" in made.rows[day.anchor(day.things[6].original)]
    assert "one entry was taken back" in "".join(made.text)


def test_an_empty_trip_has_a_report_too(book):
    with book.begin_trip("nothing") as trip:
        pass
    day = read_day(book, trip.id)
    text = page(findings(day, rod_stories(day, book), Units()))
    said = "".join(Page(text).text)
    assert "No cast was called, and no bite was logged." in said
    assert "There is nothing to draw" in said


def test_a_trip_without_position_or_depth_has_a_report_too(script, found):
    script.cast(10.0, bite=True, boat=None, bottom=None)
    for readings in (
        [(float(t), None, 5.0) for t in range(60)],
        [(float(t), None, None) for t in range(60)],
    ):
        assert "One cast called with one rod brought one bite" in summary(
            found(script, readings)
        )
        assert page(found(script, readings))


def test_the_summary_says_what_counts(fished, found):
    assert summary(found(fished)) == (
        "Saturday 3 October 2026: 10 minutes on the water, 0.5 miles along, over 17 to 23 ft of water at "
        "63 °F. Two casts called with two rods brought one bite (#3) and one fish in the boat. It (#5) "
        "weighed 3 lb 2 oz and came on rod 1 (12 lb), the lure about 16 ft down. The lure was felt to touch "
        "bottom once (#8); one place was marked (#1). Of eight things said, eight were taken "
        "for commands."
    )


def test_of_many_bites_and_touches_the_summary_names_the_first(script, found):
    for i in range(40):
        script.log(5.0 + i, "bite")
        script.log(5.5 + i, "touch")
    told = summary(found(script))
    assert "40 bites (#1, #3, #5," in told
    assert "touch bottom 40 times (#2, #4," in told
    assert "#30" not in told
    assert told.count("…") == 2


def test_a_wall_of_cards_is_folded(script, found):
    for i in range(40):
        script.log(5.0 + i, "bite")
    text = cards(found(script))
    opened, _, folded = text.partition("<details><summary>16 more</summary>")
    assert (opened.count("<article"), folded.count("<article")) == (24, 16)


def test_one_thing_said_is_one(script, found):
    script.log(5.0, "bite")
    assert "Of one thing said, one was taken for a command." in summary(found(script))


def parsed(chart):
    """A chart as XML."""
    return ElementTree.fromstring(
        chart.svg.replace("<svg ", '<svg xmlns="http://www.w3.org/2000/svg" ', 1)
    )


def things(chart, kind):
    """The links of a kind on a chart: where each leads, and where it stands."""
    return [
        (
            link.get("href"),
            tuple(
                map(
                    float, re.findall(r"[-\d.]+", link.find(f"{SVG}g").get("transform"))
                )
            ),
        )
        for link in parsed(chart).iter(f"{SVG}a")
        if link.get("data-kind") == kind
    ]


def test_a_catch_is_one_thing_in_one_place_and_leads_to_its_row(fished, found):
    """A bite and the fish it became: one sign where the lure was, one row, one card."""
    out = found(fished)
    drawn = map_of(out.day, out.ground, out.casts, out.catches, out.units)
    assert things(drawn, "bite") == []
    ((leads_to, (x, y)),) = things(drawn, "fish")
    assert leads_to == f"#{out.day.anchor(out.day.of('bite')[0])}"
    east, north = (
        x / drawn.data["scale"] + drawn.data["west"],
        drawn.data["north"] - y / drawn.data["scale"],
    )
    assert (east, north) == (pytest.approx(20.0, abs=0.3), pytest.approx(50.0, abs=0.3))
    made = Page(page(out))
    assert f"e{out.day.events.index(out.day.of('fish')[0]) + 1}" not in made.rows
    row = made.rows[leads_to[1:]]
    assert "#3" in row
    assert "#5" in row
    assert "fish, 3 lb 2 oz" in row
    assert page(out).count('<article class="card"') == 1


def test_a_fish_belongs_to_the_bite_it_names(script, found):
    script.cast(10.0, bite=True)
    bite = script.number - 1
    script.log(300.0, "fish", rod="rod 2", catch=bite)
    (catch,) = found(script).catches
    assert [one.what for one in catch.things] == ["bite", "fish"]
    assert catch.lure_depth == 4.8


def test_a_copy_without_places_has_none(fished, found):
    out = found(fished)
    told, kept = page(out), page(dataclasses.replace(out, places=False))
    places = re.compile(r"-?47\.[12]\d+|-?126\.[34]\d+")
    assert places.search(told)
    assert not places.search(kept)
    assert 'id="map-chart"' not in kept
    assert {"x", "y"} & set(
        json.loads(re.search(r'id="data">(.*?)</script>', kept)[1])["day"]
    ) == set()
    assert "fish, 3 lb 2 oz" in kept


def test_what_was_foretold_stands_beside_what_came(script, found):
    for i, (sureness, touches) in enumerate(
        [("will", True), ("will", False), ("may", None)]
    ):
        number = script.log(100.0 * i + 10.0, "cast", detail="twelve o'clock").number
        script.events.append(
            Outlook(
                t=100.0 * i + 10.0, cast=number, rod="rod 1", bearing=0.0, state="touch", sureness=sureness,
                chance=0.9, distance=20.0, seconds=9.0, contact=3.0, margin=-0.3, mapped=1.0,
            )
        )  # fmt: skip
        if touches:
            script.log(100.0 * i + 20.0, "touch", lure_depth=5.0)
        if touches is not None:
            script.log(100.0 * i + 40.0, "reeled in")
    out = found(script)
    assert [one.touched for one in out.forecasts] == [True, False, None]
    assert [(one.word, one.casts, one.touched) for one in out.hit_rates] == [
        ("will", 2, 1)
    ]
    text = " ".join("".join(Page(page(out)).text).split())
    assert "a touch will come21" in text
    assert "not told" in text


def test_sounds_go_in_as_far_as_there_is_room(tmp_path, monkeypatch):
    for name in ("a.flac", "b.flac", "c.flac"):
        (tmp_path / name).write_bytes(b"x" * 100)
    monkeypatch.setattr(clips, "MOST_SOUND_BYTES", 250)
    names = ["a.flac", "b.flac", "gone.flac", "c.flac", "../page.html"]
    assert list(clips.embedded(tmp_path, names, first=["c.flac"])) == [
        "a.flac",
        "c.flac",
    ]
    assert clips.embedded(None, names) == {}


def test_what_was_heard_is_told_right_by_its_number(fished, found):
    day = found(fished)
    said = [event for event in day.day.events if isinstance(event, Heard)]
    sounds = {event.clip: "data:audio/flac;base64,AA" for event in said[:-1]}
    plain = page(dataclasses.replace(day, clips=sounds))
    assert "data-heard" not in plain
    truths = {
        said[0].clip: ClipTruth(said=said[0].text, text=said[0].text, command="cast"),
        said[1].clip: ClipTruth(said="<b>", text=said[1].text, command="bite"),
        said[-1].clip: ClipTruth(said=None, text=said[-1].text, command=None),
    }
    html = page(
        dataclasses.replace(
            day, clips=sounds, telling='companion heard "a"', truths=truths
        )
    )
    numbers = re.findall(r'data-heard="(\d+)"', html)
    assert sorted(map(int, numbers)) == list(range(1, len(said)))
    assert 'data-command="companion heard &quot;a&quot;"' in html
    for tag in ("right", "it was “&lt;b&gt;”", "it was talk"):
        assert html.count(f'<span class="tag">{tag}</span>') == 1


def test_a_season_pools_its_trips(fished, found):
    one = Outing(found(fished), "one.db")
    made = Page(season_page([one, one._replace(logbook="two.db")], Units()))
    assert {"t1", "t2"} <= set(made.rows)
    assert [link for link in made.links if link[1:] not in made.ids] == []
    data = json.loads(json.dumps(season_figures([one, one])))
    by_rod = next(
        table for table in data["brought"]["lure hour"] if table["question"] == "rod"
    )
    half_a_minute = pytest.approx(2.0 * 30.0 / 3600.0, abs=1e-4)
    assert {
        row["class"]: (len(row["bites"]), len(row["casts"]), row["effort"])
        for row in by_rod["rows"]
    } == {
        "rod 1, 12 lb": (2, 2, half_a_minute),
        "rod 2, 20 lb": (0, 2, half_a_minute),
    }
    assert (
        "Of twenty tables in which nothing is going on, one points at something by chance"
        in "".join(made.text)
    )


def test_the_bands_of_rods_stand_side_by_side_over_a_season():
    band = Estimate(5.5, 4.5, 6.5)
    points = {
        name: [(1, "2026-10-03", 5.5, band)]
        for name in ("rod 1, 12 lb", "rod 2, 14 lb")
    }
    drawn = reach_over_time(points, ["1. 2026-10-03"], Units("metres"))
    bands = [
        re.match(r"M([\d.]+) ([\d.]+)V([\d.]+)", path.get("d"))
        for path in parsed(drawn).iter(f"{SVG}path")
    ]
    left, right = (tuple(map(float, found.groups())) for found in bands if found)
    assert right[0] - left[0] > 10.0
    assert left[1:] == right[1:]
    assert [link.get("href") for link in parsed(drawn).iter(f"{SVG}a")] == [
        "#t1",
        "#t1",
    ]


def test_what_has_no_place_is_named_beside_the_map(script, found):
    number = script.log(20.0, "bite", boat=None).number
    text = page(found(script))
    assert f'place was not known: <a href="#e4">#{number}</a>' in text
    assert "the day's own soundings" in text


def test_a_minute_without_depth_is_no_ground_and_a_catch_of_unknown_depth_is_not_at_the_surface(
    script, found, sounded
):
    script.log(300.0, "bite", lure_depth=None)
    readings = [
        (t, fix, None if 240.0 <= t < 300.0 else depth) for t, fix, depth in sounded
    ]
    out = found(script, readings)
    hero = re.search(r'<svg class="hero".*?</svg>', page(out), re.DOTALL)[0]
    first, last = 240.0 / 599.0 * 1200.0, 300.0 / 599.0 * 1200.0
    (unknown,) = re.findall(
        r'<rect class="" x="([\d.]+)" y="[\d.]+" width="([\d.]+)"[^>]*#unknown', hero
    )
    assert float(unknown[0]) == pytest.approx(first, abs=3.0)
    assert float(unknown[1]) == pytest.approx(last - first, abs=5.0)
    assert hero.count('<path class="ground"') == 2
    surface = float(re.search(r'<path class="surface" d="M0,([\d.]+) H', hero)[1])
    (ring,) = re.findall(r'<circle class="sign-open" cx="[\d.]+" cy="([\d.]+)"', hero)
    assert float(ring) + 6.0 < surface
    drawn = timeline_of(out.day, out.casts, out.catches, out.units)
    water = [
        part
        for part in parsed(drawn).iter(f"{SVG}path")
        if part.get("class") == "ground"
    ]
    assert len(water) == 2
    ((_, (_, y)),) = things(drawn, "bite")
    surface = next(
        part.get("d")
        for part in parsed(drawn).iter(f"{SVG}path")
        if part.get("class") == "surface"
    )
    assert y + 7.0 < float(re.match(r"M[\d.]+ ([\d.]+)H", surface)[1])


def test_the_map_tells_no_depth_where_nothing_is_known(fished, found, sounded, place):
    far = [(t + 600.0, place(300.0, north), 6.0) for t, north in enumerate(range(40))]
    out = found(fished, [*sounded, *far])
    grid = map_of(out.day, out.ground, out.casts, out.catches, out.units).data["grid"]
    assert None in grid["depth"]
    assert 0 not in grid["depth"]
    known = [a is None for a in grid["depth"]]
    assert [b is None for b in grid["within"]] == known


def test_a_season_has_one_map_of_all_days_and_how_often_each_word_was_right(
    fished, found
):
    one = Outing(found(fished), "one.db")
    text = season_page([one, one._replace(logbook="two.db")], Units())
    drawn = re.search(
        r'<svg class="chart drawing" id="map-chart".*?</svg>', text, re.DOTALL
    )[0]
    assert re.findall(r'<a class="thing" href="(#t\d)" data-kind="fish"', drawn) == [
        "#t1",
        "#t2",
    ]
    assert 'id="under-pointer"' in text
    assert season_figures([one])["foretold"] == []
