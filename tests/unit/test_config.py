"""The configuration file: what is taken, and how each mistake is told."""

import re
import tomllib
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from companion.config import ConfigError, Settings, load, parse, users_unit
from companion.toml_reader import Problem, _line_numbers

ROD = """
[[rods]]
number = {number}
lure = "deep dorrow"
cast = "45 yd"
line = {{ material = "fluorocarbon", strength = "{strength}" }}
reel = {{ per_turn = "28 in", turns = "1.25 /s" }}
"""

WHOLE = (
    """
units = "metres"
[boat]
transducer_depth = "12 in"
antenna_ahead = "-2 m"
rod_tip = "3 ft"
[water]
temperature = "66 F"
[voice]
microphone = "plughw:1"
[[sources]]
name = "sonar"
kind = "serial"
device = "/dev/ttyUSB0"
baud = 38400
[[sources]]
name = "bridge"
kind = "udp"
address = "0.0.0.0:10110"
from = "192.168.1.20"
need_checksum = false
[[lures]]
name = "my own"
length = "2.5 in"
rated = { depth = "14 ft", cast = "40 yd", line = { material = "nylon", diameter = "0.33 mm" } }
"""
    + ROD.format(number=2, strength="17 lb")
    + ROD.format(number=1, strength="12 lb")
)


def problems(text: str) -> list[str]:
    with pytest.raises(ConfigError) as caught:
        parse(text, "boat.toml")
    assert str(caught.value).splitlines() == [
        str(problem) for problem in caught.value.problems
    ]
    return str(caught.value).splitlines()


def test_whole_file_is_read_in_si() -> None:
    settings = parse(WHOLE)
    assert settings.units == "metres"
    offsets = settings.boat.offsets()
    assert (offsets.transducer, offsets.forward, offsets.starboard) == (
        pytest.approx(0.3048),
        2.0,
        0.0,
    )
    assert settings.sources[0].settings().need_checksum
    assert not settings.sources[1].settings().need_checksum
    assert settings.boat.transducer_depth == pytest.approx(0.3048)
    assert settings.boat.antenna_ahead == -2.0
    assert settings.water.temperature == pytest.approx(18.889, abs=1e-3)
    assert [source.name for source in settings.sources] == ["sonar", "bridge"]
    assert [rod.number for rod in settings.rods] == [1, 2]
    first = settings.rods[0]
    assert first.cast == pytest.approx(41.148)
    assert first.speed == pytest.approx(0.889)
    assert first.tip_height == pytest.approx(0.9144)
    assert first.line.name == "12 lb fluorocarbon"
    assert settings.rod(2) is settings.rods[1]
    assert settings.rod(3) is None


def test_empty_file_has_defaults_and_the_starter_lures() -> None:
    settings = parse("")
    assert settings.rods == ()
    assert "deep dorrow" in {lure.name for lure in settings.lures}
    assert settings == Settings(lures=settings.lures)


def test_a_starter_lure_called_as_it_was_before_goes_on_under_that_name() -> None:
    now, before = (
        parse(WHOLE.replace("deep dorrow", name)).rods[0].lure
        for name in ("deep dorrow", "deep plum")
    )
    assert (before.name, before.physics()) == ("deep plum", now.physics())


def test_all_mistakes_of_a_file_are_told_with_line_key_reason_and_hint() -> None:
    text = (
        "units = 'feat'\n[boat]\nrod_tpi = '1 m'\ntransducer_depth = '40 ft'\n"
        + ROD.format(number=1, strength="12 pints")
    )
    told = problems(text)
    assert told == [
        "boat.toml:1: units: 'feat' is not one of the choices; did you mean \"feet\"?",
        'boat.toml:3: boat.rod_tpi: no such key here; did you mean "rod_tip"?',
        "boat.toml:4: boat.transducer_depth: must be between 0 ft and 16.4 ft",
        'boat.toml:10: rods[1].line.strength: expected a strength with its unit, like "12 lb" or "5.4 kg" '
        "(units: lb, kg, N)",
    ]


@pytest.mark.parametrize(
    ("change", "line", "words"),
    [
        (
            ("deep dorrow", "deep dorow"),
            3,
            'no lure is called "deep dorow"; did you mean "deep dorrow"?',
        ),
        (("number = 1", "number = 0"), 1, "from 1 to 99"),
        (("number = 1", "number = 'one'"), 2, "expected a whole number, not 'one'"),
        (('cast = "45 yd"\n', ""), 1, 'the key "cast" is missing'),
        ((', strength = "12 lb"', ""), 5, "give the diameter"),
        (("fluorocarbon", "flurocarbon"), 5, 'did you mean "fluorocarbon"?'),
        (('"45 yd"', "45"), 4, "expected a length with its unit"),
        (('"45 yd"', '"900 yd"'), 4, "must be between 5.47 yd and 164 yd"),
        (("reel = {", "reel = 3 # {"), 6, "expected a table"),
        (
            ('"28 in", turns = "1.25 /s"', '"76 in", turns = "4 /s"'),
            6,
            "expected 0.16 to 16 ft/s",
        ),
        (
            ('strength = "12 lb"', 'strength = "440 lb"'),
            5,
            "would be 1.7 mm thick; expected 0.05 to 1.5 mm",
        ),
        (
            ('"45 yd"', '"6 yd"\nrod_tip = "7 ft"'),
            4,
            "expected at least 9.33 yd (8.53 m)",
        ),
    ],
)
def test_one_mistake_in_a_rod(change: tuple[str, str], line: int, words: str) -> None:
    told = problems(ROD.format(number=1, strength="12 lb").lstrip().replace(*change))
    assert len(told) == 1
    assert told[0].startswith(f"boat.toml:{line}: rods[1]")
    assert words in told[0]


def test_two_rods_with_one_number_and_too_many_rods() -> None:
    assert (
        "two rods numbered 4" in problems(ROD.format(number=4, strength="12 lb") * 2)[0]
    )
    many = "".join(ROD.format(number=n, strength="12 lb") for n in range(1, 12))
    assert "at most 10 rods" in problems(many)[0]


def test_sources_must_say_where_they_are() -> None:
    assert "needs a device" in problems("[[sources]]\nname = 'a'\nkind = 'serial'\n")[0]
    assert (
        "needs an address"
        in problems("[[sources]]\nname = 'a'\nkind = 'tcp'\naddress = 'here'\n")[0]
    )


@pytest.mark.parametrize(
    ("lines", "reason"),
    [
        ("kind = 'udp'\naddress = ':10110'", "127.0.0.1:10110"),
        ("kind = 'udp'\naddress = ':10110'", "0.0.0.0:10110"),
        ("kind = 'udp'\naddress = 'sonar:10110'", "does not say where"),
        ("kind = 'udp'\naddress = '127.0.0.1:99999'", "99999 is no port"),
        ("kind = 'tcp'\naddress = 'sonar:0'", "0 is no port"),
        ("kind = 'tcp'\naddress = ':10110'", "needs a host"),
        (
            "kind = 'udp'\naddress = '127.0.0.1:10110'\nfrom = 'sonar'",
            "an address in figures",
        ),
        (
            "kind = 'serial'\ndevice = '/dev/x'\nfrom = '127.0.0.1'",
            "is for a udp source",
        ),
        ("kind = 'serial'\ndevice = '/dev/x'\nbaud = -1", "-1 baud"),
        ("kind = 'serial'\ndevice = '/dev/x'\nbaud = 100000000000", "no speed"),
    ],
)
def test_a_source_that_cannot_be_listened_to(lines: str, reason: str) -> None:
    (told,) = problems(f"[[sources]]\nname = 'sonar'\n{lines}\n")
    assert told.startswith("boat.toml:1: sources[1]: ")
    assert reason in told


@pytest.mark.parametrize(
    "name",
    [
        "companion",
        "Companion",
        "recording",
        "a\\\\b",
        "a*b",
        "a,c:1",
        "$",
        "",
        "ä",
        "x" * 31,
    ],
)
def test_a_source_whose_name_cannot_be_recorded(name: str) -> None:
    (told,) = problems(
        f'[[sources]]\nname = "{name}"\nkind = "serial"\ndevice = "/dev/x"\n'
    )
    assert "a source cannot be called" in told


def test_two_sources_of_one_name() -> None:
    source = '[[sources]]\nname = "sonar"\nkind = "serial"\ndevice = "/dev/x"\n'
    (told,) = problems(source * 2)
    assert (
        told
        == 'boat.toml:6: sources[2].name: two sources are called "sonar"; give each its own name'
    )


def test_not_toml_and_no_file(tmp_path: Path) -> None:
    assert problems("units = 'feet'\n[boat\n")[0].startswith(
        "boat.toml:2: file: is not TOML"
    )
    quotes = 'text, and a number with its unit, stand in straight quotes, like cast = "45 yd"'
    for slip in ("units = “feet”", "cast = 45 yd", "units = feet"):
        (told,) = problems(f"# mine\n{slip}\n")
        assert told.startswith("boat.toml:2: file: is not TOML: ")
        assert told.endswith(f"; {quotes}")
    assert "that key stands there twice" in problems("units = 'feet'\n" * 2)[0]
    with pytest.raises(ConfigError, match="there is no such file"):
        load(tmp_path / "none.toml")
    (tmp_path / "odd.toml").write_bytes(b"\xff\xfe\x00")
    with pytest.raises(ConfigError, match=r"cannot be read as text.*save it as UTF-8"):
        load(tmp_path / "odd.toml")
    (tmp_path / "good.toml").write_text(WHOLE)
    assert load(tmp_path / "good.toml") == parse(WHOLE)


def test_a_byte_order_mark_of_an_editor_is_no_mistake(tmp_path: Path) -> None:
    marked = tmp_path / "boat.toml"
    marked.write_text(WHOLE, encoding="utf-8-sig")
    assert load(marked) == parse(WHOLE)
    assert users_unit(marked) == "metres"


def test_line_numbers_see_through_blocks_and_long_lists() -> None:
    block = '[a]\nb = """\n[c]\nd = 1\n"""\n"e f" = [\n 1, # ]\n 2,\n]\n'
    text = block + '[[g.h]]\ni.j = 1\n[[g.h]]\n[g.h.k]\nl = "#["\nm = 2\n'
    tomllib.loads(text)
    lines = _line_numbers(text)
    assert lines["a", "b"] == 2
    assert lines["a", "e f"] == 6
    assert lines["g", "h", 0, "i", "j"] == 11
    assert lines["g", "h", 1, "k", "m"] == 15
    assert ("c",) not in lines


@settings(deadline=None)
@given(st.text(max_size=200) | st.permutations(WHOLE.splitlines()).map("\n".join))
def test_any_text_is_settings_or_problems(text: str) -> None:
    problems: tuple[Problem, ...] | None = None
    try:
        parse(text, "any.toml")
    except ConfigError as error:
        problems = error.problems
    assert problems is None or all(
        problem.line >= 1 and problem.file == "any.toml" for problem in problems
    )
    assert problems != ()


@pytest.mark.parametrize(
    ("line", "reason"),
    [
        ('address = "my boat"', 'page: "my boat" is no address of this computer'),
        ("port = 70000", "page: 70000 is no port"),
        (
            'reading = "opened"',
            "page.reading: 'opened' is not one of the choices; did you mean \"open\"?",
        ),
        ("on = 1", "page.on: expected true or false"),
    ],
)
def test_a_mistake_about_the_page_is_told(line, reason):
    with pytest.raises(ConfigError, match=re.escape(reason)):
        parse(f"[page]\n{line}\n")


def test_a_rod_tip_of_its_own_may_be_below_the_water() -> None:
    text = ROD.format(number=1, strength="12 lb")
    usual, own = (
        parse(t).rods[0]
        for t in (text, text.replace("reel =", 'rod_tip = "-4 ft"\nreel ='))
    )
    assert usual.tip_height == 0.5
    assert own.tip_height == pytest.approx(-4 * 0.3048)
    assert own.dive_retrieve().tip_height == own.tip_height


def test_a_lure_that_rises_faster_than_one_of_its_size_can_is_told() -> None:
    text = """
[[lures]]
name = "balloon"
length = "90 mm"
rise = "2.5 m/s"
[lures.rated]
depth = "8 ft"
cast = "35 yd"
line = { material = "nylon", size = 3 }
"""
    (told,) = problems(text)
    assert "check rise and length" in told
