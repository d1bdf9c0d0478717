"""Who is believed, and for how long."""

import pytest

from companion.sensing import (
    BoatOffsets,
    Chunk,
    Depth,
    MaximumAges,
    Position,
    Sensing,
    SourceSettings,
    range_and_bearing,
)

HERE, THERE = "4310.0201,N,01348.7289,E", "4310.03,N,01348.73,E"


@pytest.fixture
def say(nmea):
    """Feed sentences that arrive at a time; return the readings."""

    def say(sensing: Sensing, t: float, *bodies: str, source: str = "boat") -> list:
        return [r for _, r in sensing.feed(Chunk(t, source, nmea(*bodies)))]

    return say


def live(*names: str, **settings: dict) -> Sensing:
    return Sensing(
        {
            name: SourceSettings(time="arrival", **settings.get(name, {}))
            for name in names or ("boat",)
        }
    )


def gll(place: str, talker: str = "GP") -> str:
    return f"{talker}GLL,{place}"


def rounded(sensing: Sensing, t: float) -> float | None:
    lat = sensing.boat(t).lat
    return None if lat is None else round(lat * 60, 4)


EVERYTHING = (
    "SDDPT,5.4,0.2",
    "GPGGA,115820,4310.0201,N,01348.7289,E,1,07,1.00,0,M,0,M,,",
    "GPVTG,77.5,T,,M,5.2,N,,K",
    "HCHDG,80.0,,,0.9,E",
    "INMTW,17.9,C",
    "VWVHW,,T,,M,3.00,N,,K",
    "WIMWD,270.0,T,,M,8.0,N,4.1,M",
)


def test_every_value_grows_old(say):
    sensing = live()
    say(sensing, 0.0, *EVERYTHING)
    ages = MaximumAges()
    for name, age in {
        "depth": ages.depth,
        "depth_below_transducer": ages.depth,
        "depth_age": ages.depth,
        "lat": ages.position,
        "lon": ages.position,
        "position_age": ages.position,
        "sounding_lat": ages.position,
        "sounding_lon": ages.position,
        "hdop": ages.position,
        "speed": ages.motion,
        "course": ages.motion,
        "heading": ages.heading,
        "heading_magnetic": ages.heading,
        "water_temperature": ages.water_temperature,
        "water_speed": ages.water_speed,
        "wind_speed": ages.wind,
        "wind_from": ages.wind,
    }.items():
        assert getattr(sensing.boat(age), name) is not None, name
        assert getattr(sensing.boat(age + 0.001), name) is None, name
    assert sensing.boat(4.0).depth_age == 4.0


def test_nothing_is_known_of_nothing():
    boat = Sensing({}).boat(0.0)
    assert all(
        getattr(boat, name) is None for name in boat.__struct_fields__ if name != "t"
    )


def test_two_receivers_that_disagree_never_alternate(say):
    sensing = live()
    for second in range(20):
        readings = say(sensing, second, gll(HERE), gll(THERE, "II"))
        assert [r.origin.talker for r in readings] == ["GP"]
        assert rounded(sensing, second) == round(43 * 60 + 10.0201, 4)
    assert sensing.passed_over["position from another source"] == 20


def test_the_other_receiver_is_heard_when_the_first_is_silent_and_then_kept(say):
    sensing = live()
    say(sensing, 0.0, gll(HERE))
    assert say(sensing, 4.0, gll(THERE, "II")) == []
    assert say(sensing, 6.0, gll(THERE, "II"))[0].origin.talker == "II"
    assert say(sensing, 6.5, gll(HERE)) == []  # equals do not take turns


def test_priority_goes_before_coming_first(say):
    sensing = live("old", "new", new={"priority": -1})
    say(sensing, 0.0, gll(HERE), source="old")
    assert say(sensing, 0.1, gll(THERE), source="new")[0].origin.source == "new"
    assert say(sensing, 0.2, gll(HERE), source="old") == []
    void = "GPGLL,,,,,115820,V"
    say(sensing, 0.3, void, source="new")
    assert sensing.boat(0.3).lat is None
    assert say(sensing, 5.2, gll(HERE), source="old")[0].origin.source == "old"


def test_the_sentences_of_one_fix_are_one_position(say):
    sensing = live()
    gga, rmc = (
        f"GPGGA,115820,{HERE},1,07,1.30,0,M,0,M,,",
        f"GPRMC,115820,A,{HERE},0.00,0.0,290613,,",
    )
    positions = [r for r in say(sensing, 0.0, rmc, gga) if isinstance(r, Position)]
    assert [r.origin.formatter for r in positions] == ["RMC"]
    assert sensing.boat(0.0).hdop == 1.3


def test_a_receiver_that_fills_only_one_sentence_has_not_lost_its_fix(say):
    sensing = live()
    say(
        sensing,
        0.0,
        f"GPRMC,115820,A,{HERE},0.00,0.0,290613,,",
        "GPGGA,115820,,,,,0,00,,,M,,M,,",
    )
    assert sensing.boat(0.0).lat is not None


def test_the_better_depth_sentence_is_believed(say):
    sensing = live()
    assert (
        len(say(sensing, 0.0, "SDDBT,,f,5.3,M,,F", "SDDPT,5.4,", "SDDBT,,f,5.3,M,,F"))
        == 2
    )
    assert sensing.boat(0.0).depth == 5.4
    assert [
        r.below_surface
        for r in say(sensing, 9.0, "SDDBT,,f,5.3,M,,F")
        if isinstance(r, Depth)
    ] == [5.3]


def test_variation_from_one_sentence_serves_another(say):
    sensing = live()
    say(sensing, 0.0, "HCHDM,100.0,M")
    assert (sensing.boat(0.0).heading, sensing.boat(0.0).heading_magnetic) == (
        None,
        100.0,
    )
    say(sensing, 1.0, f"GPRMC,115820,A,{HERE},0.00,,290613,15.0,W", "HCHDM,100.0,M")
    assert sensing.boat(1.0).heading == 85.0


def test_the_depth_belongs_under_the_transducer(nmea):
    sensing = Sensing(
        {"boat": SourceSettings(time="arrival")},
        BoatOffsets(forward=-4.0, starboard=3.0),
    )
    list(sensing.feed(Chunk(0.0, "boat", nmea(gll(HERE)))))
    assert (
        sensing.boat(0.0).sounding_lat is None
    )  # which way the boat lies is not known
    list(sensing.feed(Chunk(0.0, "boat", nmea("HEHDT,90.0,T"))))
    boat = sensing.boat(0.0)
    distance, bearing = range_and_bearing(
        boat.lat, boat.lon, boat.sounding_lat, boat.sounding_lon
    )
    assert distance == pytest.approx(5.0, abs=1e-3)
    assert bearing == pytest.approx(180.0 + 53.13, abs=0.01)  # 4 m west, 3 m south


def test_settings_by_the_name_in_the_tag_block(tagged, take):
    sensing = Sensing({"gps": SourceSettings(priority=-2, latency=0.3)})
    ((_, reading),) = take(sensing, tagged(1764061200123, gll(HERE), "gps"), "day")
    assert (reading.origin.source, reading.origin.priority, reading.origin.latency) == (
        "gps",
        -2,
        0.3,
    )


def test_noise_on_a_wire_without_checksums_does_not_fill_the_memory(take):
    sensing = Sensing({"boat": SourceSettings(need_checksum=False)})
    take(sensing, b"".join(b"$X%07d,1\r\n" % i for i in range(5000)))
    assert len(sensing.counts) < 600
    assert sum(sensing.counts.values()) == 5000
