"""Which sentences are taken from which wire, what is counted, and what an error of our own costs."""

import pytest

from companion.sensing import Chunk, Depth, Sensing, SourceSettings
from companion.sensing.readings import (
    Failed,
    Heading,
    Origin,
    Remark,
    Warned,
    Wind,
)
from companion.sensing.remarks import txt_body


@pytest.fixture
def feed(nmea):
    """Feed sentences to a wire; return what it reads."""

    def feed(sensing, *bodies, source="boat", t=0.0, own=False):
        return [
            one for _, one in sensing.feed(Chunk(t, source, nmea(*bodies), own=own))
        ]

    return feed


def by_arrival():
    return Sensing({"boat": SourceSettings(time="arrival")})


def test_words_are_the_companions_own_and_from_nobody_else(feed):
    words = txt_body("short", aloud=True)
    assert [type(one) for one in feed(Sensing({}), words, own=True)] == [Remark]
    other = Sensing({})
    assert feed(other, words) == []
    assert other.counts["U0TXT"] == 1, "it is counted, and no more"


def test_among_its_own_words_the_companion_takes_no_depth(feed):
    sensing = Sensing({})
    assert feed(sensing, "SDDPT,5.4,0.2", "GPGLL,4310.0,N,01348.7,E", own=True) == []
    assert sensing.boat(0.0).depth is None


@pytest.mark.parametrize(
    "body", ["SdDPT,5.4,0.2", "S-DPT,5.4,0.2", "SDDPTX,5.4,0.2", "SDXXX,1,2"]
)
def test_what_is_no_address_of_a_known_sentence_is_passed_over(feed, body):
    sensing = Sensing({})
    assert feed(sensing, body, "SDDPT,4.0,0.0") == [
        Depth(4.0, 4.0, Origin("boat", "SD", "DPT"))
    ]


def test_makers_own_sentences_are_passed_over_but_for_a_sounders_depth(feed):
    assert feed(Sensing({}), "PADPT,5.5,0.5") == [
        Depth(5.5, 6.0, Origin("boat", "PA", "DPT"))
    ]
    assert feed(Sensing({}), "PAGLL,4310.0,N,01348.7,E") == []


def test_sentences_are_counted_by_address_and_short_ones_by_what_they_lack(feed):
    sensing = Sensing({})
    assert (
        feed(
            sensing,
            "SDDPT,5.4,0.2",
            "SDDPT,5.5,0.2",
            "SDDBT,1,f",
            "SDDBT,2,f",
            "SDXXX,1",
        )
        != []
    )
    assert sensing.counts == {"SDDPT": 2, "SDDBT": 2, "SDXXX": 1}
    assert sensing.dropped["too few fields"] == 2


def test_a_wire_full_of_addresses_is_counted_as_other_and_still_read(feed):
    sensing = Sensing({})
    feed(
        sensing,
        *(
            f"Z{n // 26 // 26}{chr(65 + n // 26 % 26)}{chr(65 + n % 26)}Q,1"
            for n in range(500)
        ),
    )
    assert sensing.counts["other"] == 0
    assert feed(sensing, "SDDPT,5.4,0.2", "SDDPT,5.4,0.2") == []
    assert sensing.counts["other"] == 2


class BrokenError(ValueError):
    pass


@pytest.fixture
def broken(monkeypatch):
    """Every depth stumbles over an error of the program's own."""

    def stumble(*_):
        raise BrokenError

    monkeypatch.setattr("companion.sensing.folding.Folds._depths", stumble)


@pytest.mark.usefixtures("broken")
def test_an_error_within_costs_its_sentence_and_is_told(feed):
    sensing = Sensing({}, raises=False)
    first, second, third = feed(
        sensing, "SDDPT,5.4,0.2", "INMTW,17.9,C", "SDDPT,5.4,0.2"
    )
    assert isinstance(first, Failed)
    assert isinstance(first.error, BrokenError)
    assert second.celsius == 17.9
    assert isinstance(third, Failed)
    assert sensing.dropped["error in a sentence"] == 2
    with pytest.raises(BrokenError):
        feed(Sensing({}), "SDDPT,5.4,0.2")


@pytest.mark.parametrize(
    ("mode", "now"), [("auto", 7.0), ("tags", 7.0), ("arrival", 3.0)]
)
def test_the_time_of_a_tagged_sentence(tagged, mode, now):
    sensing = Sensing({"boat": SourceSettings(time=mode)})
    list(sensing.feed(Chunk(92.0, "boat", tagged(1_000_000_000_000, "SDDPT,5.0,0.0"))))
    list(sensing.feed(Chunk(95.0, "boat", tagged(1_000_000_007_000, "SDDPT,5.1,0.0"))))
    assert sensing.now == pytest.approx(now)


def test_by_tags_alone_time_does_not_move_without_them(feed, tagged):
    sensing = Sensing({"boat": SourceSettings(time="tags")})
    list(sensing.feed(Chunk(0.0, "boat", tagged(1_000_000_000_000, "SDDPT,5.0,0.0"))))
    feed(sensing, "SDDPT,5.1,0.0", *("GPGLL,4310.0,N,01348.7,E,120001.00,A",) * 3)
    assert sensing.now == 0.0


def test_a_magnetic_heading_is_true_by_the_variation_told_and_stays_on_the_card(feed):
    sensing = by_arrival()
    (reading,) = feed(sensing, "HCHDG,357.5,,,4.5,E")
    assert reading == Heading(pytest.approx(2.0), 357.5, Origin("boat", "HC", "HDG"))
    (reading,) = feed(sensing, "HCHDG,1.0,,,4.5,W", t=1.0)
    assert reading.true == pytest.approx(356.5)


def test_of_two_headings_the_better_is_believed_and_the_other_counted(feed):
    sensing = by_arrival()
    feed(sensing, "HEHDT,90.0,T", t=0.0)
    assert feed(sensing, "HCHDM,95.0,M", t=0.5) == []
    assert sensing.passed_over == {"heading from another source": 1}
    assert sensing.boat(0.5).heading == 90.0
    assert feed(sensing, "HCHDM,,M", t=0.6) == []
    assert sensing.passed_over == {"heading from another source": 1}, "nothing was told"


def test_wind_from_magnetic_north_is_turned_by_the_variation(feed):
    sensing = by_arrival()
    feed(sensing, "HCHDG,80.0,,,4.5,E")
    (reading,) = feed(sensing, "WIMWD,,T,357.5,M,,N,4.1,M", t=1.0)
    assert isinstance(reading, Wind)
    assert reading.told.angle == pytest.approx(2.0)
    assert reading.origin == Origin("boat", "WI", "MWD")


def test_the_end_reads_unfinished_lines_at_the_time_they_came(nmea):
    sensing = by_arrival()
    list(
        sensing.feed(
            Chunk(3.0, "boat", nmea("SDDPT,5.4,0.2") + nmea("SDDPT,5.9,0.2").rstrip())
        )
    )
    assert [(t, one.below_transducer) for t, one in sensing.finish(8.0)] == [
        (8.0 - 3.0, 5.9)
    ]
    assert list(sensing.finish(9.0)) == []


def test_a_holder_dropped_makes_room_for_another_at_once():
    from companion.sensing.state import Latch

    latch = Latch(10.0)
    one, other = (
        Depth(z, z, Origin(name, "SD", "DPT"))
        for name, z in (("one", 5.0), ("other", 9.0))
    )
    assert latch.offer(0.0, "one", (0, 0), one, True)
    latch.drop("other")
    assert not latch.offer(1.0, "other", (0, 0), other, True)
    latch.drop("one")
    assert latch.at(1.0) is one, "what it last said grows old"
    assert latch.offer(1.0, "other", (0, 0), other, True)


def warned(readings):
    return [one.text for one in readings if isinstance(one, Warned)]


def test_two_sounders_on_one_wire_are_told_once_and_one_of_them_is_believed(feed):
    sensing = by_arrival()
    told = []
    for t in range(10):
        told += feed(
            sensing, "SDDPT,8.0,0.0", "SDDBT,26.2,f,8.0,M,4.4,F", "IIDPT,11.0,0.0", t=t
        )
    assert warned(told) == [
        "two depths are told that differ, by SD and II; SD is listened to"
    ]
    assert {one.below_surface for one in told if isinstance(one, Depth)} == {8.0}


@pytest.mark.parametrize("other", ["IIDPT,,", "IIDPT,8.0,0.0", "IIDBT,,f,7.4,M,,F"])
def test_a_plotter_that_relays_the_depth_is_no_second_sounder(feed, other):
    sensing = by_arrival()
    told = [feed(sensing, "SDDPT,8.0,0.0", other, t=t) for t in range(20)]
    assert warned(one for some in told for one in some) == []


@pytest.mark.parametrize(("beside", "times"), [((), 1), (("SDDBT,,f,8.0,M,,F",), 0)])
def test_a_depth_below_the_keel_alone_is_told_with_what_to_do(feed, beside, times):
    sensing = by_arrival()
    told = []
    for t in range(60):
        told += feed(sensing, "SDDBK,,f,7.0,M,,F", *beside, t=t)
    texts = warned(told)
    assert len(texts) == times
    assert all("keel_depth" in text for text in texts)
