"""The one figure of the page: by how much the lure clears the bottom or falls short, with its doubt.

Before a cast it is the rod in hand over the bottom in the casting range, or else under
the boat; while a cast is fished it is what that cast will meet. The words are those
that the voice says.
"""

from __future__ import annotations

from typing import NamedTuple

from companion.casting.match import JUST_CLEAR_M, MatchRules
from companion.events import Outlook
from companion.glance import Glance, RodView
from companion.units import LengthUnit, Units

NOT_KNOWN = "not known"


WORKED_OUT = "how deep the rods go is being worked out"
"""What is told until their tables are made."""


class Headline(NamedTuple):
    """The page's largest figure.

    Attributes:
        state: touch, clear, short or unknown.
        word: what goes before the figure, such as "clear by".
        figure: the figure or word itself.
        band: its doubt, or why it is not known.
        about: which rod or cast, and over what.
    """

    state: str
    word: str
    figure: str
    band: str
    about: str


def headline(seen: Glance, rod: RodView | None, unit: LengthUnit) -> Headline:
    """Return the headline for an instant.

    Args:
        seen: the instant.
        rod: the one in hand.
        unit: what depths are shown in.
    """
    units = Units(unit)
    if seen.side is not None and seen.side.under_way and seen.foretold is not None:
        return _of_cast(seen.t, seen.foretold, units)
    if rod is None:
        why = "no rod in hand: say its number, or tap it"
        if not seen.rods_known:
            why = f"{WORKED_OUT}: some minutes, once for each"
        return Headline("unknown", "", NOT_KNOWN, why, "the rod in hand")
    return _of_rod(seen, rod, units)


def _of_rod(seen: Glance, rod: RodView, units: Units) -> Headline:
    where = "ahead" if seen.ahead else "under the boat"
    about = f"{rod.name} over the bottom {where}"
    if seen.depth is None or rod.margin is None:
        return Headline(
            "unknown", "", NOT_KNOWN, "no depth comes from the sonar now", about
        )
    word, figure = _gap(rod.margin, units)
    deep, shallow = (
        _gap(rod.margin + rod.reach - reach, units) for reach in (rod.high, rod.low)
    )
    return Headline(
        rod.state, word, figure, f"nine in ten: {_between(deep, shallow)}", about
    )


def _gap(margin: float, units: Units) -> tuple[str, str]:
    """Return a margin as the voice says it, in two parts: "clear by" and "3 ft"."""
    if margin < -MatchRules().digs:
        return "digs by", units.short_depth(-margin)
    if margin <= 0.0:
        return "", "touch"
    if margin < JUST_CLEAR_M:
        return "just", "clear"
    if margin <= MatchRules().near:
        return "clear by", units.short_depth(margin)
    return "short by", units.short_depth(margin)


def _between(deep: tuple[str, str], shallow: tuple[str, str]) -> str:
    """Return two ends of a band in words: "clear by 1 to 5 ft", "touch to clear by 3 ft"."""
    if deep == shallow:
        return " ".join(deep).strip()
    if deep[0] == shallow[0] and deep[0].endswith("by"):
        least, most = deep, shallow
        if deep[0] == "digs by":
            least, most = shallow, deep
        return f"{deep[0]} {least[1].split()[0]} to {most[1]}"
    return f"{' '.join(deep).strip()} to {' '.join(shallow).strip()}"


def _of_cast(t: float, outlook: Outlook, units: Units) -> Headline:
    about = f"this cast, {outlook.rod}"
    if outlook.state == "unknown":
        return Headline(
            "unknown", "", NOT_KNOWN, "nothing is mapped along this cast", about
        )
    band = f"touches in {round(10 * outlook.chance)} of 10 such casts"
    if outlook.state == "touch" or outlook.sureness == "may":
        word: str = outlook.sureness
        if word == "unlikely":
            word = "may"
        return Headline(
            "touch", word, "touch", band, about + _first_touch(t, outlook, units)
        )
    word, figure = _gap(max(outlook.margin or 0.0, 0.01), units)
    return Headline(outlook.state, word, figure, band, about)


def _first_touch(t: float, outlook: Outlook, units: Units) -> str:
    """Return where the first touch comes, and in how long while it still lies ahead."""
    if outlook.distance is None:
        return ""
    where = f", first {units.distance(outlook.distance)} out"
    if outlook.seconds is None or outlook.t + outlook.seconds - t < 1.0:
        return where
    return f"{where}, in {outlook.t + outlook.seconds - t:.0f} s"
