"""Every wording means its command and nothing else; what is said back is never taken for a command."""

import msgspec
import pytest
from hypothesis import given
from hypothesis import strategies as st

from companion.units import FOOT, OUNCE, POUND, YARD, Units
from companion.voice import commands as c
from companion.voice.grammar import (
    FORMS,
    MARKS_WITH_DEPTH,
    Aboard,
    Grammar,
    number_words,
    sound_alikes,
)
from tests.phrases import echoes

FEET = Grammar(Aboard(rods=(1, 2, 3, 4), lines=(12, 14, 17, 20)))
METRES = Grammar(Aboard(rods=(1, 2), lines=(8, 15), unit="metres"))
NUMBERS = {number_words(n): n for n in range(100)}


@pytest.mark.parametrize("grammar", [FEET, METRES], ids=["feet", "metres"])
def test_every_phrase_means_a_command_whose_taught_phrase_means_the_same(
    grammar: Grammar,
):
    for phrase in grammar.phrases:
        command = grammar.parse(phrase)
        assert command is not None
        taught = grammar.phrase(command)
        assert taught is not None
        assert grammar.parse(taught) == command
        if command.name in ("rod", "line", "quiet"):
            number = next(
                v
                for v in msgspec.structs.asdict(command).values()
                if isinstance(v, int)
            )
            assert f" {number_words(number)} " in f" {taught} "


def test_every_row_of_the_table_can_be_said():
    commands = {type(FEET.parse(phrase)) for phrase in FEET.phrases}
    assert commands == {form.command for form in FORMS}
    assert set(c.Command.__args__) == {*commands, c.GoOn}


@pytest.mark.parametrize(
    ("text", "command"),
    [
        ("log bite", c.LogBite()),
        ("line seventeen", c.RigLine(17)),
        ("line twelve pound", c.RigLine(12)),
        ("rod two", c.TakeRod(2)),
        ("touched bottom", c.Touched()),
        ("bottom contact", c.Touched()),
        ("mark tree top fifteen feet", c.MarkPlace("tree top", 15 * FOOT)),
        ("mark a rock pile at twelve feet", c.MarkPlace("rock pile", 12 * FOOT)),
        ("mark grass edge", c.MarkPlace("grass edge")),
        ("mark a ledge", c.MarkPlace("ledge")),
        ("mark this spot", c.MarkPlace("spot")),
        ("how deep", c.HowDeep()),
        ("lure depth", c.HowDeepLure()),
        ("how deep am i", c.HowDeep()),
        ("what's the depth", c.HowDeep()),
        ("hit bottom", c.Touched()),
        ("hit wood", c.Touched("wood")),
        ("hit rock", c.Touched("rock")),
        ("broke off", c.BrokeOff()),
        ("got a bite", c.LogBite()),
        ("fish in the boat", c.LogFish()),
        ("log a fish four pounds", c.LogFish(4 * POUND)),
        ("log fish four pound two", c.LogFish(4 * POUND + 2 * OUNCE)),
        ("no four pound two", c.Correct(weight=4 * POUND + 2 * OUNCE)),
        ("seventeen pound line", c.RigLine(17)),
        ("switch to rod two", c.TakeRod(2)),
        ("mark a brush pile", c.MarkPlace("brush pile")),
        ("mark a stump at four feet", c.MarkPlace("stump", 4 * FOOT)),
        ("mark a rock", c.MarkPlace("rock")),
        ("mark a hump at eleven feet", c.MarkPlace("hump", 11 * FOOT)),
        (
            "mark a channel twenty yards two o'clock",
            c.MarkPlace("channel", None, 20 * YARD, 2),
        ),
        ("mark a ledge at five feet", c.MarkPlace("ledge", 5 * FOOT)),
        ("drop a way point", c.MarkPlace("spot")),
        ("cancel that", c.UndoThat()),
        ("how deep does it go", c.HowDeepLure()),
        ("which rod", c.WhichRod()),
        ("cast now", c.Cast()),
        ("cast two o'clock", c.Cast(2)),
        ("cast short", c.Cast(short=True)),
        ("cast thirty yards", c.Cast(distance=30 * YARD)),
        ("cast thirty yards two o'clock", c.Cast(clock=2, distance=30 * YARD)),
        (
            "mark a tree top twenty yards two o'clock",
            c.MarkPlace("tree top", None, 20 * YARD, 2),
        ),
        ("rod number two", c.TakeRod(2)),
        ("log strike", c.LogBite()),
        ("where from", c.WhereFrom()),
        ("no fifteen", c.Correct(number=15)),
        ("no thirty yards", c.Correct(distance=30 * YARD)),
        ("no three o'clock", c.Correct(clock=3)),
        ("no three pounds two ounces", c.Correct(weight=3 * POUND + 2 * OUNCE)),
        ("that was rod three", c.ThatWasRod(3)),
        ("what have you learned", c.WhatLearned()),
        ("forget rod two", c.ForgetRod(2)),
        ("reeled in", c.ReeledIn()),
        ("snagged", c.Snagged()),
        ("lost it", c.LostFish()),
        ("log fish", c.LogFish()),
        ("log fish three pounds two ounces", c.LogFish(3 * POUND + 2 * OUNCE)),
        ("log fish three pound two ounces", c.LogFish(3 * POUND + 2 * OUNCE)),
        ("log fish four and a half pounds", c.LogFish(4.5 * POUND)),
        ("undo that", c.UndoThat()),
        ("stopped now", c.StopReel()),
        ("all stopped", c.StopReel()),
        ("going again", c.StartReel()),
        ("rod tip down", c.HoldTip("down")),
        ("rod tip normal", c.HoldTip("usual")),
        ("say again", c.SayAgain()),
        ("quiet for ten minutes", c.Quiet(10)),
        ("start talking again", c.SpeakUp()),
        ("what can i say", c.WhatCanISay()),
        ("water up two feet", c.WaterLevel(2 * FOOT)),
        ("water down half a foot", c.WaterLevel(-0.5 * FOOT)),
        ("  LOG   bite ", c.LogBite()),
    ],
)
def test_the_words_of_the_job(text: str, command: c.Command):
    assert FEET.parse(text) == command


def test_metres_and_kilos():
    assert METRES.parse("mark tree top four and a half metres") == c.MarkPlace(
        "tree top", 4.5
    )
    assert METRES.parse("log fish one point four kilos") == c.LogFish(1.4)
    assert METRES.parse("log fish three pounds") is None


@pytest.mark.parametrize(
    "text",
    ["", "log", "log bite log bite", "[unk] log bite", "log bite please", "mark tree mark five feet",
     "rod nine", "line thirteen", "mark tree top thirty feet", "mark ledge five feet", "casting now",
     "how deep is the lure"],
)  # fmt: skip
def test_only_one_whole_listed_phrase_counts(text: str):
    assert FEET.parse(text) is None


@given(st.lists(st.sampled_from(FEET.phrases), min_size=2, max_size=3))
def test_phrases_run_together_are_no_command(several: list[str]):
    assert FEET.parse(" ".join(several)) is None


@pytest.mark.parametrize("grammar", [FEET, METRES], ids=["feet", "metres"])
def test_no_slot_of_the_table_holds_a_teen_and_its_ty(grammar: Grammar):
    """Rods and lines are what the owner has; the table's own slots are ours to choose."""
    by_shape: dict[str, set[int]] = {}
    for phrase in grammar.phrases:
        spelled = phrase.replace(" and a half", "")
        for words, number in sorted(NUMBERS.items(), key=lambda item: -len(item[0])):
            if f" {words} " in f" {spelled} ":
                by_shape.setdefault(
                    f" {spelled} ".replace(f" {words} ", " # ", 1), set()
                ).add(number)
                spelled = f" {spelled} ".replace(f" {words} ", " # ", 1).strip()
    assert {
        shape: pairs
        for shape, numbers in by_shape.items()
        if (pairs := sound_alikes(tuple(numbers)))
    } == {}


def test_sound_alikes_among_the_owners_lines_are_found():
    assert sound_alikes((14, 40, 15, 30)) == [(14, 40)]


@pytest.mark.parametrize(
    ("phrase", "said"),
    [
        ("mark a ledge twenty yards two o'clock", "ledge twenty at two"),
        ("mark a ledge twenty five yards two o'clock", "ledge twenty five two"),
        ("mark a ledge twenty yards eleven o'clock", "ledge twenty eleven"),
        ("cast thirty yards five o'clock", "away thirty at five"),
        ("cast two o'clock", "away two"),
    ],
)
def test_a_distance_and_an_hour_are_said_back_as_two_numbers(phrase: str, said: str):
    command = FEET.parse(phrase)
    assert command is not None
    assert FEET.confirmation(command) == said


def test_what_is_said_back_is_short_and_never_holds_a_command():
    changing = [form.command for form in FORMS if form.said_back is not None]
    seen = set()
    for phrase in FEET.phrases:
        command = FEET.parse(phrase)
        assert command is not None
        said = FEET.confirmation(command)
        assert (said is not None) == (type(command) in changing)
        if said is not None:
            seen.add(type(command))
            assert not echoes(FEET, said), said
            assert len(said.split()) <= 8
            assert "{" not in said
    assert seen == set(changing)


def test_echoes_finds_a_command_inside_a_line_with_digits_and_stops():
    assert echoes(FEET, "Rod 2, seventeen.")
    assert echoes(FEET, "Say log bite when one strikes")
    assert not echoes(FEET, "Number 2 in hand. 17 pound.")
    assert not echoes(FEET, "Touch: clear by 3 feet")


def test_help_and_the_spoken_answer_come_from_the_table():
    wordings, does = FEET.help()[0]
    assert (wordings.split("; ")[0], does) == (FORMS[0].wordings[0], FORMS[0].does)
    assert len(FEET.help()) == len(FORMS)
    named = " ".join(FEET.what_can_i_say(turn) for turn in range(8))
    for form in FORMS:
        assert (
            form.command is c.WhatCanISay
            or form.wordings[0].split("{")[0].strip() in named
        )
    assert FEET.what_can_i_say(0) != FEET.what_can_i_say(1)


def test_a_boat_without_rods_still_has_a_grammar():
    bare = Grammar(Aboard(rods=(), lines=()))
    assert bare.parse("log bite") == c.LogBite()
    assert all("{" not in wordings for wordings, _ in bare.help())


@pytest.mark.parametrize("number", [-1, 100])
def test_numbers_beyond_the_spoken_ones_are_refused(number: int):
    with pytest.raises(ValueError, match="0 to 99"):
        number_words(number)


def test_places_whose_depth_is_said_can_be_said_without():
    assert all(
        FEET.parse(f"mark {kind}") == c.MarkPlace(kind) for kind in MARKS_WITH_DEPTH
    )


def test_commands_keep_their_name_and_fields_on_the_way_through_json():
    command = c.MarkPlace("tree top", 4.5)
    packed = msgspec.json.encode(command)
    assert (
        packed
        == b'{"command":"mark","kind":"tree top","depth":4.5,"distance":null,"clock":null}'
    )
    assert msgspec.json.decode(packed, type=c.Command) == command
    assert command.name == "mark"


@pytest.mark.parametrize(
    ("command", "said", "meant"),
    [
        (c.TakeRod(2), c.Correct(number=3), c.TakeRod(3)),
        (c.RigLine(17), c.Correct(number=15), c.RigLine(15)),
        (c.Quiet(5), c.Correct(number=10), c.Quiet(10)),
        (
            c.MarkPlace("tree top", 5 * FOOT),
            c.Correct(number=15),
            c.MarkPlace("tree top", 15 * FOOT),
        ),
        (
            c.MarkPlace("point", None, 20.0, 2),
            c.Correct(clock=3),
            c.MarkPlace("point", None, 20.0, 3),
        ),
        (c.Cast(2), c.Correct(number=3), c.Cast(3)),
        (c.Cast(2, short=True), c.Correct(distance=20.0), c.Cast(2, 20.0)),
        (c.LogFish(1.0), c.Correct(weight=2.0), c.LogFish(2.0)),
        (c.LogFish(3 * POUND), c.Correct(number=4), c.LogFish(4 * POUND)),
        (c.LogFish(3 * POUND + 2 * OUNCE), c.Correct(number=4), None),
        (c.LogFish(), c.Correct(number=4), None),
        (c.MarkPlace("tree top", 5 * FOOT), c.Correct(distance=27.0), None),
        (c.MarkPlace("tree top"), c.Correct(clock=4), None),
        (c.WaterLevel(-FOOT), c.Correct(number=2), c.WaterLevel(-2 * FOOT)),
        (c.LogBite(), c.Correct(number=2), None),
        (c.Cast(2), c.Correct(number=20), None),
        (c.TakeRod(2), c.Correct(weight=2.0), None),
    ],
)
def test_a_number_is_put_right_where_the_command_has_one(command, said, meant):
    assert c.corrected(command, said, Units("feet")) == meant


@pytest.mark.parametrize(
    ("first", "rest", "whole"),
    [
        ("log fish", "eight pounds", "log fish eight pounds"),
        ("log a fish", "four pound two", "log fish four pound two"),
        ("log fish four pound", "two ounces", "log fish four pound two"),
        ("log fish seven pounds", "and a half", "log fish seven and a half pounds"),
        ("water up seven feet", "and a half feet", "water up seven and a half feet"),
        ("water down one foot", "and a half", "water down one and a half feet"),
        ("mark tree top", "eight feet", "mark tree top eight feet"),
        ("mark a stump", "at eight feet", "mark a stump at eight feet"),
        (
            "mark a ledge",
            "twenty yards two o'clock",
            "mark a ledge twenty yards two o'clock",
        ),
        ("cast now", "two o'clock", "cast two o'clock"),
        ("cast short", "two o'clock", "cast short two o'clock"),
        ("cast forty yards", "two o'clock", "cast forty yards two o'clock"),
    ],
)
def test_the_rest_of_a_command_makes_another_that_is_listed(
    first: str, rest: str, whole: str
):
    said, go_on = FEET.parse(first), FEET.parse(rest)
    assert said is not None
    assert isinstance(go_on, c.GoOn)
    assert FEET.completed(said, go_on.rest) == FEET.parse(whole)


@pytest.mark.parametrize(
    ("first", "rest"),
    [
        ("log bite", "eight feet"), ("log fish", "eight feet"), ("rod two", "two o'clock"),
        ("mark a ledge at five feet", "eight feet"), ("cast two o'clock", "four o'clock"),
        ("no twenty", "eight feet"), ("current one knot two o'clock", "two o'clock"),
    ],
)  # fmt: skip
def test_a_value_that_was_said_is_not_said_anew_by_the_rest(first: str, rest: str):
    said, go_on = FEET.parse(first), FEET.parse(rest)
    assert said is not None
    assert isinstance(go_on, c.GoOn)
    assert FEET.completed(said, go_on.rest) is None


@pytest.mark.parametrize("grammar", [FEET, METRES], ids=["feet", "metres"])
def test_every_rest_completes_some_command_and_is_no_phrase(grammar: Grammar):
    rests = {
        words: grammar.parse(words)
        for words in grammar.meanings
        if words not in grammar.phrases
    }
    assert len(rests) > 150
    commands = {grammar.parse(phrase) for phrase in grammar.phrases}
    for go_on in set(rests.values()):
        assert isinstance(go_on, c.GoOn)
        assert any(
            grammar.completed(one, go_on.rest) for one in commands if one is not None
        ), go_on
