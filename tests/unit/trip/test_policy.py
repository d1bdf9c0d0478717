"""When a line nobody asked for may be spoken."""

import pytest

from companion.trip.policy import (
    AFTER_COMMAND_S,
    APART_S,
    DIG_APART_S,
    LINES_APART_S,
    NO_ROD_REACHES,
    TRAVELLING_MPS,
    SpeechPolicy,
)

SILENT = SpeechPolicy()


def test_volunteered_lines_keep_apart():
    spoken = SILENT.with_spoken(0.0, "match")
    assert not spoken.allows(LINES_APART_S - 0.1, "water")
    assert spoken.allows(LINES_APART_S, "water")


@pytest.mark.parametrize("kind", sorted(APART_S))
def test_lines_of_one_kind_keep_further_apart(kind):
    spoken = SILENT.with_spoken(0.0, kind)
    assert spoken.next_at(kind) == APART_S[kind]
    assert not spoken.allows(APART_S[kind] - 0.1, kind)
    assert spoken.allows(APART_S[kind], kind)


def test_a_match_is_not_taken_back_within_ten_seconds():
    assert APART_S["match"] > 10.0


def test_a_danger_goes_before_all_but_quiet():
    spoken = SILENT.with_spoken(0.0, "match")
    assert spoken.allows(0.1, "danger", casting=True, speed=9.0)
    quiet = spoken.with_quiet(1.0, 5.0)
    assert not quiet.allows(2.0, "danger", casting=True)
    assert quiet.allows(301.0, "danger", casting=True)


def test_during_a_foretold_cast_only_dangers_are_told():
    assert not SILENT.allows(0.0, "match", casting=True)
    assert not SILENT.allows(0.0, "cover", casting=True)


def test_nothing_is_volunteered_at_travelling_speed():
    assert SILENT.allows(0.0, "match", speed=TRAVELLING_MPS)
    assert SILENT.allows(0.0, "match", speed=None)
    assert not SILENT.allows(0.0, "match", speed=TRAVELLING_MPS + 0.1)
    assert SILENT._replace(travelling=5.0).allows(0.0, "match", speed=4.9)


def test_a_rod_just_taken_is_told_of_at_once():
    spoken = SILENT.with_spoken(0.0, "match").with_told(0.0, (True, None))
    assert not spoken.allows(1.0, "match")
    wanted = spoken.with_match_wanted()
    assert wanted.allows(1.0, "match")
    assert wanted.told is None
    assert not wanted.with_told(0.0, (True, None)).wanted


@pytest.mark.parametrize("kind", ["match", "cover", "water"])
def test_what_can_wait_leaves_the_angler_time_for_the_next_word(kind):
    commanded = SILENT.with_command(10.0)
    assert not commanded.allows(10.0 + AFTER_COMMAND_S - 0.1, kind)
    assert commanded.next_at(kind) == 10.0 + AFTER_COMMAND_S
    assert commanded.allows(10.0 + AFTER_COMMAND_S, kind)


def test_a_danger_what_is_lost_and_a_rod_just_taken_do_not_wait_after_a_command():
    commanded = SILENT.with_command(10.0)
    assert all(
        commanded.allows(10.1, kind)
        for kind in ("danger", "depth", "position", "notice")
    )
    assert commanded.with_match_wanted().allows(10.1, "match")


def test_that_no_rod_reaches_is_no_news_of_another_rod():
    assert (
        SILENT.with_told(0.0, NO_ROD_REACHES).with_match_wanted().told == NO_ROD_REACHES
    )
    assert SILENT.with_told(0.0, (False, 2)).with_match_wanted().told is None


def test_that_the_lure_digs_where_it_gets_down_is_told_once_in_ten_minutes():
    touches, digs, short = (True, None), (True, 0), (False, 2)
    told = SILENT.with_told(0.0, touches)
    assert told.is_news(1.0, digs)
    digging = told.with_told(1.0, digs)
    assert not digging.is_news(2.0, digs)
    assert not digging.is_news(2.0, touches), "it gets down as before"
    assert digging.is_news(2.0, short)
    again = digging.with_told(20.0, short).with_told(40.0, touches)
    assert not again.is_news(1.0 + DIG_APART_S - 0.1, digs)
    assert again.is_news(1.0 + DIG_APART_S, digs)
    assert digging.with_told(20.0, short).is_news(40.0, digs), (
        "where it did not get down, it is"
    )


def test_quiet_ends_when_it_is_taken_back():
    quiet = SILENT.with_quiet(0.0, 30.0)
    assert not quiet.allows(10.0, "match")
    assert quiet.with_quiet(11.0, 0.0).allows(11.0, "match")


def test_one_loose_plug_makes_one_word_when_it_goes_and_one_when_it_comes():
    lost = SILENT.with_note(100.0, "sonar lost")
    assert not lost.allows_note(130.0, "sonar lost")
    assert lost.allows_note(110.0, "sonar back")
    assert not lost.allows(115.0, "depth"), "the plug tells why"
    assert not lost.allows(115.0, "position")
    assert lost.allows(125.0, "depth")
    assert lost.allows_note(161.0, "sonar lost")
    assert SILENT.with_note(100.0, "sonar back").allows(115.0, "depth")
