"""Time: from tags, sentences, arrivals or nothing; logic time never goes back and UTC is not invented."""

import itertools
from datetime import UTC, date, datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st

from companion.sensing import (
    OLDEST_LIVE,
    Chunk,
    Depth,
    Position,
    Sensing,
    SourceSettings,
    Warned,
)
from companion.sensing.timebase import Anchors

PLACE = "4426.1130,N,07140.5596,W"


def rmc(time: str, day: str = "160906", status: str = "A", talker: str = "GP") -> str:
    return f"{talker}RMC,{time},{status},{PLACE},5.2,77.3,{day},,"


def gga(time: str, talker: str = "GP") -> str:
    return f"{talker}GGA,{time},{PLACE},1,08,1.2,100,M,-30,M,,"


def depth(metres: float = 5.0) -> str:
    return f"SDDPT,{metres},"


def times(readings: list, kind: type = Position) -> list[float]:
    return [t for t, r in readings if isinstance(r, kind)]


def warnings(readings: list) -> list[str]:
    return [r.text for _, r in readings if isinstance(r, Warned)]


@pytest.fixture
def run(nmea, take):
    def run(*bodies: str, **settings):
        sensing = Sensing({"boat": SourceSettings(**settings)})
        return take(sensing, nmea(*bodies)), sensing

    return run


def test_times_of_day_make_logic_time_and_dates_make_utc(run):
    readings, sensing = run(rmc("194101"), rmc("194102.50"), rmc("194142"))
    zero = times(readings)[0]
    assert times(readings) == [zero, zero + 1.5, zero + 41.0]
    assert sensing.utc(zero + 10.0) == datetime(2006, 9, 16, 19, 41, 11, tzinfo=UTC)
    assert sensing.at(datetime(2006, 9, 16, 19, 41, 11, tzinfo=UTC)) == pytest.approx(
        zero + 10.0
    )


def test_midnight_without_a_date_beside_it(run):
    readings, sensing = run(
        rmc("235958"),
        gga("235959"),
        gga("000000"),
        gga("000001"),
        rmc("000002", "170906"),
    )
    assert times(readings)[-1] - times(readings)[0] == 4.0
    assert sensing.utc(times(readings)[-1]) == datetime(
        2006, 9, 17, 0, 0, 2, tzinfo=UTC
    )
    assert warnings(readings) == []


def test_midnight_with_a_date_that_comes_late(run):
    readings, _ = run(
        rmc("235959"),
        gga("000000"),
        rmc("000000"),
        rmc("000001"),
        rmc("000002", "170906"),
    )
    assert times(readings)[-1] - times(readings)[0] == 3.0
    assert warnings(readings) == []


def test_undated_times_give_no_utc_until_a_date_comes(run):
    readings, sensing = run(gga("194101"), gga("194102"), gga("194103"))
    assert times(readings)[-1] == 2.0
    assert sensing.utc(2.0) is None
    readings, sensing = run(
        gga("194101"), gga("194102"), gga("194103"), rmc("194104"), gga("194105")
    )
    assert times(readings)[-1] == 4.0
    assert sensing.utc(0.0) == datetime(2006, 9, 16, 19, 41, 1, tzinfo=UTC)


def test_a_void_receiver_tells_no_date(run):
    assert run(rmc("194101", status="V"), rmc("194102", status="V"))[1].utc(1.0) is None


def test_a_date_1024_weeks_early_is_put_right_and_said_once(run):
    readings, sensing = run(
        rmc("050530", "151102"),
        rmc("050531", "151102"),
        "GPZDA,050532,15,11,2002,07,00",
    )
    assert sensing.utc(sensing.now).date() == date(2022, 7, 1)
    assert len(warnings(readings)) == 1
    assert sensing.dropped["date 1024 weeks early"] == 1
    genuine = run(rmc("050530", "151110"))[1]
    assert genuine.utc(genuine.now).date() == date(2010, 11, 15)
    live = run(rmc("050530", "170207"), not_before=date(2025, 1, 1))[1]
    assert live.utc(live.now).date() == date(2026, 10, 3)


def test_tags_tell_the_era_for_certain(tagged, take):
    sensing = Sensing({})
    c = int(datetime(2026, 10, 3, 5, 5, 30, 200_000, tzinfo=UTC).timestamp() * 1000)
    take(
        sensing,
        tagged(c, rmc("050530", "170207")) + tagged(c + 1000, rmc("050531", "170207")),
    )
    assert sensing.utc(0.0).date() == date(2026, 10, 3)


EARLY = date(2026, 10, 3)  # what such a receiver tells as 2007-02-17


def test_a_file_of_that_day_puts_an_early_date_after_2005_right(run):
    for recorded in (date(2026, 10, 4), date(2026, 10, 1)):
        readings, sensing = run(
            rmc("050530", "170207"),
            "GPZDA,050531,17,02,2007,00,00",
            rmc("050532", "170207"),
            recorded=(recorded,),
        )
        assert sensing.utc(0.0).date() == EARLY
        assert warnings(readings) == [
            "boat GP gives the date 2007-02-17; it lags by 1024 weeks, taken as 2026-10-03"
        ]
        assert sensing.dropped["date 1024 weeks early"] == 1


def test_an_old_recording_is_not_moved_by_when_its_file_was_copied(run):
    readings, sensing = run(
        rmc("050530", "170207"),
        rmc("050531", "170207"),
        recorded=(date(2026, 11, 30),),
    )
    assert sensing.utc(0.0).date() == date(2007, 2, 17)
    assert warnings(readings) == [
        "boat GP gives the date 2007-02-17, kept as it is; if it lags by 1024 weeks, "
        "name the file after its day: 2026-10-03.nmea"
    ]
    copied_before = run(rmc("050530", "170207"), recorded=(date(2026, 9, 1),))
    assert warnings(copied_before[0]) == []
    of_its_day = run(
        rmc("050530", "170207"), recorded=(date(2007, 2, 18), date(2026, 11, 30))
    )
    assert warnings(of_its_day[0]) == []


def test_a_sentence_of_a_later_form_than_its_date_is_an_era_early(run):
    newer = rmc("050530", "170207") + ",A,V"
    readings, sensing = run(
        newer, "GPZDA,050531,17,02,2007,00,00", rmc("050532", "170207") + ",A,V"
    )
    assert sensing.utc(0.0).date() == sensing.utc(sensing.now).date() == EARLY
    assert len(warnings(readings)) == 1
    assert sensing.dropped["date 1024 weeks early"] >= 1
    with_mode = run(rmc("050530", "170207") + ",A")[1]
    assert with_mode.utc(0.0).date() == date(2007, 2, 17)


def test_a_receiver_in_the_right_era_puts_a_second_one_right(run):
    readings, sensing = run(
        rmc("050530", "031026", talker="GN"),
        rmc("050530", "170207", talker="II"),
        rmc("050531", "031026", talker="GN"),
        rmc("050531", "170207", talker="II"),
    )
    assert sensing.utc(sensing.now).date() == EARLY
    assert [text[:7] for text in warnings(readings)] == ["boat II"]
    assert sensing.dropped["clock set"] == 0


def test_a_boat_whose_recorder_has_no_set_clock_is_no_older_than_the_program(
    tagged, take
):
    """A board without a clock battery stamps from the oldest day there can be."""
    unset = int(datetime(2025, 1, 1, tzinfo=UTC).timestamp() * 1000)
    lines = tagged(unset, rmc("050530", "170207"), "gps") + tagged(
        unset + 1000, rmc("050531", "170207"), "gps"
    )
    live = Sensing(
        {"recording": SourceSettings(), "gps": SourceSettings(not_before=OLDEST_LIVE)}
    )
    take(live, lines, "recording")
    assert live.utc(0.0).date() == EARLY
    file = Sensing({"recording": SourceSettings(), "gps": SourceSettings()})
    take(file, lines, "recording")
    assert file.utc(0.0).date() == date(2007, 2, 17)


def test_time_that_jumps_back_once_goes_on_from_there(run):
    ticks = [*range(10, 20), *range(7, 30)]
    readings, sensing = run(*(rmc(f"1941{s:02d}") for s in ticks))
    logic = times(readings)
    assert logic == sorted(logic)
    assert len(warnings(readings)) == 1
    assert sensing.dropped["clock set"] == 1
    # Two seconds are lost until it is believed, not twelve.
    assert logic[-1] - logic[0] == pytest.approx(9 + 21, abs=1.1)
    assert sensing.utc(logic[-1]) == datetime(2006, 9, 16, 19, 41, 29, tzinfo=UTC)


def test_a_time_that_stands_still_beside_one_that_runs(run):
    frozen = f"GPGLL,{PLACE},041601.00,A"
    bodies = [
        x
        for s in range(10)
        for x in (frozen, gga(f"0505{30 + s}"), rmc(f"0505{30 + s}", "160906"))
    ]
    readings, sensing = run(*bodies)
    assert sensing.now == pytest.approx(9.0, abs=1.0)
    assert warnings(readings) == []
    assert sensing.dropped["position standing still in time"] == 9


def test_sentences_slightly_out_of_order(run):
    readings, sensing = run(
        *(x for s in range(10, 40) for x in (rmc(f"1941{s}"), gga(f"1941{s - 1}")))
    )
    assert times(readings) == sorted(times(readings))
    assert sensing.now == pytest.approx(29.0, abs=1.0)
    assert warnings(readings) == []


def test_a_second_receiver_does_not_move_the_clock_until_the_first_is_silent(run):
    both = [
        x
        for s in range(10)
        for x in (rmc(f"19410{s}"), rmc(f"19410{s}.50", talker="II"))
    ]
    alone = [rmc(f"1941{s}", talker="II") for s in range(10, 40)]
    readings, sensing = run(*both, *alone)
    assert sensing.now == pytest.approx(39.0, abs=0.5)
    assert warnings(readings) == []


def test_time_told_only_every_ten_seconds_is_filled_in(run):
    bodies = [
        x for s in range(60) for x in (rmc(f"1941{s // 10}0"), depth(5 + s % 7 / 10))
    ]
    readings, _ = run(*bodies)
    logic = times(readings, Depth)
    steps = [b - a for a, b in itertools.pairwise(logic)]
    assert max(steps[20:]) < 2.0
    assert min(steps[20:]) > 0.4
    assert times(readings)[-1] - times(readings)[0] == pytest.approx(59.0, abs=1.0)


def test_when_the_clock_is_lost_time_goes_on_at_the_pace_of_the_bytes(run):
    with_clock = [x for s in range(20) for x in (rmc(f"1941{s:02d}"), depth())]
    without = ["GPRMC,,V,,,,,,,,,,N" + " " * 33, depth()] * 100
    readings, _ = run(*with_clock, *without)
    logic = times(readings, Depth)
    assert logic[-1] - logic[19] == pytest.approx(100, rel=0.2)


def test_a_gap_is_a_gap(run):
    bodies = [rmc("194101"), depth(), rmc("194102"), depth(), rmc("194138"), depth()]
    readings, _ = run(*bodies)
    logic = times(readings, Depth)
    assert logic[2] - logic[1] == pytest.approx(36.0, abs=1.0)


def test_no_clock_at_all_is_paced_like_a_4800_baud_line(run):
    readings, sensing = run(*[depth()] * 480)
    assert sensing.now == pytest.approx(len("$SDDPT,5.0,*7C\r\n"), rel=0.01)
    assert times(readings, Depth) == sorted(times(readings, Depth))
    assert sensing.utc(0.0) is None
    assert sensing.at(datetime(2006, 9, 16, tzinfo=UTC)) is None


def test_tags_are_the_time(tagged, take):
    sensing = Sensing({})
    c = 1764061200123
    data = b"".join(tagged(c + ms, depth(), "sonar") for ms in (0, 200, 180, 401))
    assert [t for t, _ in take(sensing, data)] == [0.0, 0.2, 0.2, 0.401]
    assert sensing.utc(0.0) is None  # the recorder's clock is not the GPS
    assert sensing.at(datetime.fromtimestamp(c / 1000 + 7.5, UTC)) == pytest.approx(
        7.5, abs=0.002
    )
    assert sensing.boat(0.4).depth == 5.0


def test_tags_become_utc_when_the_gps_agrees(tagged, take):
    c = int(datetime(2026, 10, 3, 14, 15, 0, 700_000, tzinfo=UTC).timestamp() * 1000)
    agrees, differs = Sensing({}), Sensing({})
    take(agrees, tagged(c, rmc("141500", "031026")))
    assert agrees.utc(0.0) == datetime(2026, 10, 3, 14, 15, 0, 700_000, tzinfo=UTC)
    take(differs, tagged(c, rmc("162000", "031026")))
    assert differs.utc(0.0) == datetime(2026, 10, 3, 16, 20, 0, tzinfo=UTC)


def test_a_recorder_whose_clock_was_set_forgets_and_says_so(tagged, take):
    sensing = Sensing({})
    take(sensing, tagged(1764061200123, depth()) + tagged(1764061201123, rmc("090001")))
    readings = take(sensing, tagged(1795597200000, rmc("090002")))
    assert len(warnings(readings)) == 1
    assert sensing.now == 1.0
    assert sensing.boat(1.0).depth is None


def test_arrivals_are_the_time_of_a_live_wire(nmea):
    sensing = Sensing({"boat": SourceSettings(time="arrival")})
    got = [
        t
        for at in (100.0, 100.25, 103.0)
        for t, _ in sensing.feed(Chunk(at, "boat", nmea(rmc("194101"))))
    ]
    assert got == [0.0, 0.0, 0.25, 0.25, 3.0, 3.0]


def test_an_instant_without_a_zone_is_refused(run):
    with pytest.raises(ValueError, match="time zone"):
        run(rmc("194101"))[1].at(datetime(2006, 9, 16))


@given(
    st.lists(
        st.tuples(
            st.sampled_from(["GPRMC", "GPGGA", "IIGLL", "GPZDA", "SDDPT", "tag"]),
            st.integers(0, 86_399),
            st.sampled_from(["160906", "170906", "311299", "010180", "", "999999"]),
        ),
        max_size=40,
    ),
    st.sampled_from(["auto", "tags", "sentences"]),
)
def test_whatever_the_clocks_do_logic_time_never_goes_back(
    nmea, tagged, take, events, mode
):
    data = b""
    for name, second, day in events:
        time = f"{second // 3600:02d}{second // 60 % 60:02d}{second % 60:02d}"
        data += {
            "GPRMC": lambda time=time, day=day: nmea(rmc(time, day)),
            "GPGGA": lambda time=time: nmea(gga(time)),
            "IIGLL": lambda time=time: nmea(f"IIGLL,{PLACE},{time},A"),
            "GPZDA": lambda time=time, day=day: nmea(
                f"GPZDA,{time},{day[:2]},{day[2:4]},20{day[4:]},,"
            ),
            "SDDPT": lambda: nmea(depth()),
            "tag": lambda second=second: tagged(1764061200000 + second * 3001, depth()),
        }[name]()
    sensing = Sensing({"boat": SourceSettings(time=mode)})
    logic = [t for t, _ in take(sensing, data)]
    assert logic == sorted(logic)
    assert all(t >= 0.0 for t in logic)
    bytewise = Sensing({"boat": SourceSettings(time=mode)})
    single = [
        item for i in range(len(data)) for item in take(bytewise, data[i : i + 1])
    ]
    assert single == take(Sensing({"boat": SourceSettings(time=mode)}), data)
    assert bytewise.dropped == sensing.dropped


@given(
    st.lists(
        st.tuples(st.integers(0, 10**6), st.integers(0, 10**6)), min_size=1, max_size=5
    )
)
def test_anchors_are_their_own_inverse(pairs):
    anchors = Anchors()
    for now, offset in sorted(pairs):
        anchors.learn(now, now + offset, 0)
    t = max(now for now, _ in pairs) + 5
    assert anchors.at(anchors.utc(t)) == t
