"""The invented day: the same for the same seed, true to itself, and written as a recorded day is."""

import json
import shutil
from datetime import timedelta

import msgspec
import numpy as np
import pytest

from companion import config
from companion.simulate.day import DAY_START, boat_settings, make_day
from companion.simulate.lake import Lake
from companion.voice.clips import clip_began, read_clip
from companion.voice.commands import Command
from companion.voice.grammar import Grammar, aboard
from companion.voice.sound import SAMPLE_RATE_HZ

MISSING = [p for p in ("espeak-ng", "flite") if shutil.which(p) is None]


@pytest.fixture(scope="module")
def day():
    return make_day(3)


@pytest.fixture(scope="module")
def lake():
    return Lake(3)


@pytest.fixture(scope="module")
def grammar():
    return Grammar(aboard(config.parse(boat_settings())))


def points(lake, cast):
    """Time, x, y and depth of the lure along a cast's way."""
    t, lat, lon, depth = np.array(cast["way"]).T
    return t, *lake.plane.to_metres(lat, lon), depth


def test_a_seed_gives_one_day(day):
    again = make_day(3)
    assert again.recording.data == day.recording.data
    assert json.dumps(again.truth) == json.dumps(day.truth)
    assert make_day(4).recording.data != day.recording.data


def test_it_is_as_long_and_as_talkative_as_a_demo_should_be(day):
    said = day.truth["utterances"]
    assert 12 * 60 < said[-1]["t"] < 20 * 60
    assert sum(s["command"] is not None for s in said) >= 25
    assert sum(s["command"] is None for s in said) >= 3
    assert len(day.truth["rods"]) == 4
    assert (
        len(
            {
                (r["lure"]["drag_area"], r["lure"]["lift_ratio"])
                for r in day.truth["rods"]
            }
        )
        == 1
    )
    assert len({r["line"]["diameter"] for r in day.truth["rods"]}) == 4


def test_the_words_are_commands_and_the_commands_can_be_read_back(day, grammar):
    for said in day.truth["utterances"]:
        command = grammar.parse(said["words"])
        if said["command"] is None:
            assert command is None
        else:
            assert msgspec.convert(said["command"], Command) == command


def test_what_the_brief_day_needs_is_said(day):
    words = " | ".join(s["words"] for s in day.truth["utterances"])
    for needed in (
        "log bite", "line seventeen", "rod two", "touched bottom", "mark tree top fifteen feet", "how deep",
        "undo that", "log fish three pounds two ounces", "which rod", "cast now", "reeled in", "say again",
    ):  # fmt: skip
        assert needed in words


def test_a_lure_goes_from_where_it_lands_to_the_boat(day, lake):
    for cast in day.truth["casts"]:
        t, x, y, depth = points(lake, cast)
        assert t[0] == pytest.approx(cast["landed"], abs=0.01)
        steps = np.hypot(np.diff(x), np.diff(y))
        assert steps.max() < 2.0  # m in one second
        assert np.hypot(x[0] - x[-1], y[0] - y[-1]) > 0.7 * cast["length"]
        assert depth[0] < 0.5
        assert 2.0 < cast["deepest"] < 6.0


def test_no_lure_goes_through_the_bottom(day, lake):
    for cast in day.truth["casts"]:
        _, x, y, depth = points(lake, cast)
        assert np.all(depth <= lake.bottom(x, y) + 0.12)


def test_touches_are_where_something_is(day, lake):
    met = [touch for cast in day.truth["casts"] for touch in cast["touches"]]
    assert any(touch["met"] == "bottom" for touch in met)
    for touch in met:
        lat, lon, depth = touch["lure"]
        x, y = lake.plane.to_metres(lat, lon)
        there = lake.bottom(x, y) if touch["met"] == "bottom" else lake.cover(x, y)
        assert depth == pytest.approx(float(there), abs=0.15)


def test_without_a_touch_there_is_water_below_the_lure(day, lake):
    for cast in (c for c in day.truth["casts"] if not c["touches"]):
        _, x, y, depth = points(lake, cast)
        assert np.all(depth < lake.cover(x, y))


def test_a_touch_is_called_after_it_and_a_bite_is_logged_where_the_lure_was(day):
    said = day.truth["utterances"]
    for cast in day.truth["casts"]:
        if cast["bite"]:
            logged = [
                s["t"]
                for s in said
                if s["words"] == "log bite" and s["t"] > cast["bite"]["t"]
            ]
            assert 0.5 < logged[0] - cast["bite"]["t"] < 6.0
    called = [s["t"] for s in said if s["words"] in ("touched bottom", "snagged up")]
    began = [touch["t"] for cast in day.truth["casts"] for touch in cast["touches"]]
    assert called
    for t in called:
        assert any(0.5 < t - b < 6.0 for b in began)


@pytest.mark.skipif(bool(MISSING), reason=f"not on this machine: {', '.join(MISSING)}")
def test_a_written_day_is_a_recorded_day(day, tmp_path):
    day.write(tmp_path)
    clips = sorted((tmp_path / "clips").glob("*.flac"))
    assert [c.name for c in clips] == [u["clip"] for u in day.truth["utterances"]]
    ends = [
        clip_began(c.name) + timedelta(seconds=len(read_clip(c)) / SAMPLE_RATE_HZ)
        for c in clips
    ]
    assert clip_began(clips[0].name) >= DAY_START
    for clip, before in zip(clips[1:], ends, strict=False):
        assert clip_began(clip.name) > before  # nobody talks over another
    assert config.load(tmp_path / "companion.toml").rods
    assert json.loads((tmp_path / "truth.json").read_text()) == json.loads(
        json.dumps(day.truth)
    )
    assert (
        "nothing in this folder happened"
        in (tmp_path / "README.md").read_text().lower()
    )
    assert sum(f.stat().st_size for f in tmp_path.rglob("*") if f.is_file()) < 6_000_000
    assert np.array_equal(read_clip(clips[0]), day.sound(0))
