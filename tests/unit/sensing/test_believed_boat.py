"""The boat as all see it: believed depth, way made good, and how it was a little while ago."""

import pytest

from companion.sensing import Chunk, Sensing, SourceSettings
from companion.sensing.believed_boat import HISTORY_S, BelievedBoat
from companion.sensing.localplane import moved, range_and_bearing

HERE = (45.0, -93.0)


def degrees(value, signs, width):
    whole = int(abs(value))
    minutes = (abs(value) - whole) * 60.0
    return f"{whole:0{width}d}{minutes:09.6f},{signs[value < 0]}"


@pytest.fixture
def sail(nmea):
    """Feed a boat a sentence each of place and depth a second; return it, and the verdicts."""

    def sail(seconds, *, place=None, depth=lambda _t: 6.0, extra=(), offset="0.4"):
        sensing = Sensing({"boat": SourceSettings(time="arrival")})
        boat, verdicts = BelievedBoat(sensing), []
        for t in range(seconds):
            bodies = list(extra)
            if place is not None:
                lat, lon = place(t)
                bodies.append(
                    f"GPGLL,{degrees(lat, 'NS', 2)},{degrees(lon, 'EW', 3)},{120000 + t % 60:06d}.00,A"
                )
            if depth(t) is not None:
                bodies.append(f"SDDPT,{depth(t):.2f},{offset}")
            for at, reading in sensing.feed(Chunk(float(t), "boat", nmea(*bodies))):
                verdict = boat.accept_reading(at, reading)
                if verdict is not None:
                    verdicts.append(verdict)
        return boat, verdicts

    return sail


def north_at(speed):
    return lambda t: moved(*HERE, 0.0, speed * t)


def test_depth_is_below_the_surface_and_below_the_transducer(sail):
    boat, verdicts = sail(10)
    state = boat.at(9.0)
    assert (
        state.depth,
        state.depth_below_transducer,
        state.depth_age,
    ) == pytest.approx((6.4, 6.0, 0.0))
    assert [one.belief for one in verdicts] == ["believed"] * 10


def test_a_depth_that_is_not_known_is_no_ping(sail):
    boat, verdicts = sail(
        10, depth=lambda t: 6.0 if t < 5 else None, extra=("SDDPT,,",)
    )
    assert len(verdicts) == 5
    assert boat.at(4.5).depth == pytest.approx(6.4)


def test_a_false_echo_leaves_the_believed_depth_to_stand(sail):
    boat, verdicts = sail(10, depth=lambda t: 2.0 if t == 9 else 6.0)
    assert verdicts[-1].belief == "provisional"
    state = boat.at(9.0)
    assert (state.depth, state.depth_age) == pytest.approx((6.4, 1.0))
    assert state.depth_below_transducer == pytest.approx(6.0)
    assert boat.smoothed_depth(9.0) == pytest.approx(6.4)


def test_a_believed_depth_stands_for_some_missed_pings_and_no_longer(sail):
    boat, _ = sail(10)
    assert boat.at(9.0 + boat.oldest_depth).depth == pytest.approx(6.4)
    later = boat.at(9.0 + boat.oldest_depth + 0.1)
    assert (later.depth, later.depth_age, later.depth_below_transducer) == (
        None,
        None,
        None,
    )


def test_the_way_made_good_goes_before_what_the_receiver_says(sail):
    boat, _ = sail(30, place=north_at(1.5), extra=("GPVTG,90.0,T,,M,9.7,N,,K",))
    state = boat.at(29.0)
    assert boat.speed(29.0) == pytest.approx(1.5, abs=0.1)
    assert (state.course + 180.0) % 360.0 - 180.0 == pytest.approx(0.0, abs=10.0)
    assert 0.0 < state.course_error < 45.0
    alone, _ = sail(5, extra=("GPVTG,90.0,T,,M,9.7,N,,K",))
    assert alone.speed(4.0) == pytest.approx(9.7 * 1852.0 / 3600.0)
    assert alone.at(4.0).course is None, "nobody knows how sure that is"
    unknown, _ = sail(5)
    assert unknown.speed(4.0) is None


def test_the_boat_as_it_was(sail):
    boat, _ = sail(40, place=north_at(2.0), depth=lambda t: 5.0 + 0.1 * t)
    then = boat.before(30.0, 39.0, 30.0)
    assert range_and_bearing(*HERE, then.lat, then.lon)[0] == pytest.approx(
        60.0, abs=2.0
    )
    assert then.depth == pytest.approx(8.4)
    assert then.depth_age == pytest.approx(0.0)
    assert boat.before(30.7, 39.0, 30.7).depth == pytest.approx(8.4), (
        "the last ping before it"
    )
    assert boat.before(-1.0, 39.0, -1.0).depth == pytest.approx(5.4), (
        "the first where none was before"
    )
    now = boat.at(39.0)
    assert range_and_bearing(*HERE, now.lat, now.lon)[0] == pytest.approx(78.0, abs=2.0)


def test_the_bow_points_where_it_pointed_then(sail, nmea):
    sensing = Sensing({"boat": SourceSettings(time="arrival")})
    boat = BelievedBoat(sensing)
    for t in range(100):
        turned = f"HEHDT,{20.0 * t % 360.0:.1f},T"
        for at, reading in sensing.feed(Chunk(float(t), "boat", nmea(turned))):
            boat.accept_reading(at, reading)
    assert boat.at(99.0).heading == 20.0 * 99 % 360
    assert boat.before(95.8, 99.0, 96.5).heading == 20.0 * 96 % 360
    assert boat.before(10.0, 99.0, 10.0).heading == 20.0 * 99 % 360, (
        "that is forgotten: as it is now"
    )
    assert boat.before(95.8, 99.0 + 60.0, 96.5).heading is None, (
        "a heading that is no longer told is none"
    )
    without, _ = sail(10)
    assert without.before(5.0, 9.0, 5.0).heading is None


def test_the_past_ends_after_a_minute(sail):
    boat, _ = sail(100, depth=lambda t: 5.0 + 0.02 * t)
    oldest = 99 - HISTORY_S
    assert boat.before(oldest + 10.0, 99.0, 99.0).depth == pytest.approx(
        5.4 + 0.02 * (oldest + 10.0), abs=0.006
    )
    # Further back nothing is kept, and the oldest that is kept is too far from it to
    # stand for it.
    assert boat.before(10.0, 99.0, 99.0).depth == pytest.approx(
        5.4 + 0.02 * oldest, abs=0.006
    )


def test_without_a_place_the_past_has_none(sail):
    boat, _ = sail(10)
    then = boat.before(5.0, 9.0, 5.0)
    assert (then.lat, then.lon) == (None, None)
    assert BelievedBoat(Sensing({})).before(5.0, 9.0, 5.0).depth is None


def test_a_trip_that_ends_settles_what_waits(sail):
    boat, _ = sail(10, depth=lambda t: 2.0 if t == 9 else 6.0)
    assert [(one.number, one.reason) for one in boat.finish()] == [
        (9, "never confirmed")
    ]
