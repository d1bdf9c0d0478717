"""The command grammar: one table from which everything about the wordings is made.

Each `Form` of `FORMS` holds a command, the wordings it is asked for with, what it does,
and the short line that confirms it. The recogniser's phrase list, the parser, the help
text and the answer to "what can I say" all come from that table, so they cannot
disagree.

An utterance counts only if the whole of it is one listed phrase. Every phrase is
spelled out, slot values and all, because a decoder that is given whole phrases mishears
far less than one given words.

Slots hold only what can be meant: the rods there are, the strengths there are, and
depths and weights whose words cannot be taken for each other. A slot of ours never
holds both a -teen and its -ty, which in wind are the same word: a tree top is marked at
1 to 29 ft, and below that no cast lure gets near it.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from itertools import product
from string import Formatter
from typing import Any, NamedTuple, get_args

import msgspec

from companion.config import Settings
from companion.events import MarkKind
from companion.units import FOOT, KNOT, OUNCE, POUND, YARD, LengthUnit
from companion.voice import commands as c

NUMBER_WORDS = [
    "zero",
    "one",
    "two",
    "three",
    "four",
    "five",
    "six",
    "seven",
    "eight",
    "nine",
    "ten",
    "eleven",
    "twelve",
    "thirteen",
    "fourteen",
    "fifteen",
    "sixteen",
    "seventeen",
    "eighteen",
    "nineteen",
]
TENS_WORDS = [
    "",
    "",
    "twenty",
    "thirty",
    "forty",
    "fifty",
    "sixty",
    "seventy",
    "eighty",
    "ninety",
]

DEEPEST_MARK_FEET = 29
DEEPEST_MARK_METRES = 9
HEAVIEST_FISH_POUNDS = 12
HEAVIEST_FISH_KILOS = 6
HIGHEST_WATER_FEET = 10
HIGHEST_WATER_METRES = 3
QUIET_MINUTES = (5, 10, 20, 30, 60)
SPOKEN_DISTANCES = (10, 20, 25, 30, 35, 40, 45, 50, 60)
"""How far a cast goes, or a mark lies, yd or m; fifteen would be taken for fifty."""
SPOKEN_CURRENTS = {
    "quarter knot": 0.25,
    "half a knot": 0.5,
    "one knot": 1.0,
    "one and a half knots": 1.5,
    "two knots": 2.0,
    "three knots": 3.0,
}
"""Currents that are fished in, kn."""
UNITS_NOT_SAID_BACK = ("yards", "o'clock", "ounce", "ounces")
"""Units that are not said back: what is said back has to be short."""
HALVED_UNITS: Mapping[LengthUnit, tuple[str, ...]] = {
    "feet": ("feet", "pounds"),
    "metres": ("metres",),
}
"""Units of which somebody may say, after a while, that it was half a one more."""
MARKS_WITH_DEPTH = ("tree top", "rock pile", "high spot", "grass edge")
"""The kinds of mark that can be named without an "a"; the others are so short that talk holds them."""


class Aboard(msgspec.Struct, frozen=True):
    """The tackle that commands can mean: the rods' numbers, the lines' strengths (lb on the spool), the unit.

    `wake` is what every command has to begin with; empty when nothing has to be said
    before it.
    """

    rods: tuple[int, ...]
    lines: tuple[int, ...]
    unit: LengthUnit = "feet"
    wake: str = ""


def aboard(settings: Settings) -> Aboard:
    """Return what numbers can be spoken on this boat: its rods and the strengths of their lines."""
    strengths = {
        pounds for rod in settings.rods if (pounds := rod.line.pounds) is not None
    }
    wake = settings.voice.wake if settings.voice.listen == "wake words" else ""
    return Aboard(
        tuple(rod.number for rod in settings.rods),
        tuple(sorted(strengths)),
        settings.units,
        wake,
    )


class Form(NamedTuple):
    """One row of the table: a command, its wordings, what it does, and what is said back.

    The first wording is the one taught. `said_back` is None where the answer itself is
    what is said.
    """

    command: type[c.Spoken]
    wordings: tuple[str, ...]
    does: str
    said_back: str | None = None


FORMS: tuple[Form, ...] = (
    Form(
        c.LogBite,
        ("log bite", "log strike", "log a bite", "got a bite"),
        "a fish struck",
        "bite noted",
    ),
    Form(
        c.LogFish,
        (
            "log fish",
            "log fish {weight}",
            "log a fish",
            "log a fish {weight}",
            "fish in the boat",
        ),
        "a fish is in the boat",
        "fish {weight}",
    ),
    Form(
        c.LostFish,
        ("lost the fish", "lost it", "log lost fish"),
        "the fish came off",
        "noted, it got away",
    ),
    Form(
        c.Touched,
        (
            "bottom contact",
            "touched bottom",
            "touching bottom",
            "hit bottom",
            "hit {on}",
        ),
        "the lure touched the bottom, or what stands on it",
        "touch noted {on}",
    ),
    Form(
        c.Snagged,
        ("snagged up", "snagged", "hung up"),
        "the lure hangs fast",
        "snag noted",
    ),
    Form(
        c.BrokeOff,
        ("broke off", "log broke off"),
        "the line broke, the lure is lost",
        "noted, lure lost",
    ),
    Form(
        c.MarkPlace,
        (
            "mark a {place}",
            "mark a {place} {far} {clock}",
            "mark a {place} at {depth}",
            "mark {top} {depth}",
            "mark {top}",
            "mark {here}",
            "drop a {pin}",
        ),
        "something on the bottom to come back to",
        "{place}{top}{here}{pin} {depth} {far} {clock}",
    ),
    Form(
        c.Cast,
        (
            "cast now",
            "cast {clock}",
            "cast {short}",
            "cast {far}",
            "cast {far} {clock}",
            "cast {short} {clock}",
            "cast at {clock}",
        ),
        "the lure is flying",
        "away {short} {far} {clock}",
    ),
    Form(
        c.ReeledIn,
        ("reeled in", "all reeled in"),
        "the lure is back at the rod tip",
        "in",
    ),
    Form(
        c.StopReel,
        ("stopped now", "all stopped"),
        "the reel stands still",
        "stop noted",
    ),
    Form(
        c.StartReel,
        ("going again", "moving again"),
        "the reel turns again after that",
        "noted",
    ),
    Form(
        c.HoldTip,
        ("rod tip {held}",),
        "how the rod in hand is held from now on",
        "held {held}",
    ),
    Form(
        c.TakeRod,
        ("rod number {rod}", "rod {rod}", "switch to rod {rod}"),
        "this rod is in hand",
        "number {rod} in hand",
    ),
    Form(
        c.RigLine,
        ("line {line} pound", "line {line}", "line {line} pounds", "{line} pound line"),
        "take the rod with this line, or re-rig",
        "{line} pound it is",
    ),
    Form(c.WhichRod, ("which rod", "which rod here"), "which rod suits the depth here"),
    Form(
        c.WhereFrom,
        ("where from", "where do i cast from"),
        "from where to cast to the place ahead",
    ),
    Form(
        c.HowDeep,
        (
            "how deep is it",
            "how deep",
            "how deep is the water",
            "how deep am i",
            "what's the depth",
        ),
        "the depth under the boat",
    ),
    Form(
        c.HowDeepLure, ("how deep does it go", "lure depth"), "how deep the lure goes"
    ),
    Form(
        c.WaterLevel,
        ("water {level}", "water is {level}", "water {normal}"),
        "the lake's level against its map",
        "{level}{normal}",
    ),
    Form(
        c.WaterCurrent,
        ("current {knots} {clock}",),
        "the water's own way over the bottom: how fast, and towards which hour",
        "{knots} {clock}",
    ),
    Form(
        c.WaterCurrent,
        ("{none} current",),
        "the water stands still over the bottom",
        "noted, still water",
    ),
    Form(
        c.UndoThat,
        ("undo that", "undo the last one", "cancel that"),
        "take back the last thing logged",
        "taken back",
    ),
    Form(
        c.Correct,
        ("no {number}", "no {far}", "no {oclock}", "no {weight}"),
        "the number in the last command was another",
        "{number}{far}{oclock}{weight} then",
    ),
    Form(
        c.ThatWasRod,
        ("that was rod {rod}", "that was rod number {rod}"),
        "the last thing happened on this rod",
        "number {rod} then",
    ),
    Form(
        c.WhatLearned, ("what have you learned",), "what touches taught about the rods"
    ),
    Form(
        c.ForgetRod,
        ("forget rod {rod}", "forget rod number {rod}"),
        "forget what touches taught about a rod",
        "number {rod} forgotten",
    ),
    Form(c.SayAgain, ("say again", "say that again"), "hear the last line once more"),
    Form(c.Quiet, ("quiet for {minutes}",), "no advice for so long", "quiet now"),
    Form(c.SpeakUp, ("start talking again",), "advice once more", "talking"),
    Form(c.WhatCanISay, ("what can i say",), "hear some of these"),
)
"""The table. Short phrases that come up in talk are not in it: "scratch that", "start
talking", "mark ledge" were each heard in half an hour of people ordering drinks."""

Slot = Mapping[str, Mapping[str, Any]]
"""The words a slot can hold, each with the fields of the command that they fill."""


def clock_words(hour: int) -> str:
    """Return a direction off the bow as it is said and logged.

    >>> clock_words(2)
    "two o'clock"
    """
    return f"{number_words(hour)} o'clock"


def number_words(number: int) -> str:
    """Return a whole number from 0 to 99 in words.

    Raises:
        ValueError: the number is outside 0 to 99.

    >>> number_words(17), number_words(42)
    ('seventeen', 'forty two')
    """
    if not 0 <= number <= 99:
        raise ValueError(f"{number}: spoken numbers go from 0 to 99")
    if number < 20:
        return NUMBER_WORDS[number]
    tens, ones = divmod(number, 10)
    return TENS_WORDS[tens] + (f" {NUMBER_WORDS[ones]}" if ones else "")


def sound_alikes(numbers: tuple[int, ...]) -> list[tuple[int, int]]:
    """Return the pairs among the numbers that are one word in wind: a -teen and its -ty.

    >>> sound_alikes((12, 14, 17, 40))
    [(14, 40)]
    """
    return [
        (n, 10 * (n - 10))
        for n in sorted(set(numbers))
        if 13 <= n <= 19 and 10 * (n - 10) in numbers
    ]


def _counted(number: int, one: str, many: str) -> str:
    return f"{number_words(number)} {one if number == 1 else many}"


def _rests(unit: LengthUnit, slots: Mapping[str, Slot]) -> dict[str, str]:
    """Return what the rest of a command can be, each with the words that stand for it.

    A bare number is none: it is too short to be told from noise.
    """
    depths, hours = slots["depth"], slots["clock"]
    first: dict[float, str] = {}
    weights = {
        words: first.setdefault(fields["weight"], words)
        for words, fields in slots["weight"].items()
        if not words.endswith(("ounce", "ounces"))
    }
    far = [
        *slots["far"],
        *(f"{far} {hour}" for far, hour in product(slots["far"], hours)),
    ]
    few = (
        [_counted(n, "ounce", "ounces") for n in range(1, 16)] if unit == "feet" else []
    )
    halves = [f"and a half {many}" for many in HALVED_UNITS[unit]]
    return (
        {words: words for words in (*depths, *hours, *far, *few)}
        | weights
        | {f"at {words}": words for words in depths}
        | dict.fromkeys(("and a half", *halves), "and a half")
    )


def _lengths(most: int, unit: LengthUnit, *, halves: bool) -> dict[str, float]:
    """Return lengths from 1 to `most` units in words, with the half steps between, in m."""
    one, many, metres = (
        ("foot", "feet", FOOT) if unit == "feet" else ("metre", "metres", 1.0)
    )
    lengths = {_counted(n, one, many): n * metres for n in range(1, most + 1)}
    if halves:
        lengths[f"half a {one}"] = 0.5 * metres
        lengths |= {
            f"{number_words(n)} and a half {many}": (n + 0.5) * metres
            for n in range(1, most)
        }
    return dict(sorted(lengths.items(), key=lambda item: item[1]))


def _weights(unit: LengthUnit) -> dict[str, float]:
    """Return the weights of a fish in words, in kg: to the ounce, or to the tenth of a kilogram."""
    if unit == "metres":
        return {
            f"{number_words(kilos)} point {number_words(tenths)} kilos": kilos
            + tenths / 10.0
            for kilos in range(HEAVIEST_FISH_KILOS)
            for tenths in range(1, 10)
        } | {
            _counted(kilos, "kilo", "kilos"): float(kilos)
            for kilos in range(1, HEAVIEST_FISH_KILOS + 1)
        }
    pounds = range(1, HEAVIEST_FISH_POUNDS + 1)
    whole = {_counted(n, "pound", "pounds"): n * POUND for n in pounds}
    whole |= {f"{number_words(n)} pound": n * POUND for n in pounds}
    ounces = {_counted(n, "ounce", "ounces"): n * OUNCE for n in range(1, 16)}
    both = {f"{p} {o}": whole[p] + ounces[o] for p, o in product(whole, ounces)}
    both |= {
        f"{number_words(p)} pound {number_words(o)}": p * POUND + o * OUNCE
        for p, o in product(pounds, range(1, 16))
    }
    halves = {
        f"{number_words(n)} and a half pounds": (n + 0.5) * POUND for n in pounds[:-1]
    }
    return whole | both | halves


def _slots(aboard: Aboard) -> dict[str, Slot]:
    """Return every slot of the table with the words that can stand in it on this boat."""
    feet = aboard.unit == "feet"
    depths = _lengths(
        DEEPEST_MARK_FEET if feet else DEEPEST_MARK_METRES, aboard.unit, halves=not feet
    )
    hours = {clock_words(hour): {"clock": hour} for hour in range(1, 13)}
    yards, yard = ("yards", YARD) if feet else ("metres", 1.0)
    rises = _lengths(
        HIGHEST_WATER_FEET if feet else HIGHEST_WATER_METRES, aboard.unit, halves=True
    )
    return {
        "rod": {number_words(n): {"number": n} for n in sorted(set(aboard.rods))},
        "line": {number_words(n): {"strength": n} for n in sorted(set(aboard.lines))},
        "held": {
            "down": {"held": "down"},
            "up": {"held": "up"},
            "normal": {"held": "usual"},
        },
        "place": {kind: {"kind": kind} for kind in get_args(MarkKind)},
        "top": {kind: {"kind": kind} for kind in MARKS_WITH_DEPTH},
        "here": {"this spot": {"kind": "spot"}},
        "pin": {"way point": {"kind": "spot"}},
        "on": {"wood": {"on": "wood"}, "rock": {"on": "rock"}},
        "depth": {words: {"depth": depth} for words, depth in depths.items()},
        "weight": {
            words: {"weight": weight} for words, weight in _weights(aboard.unit).items()
        },
        "level": {
            f"{way} {words}": {"rise": sign * rise}
            for way, sign, falling in (("down", -1.0, True), ("up", 1.0, False))
            for words, rise in sorted(
                rises.items(), key=lambda item: item[1], reverse=falling
            )
        },
        "normal": {"normal": {"rise": 0.0}},
        "knots": {
            words: {"speed": knots * KNOT} for words, knots in SPOKEN_CURRENTS.items()
        },
        "none": {"no": {"speed": 0.0}},
        "clock": hours,
        "oclock": hours,
        "far": {
            f"{number_words(n)} {yards}": {"distance": n * yard}
            for n in SPOKEN_DISTANCES
        },
        "short": {"short": {"short": True}},
        "number": {number_words(n): {"number": n} for n in _correctable(aboard)},
        "minutes": {
            f"{number_words(n)} minutes": {"minutes": n} for n in QUIET_MINUTES
        },
    }


def _correctable(aboard: Aboard) -> list[int]:
    """Return the numbers that a wrong one can be put right with; a -ty whose -teen is there is left out."""
    deepest = DEEPEST_MARK_FEET if aboard.unit == "feet" else DEEPEST_MARK_METRES
    every = {*aboard.rods, *aboard.lines, *range(1, deepest + 1), *range(1, 13)}
    return sorted(every - {ty for _, ty in sound_alikes(tuple(every))})


def _slot_names(wording: str) -> list[str]:
    return [name for _, name, _, _ in Formatter().parse(wording) if name]


def _spelled_out(
    wording: str, slots: Mapping[str, Slot]
) -> Iterator[tuple[str, dict[str, str]]]:
    """Yield each phrase a wording stands for, with the words in each of its slots."""
    names = _slot_names(wording)
    for words in product(*(slots[name] for name in names)):
        chosen = dict(zip(names, words, strict=True))
        yield wording.format(**chosen), chosen


def _in_short(said: str) -> str:
    """Return what is said back without the units that the person has just said.

    "Twenty yards two o'clock" is "twenty at two": "twenty two" is neither.
    """
    words = said.split()
    short = []
    for before, word, after in zip(["", *words], words, [*words[1:], ""], strict=False):
        if word not in UNITS_NOT_SAID_BACK:
            short.append(word)
        elif before in TENS_WORDS[2:] and after in NUMBER_WORDS[1:10]:
            short.append("at")
    return " ".join(short)


class Grammar:
    """The wordings as they are on this boat.

    Attributes:
        phrases: every phrase that counts, in the table's order, each once.
    """

    def __init__(self, aboard: Aboard) -> None:
        """Spell the table out.

        Raises:
            ValueError: a rod number or line strength is outside 0 to 99, or two rows
                share a phrase.
        """
        self.wake = aboard.wake
        self._slots = _slots(aboard)
        self._commands: dict[str, c.Command] = {}
        self._phrase_of: dict[c.Command, str] = {}
        self._said_back: dict[c.Command, tuple[str, dict[str, str]]] = {}
        for form in FORMS:
            for wording in form.wordings:
                self._add(form, wording)
        self.phrases: tuple[str, ...] = tuple(self._commands)
        self._halved = HALVED_UNITS[aboard.unit]
        self._rests = {
            words: c.GoOn(rest)
            for words, rest in _rests(aboard.unit, self._slots).items()
        }

    def _add(self, form: Form, wording: str) -> None:
        for bare, chosen in _spelled_out(wording, self._slots):
            phrase = f"{self.wake} {bare}".strip()
            fields = {
                key: value
                for name, words in chosen.items()
                for key, value in self._slots[name][words].items()
            }
            command: Any = form.command(**fields)
            if self._commands.setdefault(phrase, command) != command:
                raise ValueError(
                    f"grammar: '{phrase}' stands for two commands; change one wording"
                )
            self._phrase_of.setdefault(command, phrase)
            if form.said_back is not None:
                self._said_back.setdefault(command, (form.said_back, chosen))

    def parse(self, text: str, *, woken: bool = False) -> c.Command | None:
        """Return the command that the whole of a text is a listed phrase for; None for any other text.

        `woken` tells that the text needs no wake words before it.
        """
        plain = " ".join(text.lower().split())
        if woken:
            plain = f"{self.wake} {plain}".strip()
        return self._commands.get(plain) or self._rests.get(plain)

    def completed(self, command: c.Command, rest: str) -> c.Command | None:
        """Return the command that another one is with the rest of its words; None where none is listed.

        >>> Grammar(Aboard((1,), (12,))).completed(c.Cast(), "two o'clock")
        Cast(clock=2, distance=None, short=False)
        """
        phrase = self._phrase_of.get(command, "")
        stem = phrase.rpartition(" ")[0]
        whole = [f"{phrase} {rest}", f"{phrase} at {rest}", f"{stem} {rest}"]
        halved = [f"{stem} {rest} {many}" for many in self._halved]
        found = (self._commands.get(one) for one in (*whole, *halved))
        same = (one for one in found if type(one) is type(command))
        return next(same, None)

    def phrase(self, command: c.Command) -> str | None:
        """Return the taught phrase for a command; None where this boat has no phrase for it."""
        return self._phrase_of.get(command)

    def confirmation(self, command: c.Command) -> str | None:
        """Return the short line that says a command was carried out; None where an answer does that."""
        if command not in self._said_back:
            return None
        said_back, chosen = self._said_back[command]
        return _in_short(said_back.format(**(dict.fromkeys(self._slots, "") | chosen)))

    @property
    def meanings(self) -> dict[str, str]:
        """Every phrase, and all that one can go on with, with the name of the command it stands for."""
        return {
            phrase: command.name
            for phrase, command in (self._commands | self._rests).items()
        }

    def words(self) -> list[str]:
        """Return every word of every phrase, each once, sorted."""
        return sorted({word for phrase in self.phrases for word in phrase.split()})

    def help(self) -> list[tuple[str, str]]:
        """Return each command's taught wordings, with an example in each slot, and what it does."""
        return [
            ("; ".join(self._examples(form)), form.does)
            for form in FORMS
            if self._examples(form)
        ]

    def _examples(self, form: Form) -> list[str]:
        """Return each wording with the middle one of its slots' words; none where a slot has no words."""
        middle = {
            name: list(words)[len(words) // 2]
            for name, words in self._slots.items()
            if words
        }
        return [
            w.format(**middle)
            for w in form.wordings
            if all(name in middle for name in _slot_names(w))
        ]

    def what_can_i_say(self, turn: int = 0) -> str:
        """Return a spoken line that names four commands, the next four with each turn."""
        asked = (form for form in FORMS if form.command is not c.WhatCanISay)
        known = [examples[0] for form in asked if (examples := self._examples(form))]
        four = [known[(4 * turn + i) % len(known)] for i in range(4)]
        return f"You can say {', '.join(four[:-1])}, or {four[-1]}"
