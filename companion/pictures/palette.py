"""The colours of every picture, by day and by night, and the style sheet that gives them to its parts.

A part of a drawing bears a class that says what it is ("water", "ground", "catch"); the
style sheet gives the class its colour. A drawing by itself carries the sheet in the
colours of the day; a page carries it with variables, so that day and night need no
second drawing. No two colours that have to be told apart look alike to colour-blind
eyes, and a shape, a line style or a word goes with each.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Literal

Look = Literal["day", "night"]

DEPTH_RAMP: Mapping[Look, tuple[str, ...]] = {
    "day": (
        "#f7ecd0", "#dfdcae", "#b3cba2", "#7db39f", "#4f979e", "#33789a", "#2a578a", "#243a6c", "#1b2148",
    ),
    "night": (
        "#b3ab96", "#9c9a79", "#7b8c6f", "#577e6f", "#386e73", "#265c77", "#234a76", "#223868", "#1f2650",
    ),
}  # fmt: skip
"""Shallow to deep: each step is darker than the one before, to any eye."""
ROD_COLOURS: Mapping[Look, tuple[str, ...]] = {
    "day": ("#1f6fb2", "#e0341f", "#3a0902", "#b9585c", "#9610f9", "#05024d"),
    "night": ("#4a86b4", "#e4ab01", "#b061ff", "#f2fcb4", "#e0455a", "#68ecf2"),
}
"""Colours for rods; a line style goes with each."""
ROD_DASHES = ("", "9 4", "3 3", "12 3 3 3", "6 6", "1 4")
"""Line styles that go with the rods' colours, for print and for eyes that see neither."""

ROLE_COLOURS: Mapping[Look, Mapping[str, str]] = {
    "day": {
        "paper": "#fdfcf7", "card": "#f3f0e6", "ink": "#11181b", "soft": "#3d474b", "edge": "#5b6264",
        "hair": "#d3ccba", "deed": "#0b3b45", "on-deed": "#ffffff", "alarm": "#7a0c1d", "on-alarm": "#ffffff",
        "chosen": "#fff1c2", "water": "#d0e5f0", "ground": "#6a563f", "seam": "#3b2c1b", "line": "#3b2c1b",
        "band": "#e08a1e", "path": "#7a3300", "lure": "#5c0f66", "top": "#1c4a20", "catch": "#b3261e",
        "mark": "#e6a700", "cast": "#5b3b8c", "track": "#8a2f1d", "on-rod": "#ffffff",
    },
    "night": {
        "paper": "#080b0c", "card": "#13191b", "ink": "#f4e6cb", "soft": "#d9ccb4", "edge": "#8d8778",
        "hair": "#3c3a33", "deed": "#f0c983", "on-deed": "#14110a", "alarm": "#ffb9ac", "on-alarm": "#2b0500",
        "chosen": "#3b3312", "water": "#0e222b", "ground": "#4a3d2e", "seam": "#d9bf98", "line": "#e6cfa8",
        "band": "#b06a12", "path": "#ffb75a", "lure": "#f3b8ff", "top": "#a6dba0", "catch": "#ff8d7a",
        "mark": "#ffd35a", "cast": "#cdb0ff", "track": "#ffb199", "on-rod": "#080b0c",
    },
}  # fmt: skip
"""What each role is painted with."""


def colours(look: Look) -> dict[str, str]:
    """Return every colour of a look by its name; depths are "depth-0" on, rods "rod-0" on."""
    named = dict(ROLE_COLOURS[look])
    named |= {f"depth-{i}": colour for i, colour in enumerate(DEPTH_RAMP[look])}
    return named | {f"rod-{i}": colour for i, colour in enumerate(ROD_COLOURS[look])}


def variables() -> str:
    """Return the colours as CSS variables: those of the device's scheme, unless the page asks for a look."""
    day, night = (
        "".join(f"--{name}:{colour};" for name, colour in colours(look).items())
        for look in ("day", "night")
    )
    dark = f"color-scheme:dark;{night}"
    return (
        f":root{{color-scheme:light;{day}}}\n"
        f"@media (prefers-color-scheme:dark){{:root:not([data-look=day]){{{dark}}}}}\n"
        f":root[data-look=night]{{{dark}}}\n"
        f"@media print{{:root,:root[data-look]{{color-scheme:light;{day}}}}}\n"
    )


def sheet(look: Look | None = None) -> str:
    """Return the style sheet of drawings: in the colours of a look, or with variables for a page."""
    text = _SHEET + "".join(
        f".depth-{i}{{fill:@depth-{i};stroke:@depth-{i}}}\n"
        for i in range(len(DEPTH_RAMP["day"]))
    )
    for i, dash in enumerate(ROD_DASHES):
        text += f".rod-{i}{{stroke:@rod-{i}}}.fill-rod-{i}{{fill:@rod-{i}}}\n"
        if dash:
            text += f".dash-{i}{{stroke-dasharray:{dash}}}\n"
    found = {name: f"var(--{name})" for name in colours("day")}
    if look:
        found = colours(look)
    for name in sorted(found, key=len, reverse=True):
        text = text.replace(f"@{name}", found[name])
    return text


def rod_class(place: int) -> str:
    """Return the classes of a rod's line by its place in the list; no two of ten are alike in both."""
    rounds = place // len(ROD_DASHES)
    return f"rod-{place % len(ROD_DASHES)} dash-{(place + rounds) % len(ROD_DASHES)}"


_SHEET = """
.drawing{font-family:sans-serif;font-size:14px}
.drawing text{fill:@ink}
.drawing .title{font-size:20px;font-weight:bold}
.drawing .strong{font-weight:bold}
.drawing .tick{fill:@soft;font-size:13px}
.drawing .note{fill:@soft;font-size:12px}
.drawing .label{stroke:@paper;stroke-width:4px;stroke-linejoin:round;paint-order:stroke;font-size:13px}
.drawing .now{font-weight:bold;font-size:16px}
.paper{fill:@paper}
.frame{fill:none;stroke:@ink;stroke-width:1.5}
.axis{fill:none;stroke:@edge;stroke-width:1}
.grid{fill:none;stroke:@edge;stroke-width:1;stroke-opacity:.3}
.ruler{fill:none;stroke:@ink;stroke-width:2}
.water{fill:@water}
.surface{fill:none;stroke:@ink;stroke-width:2}
.unknown{fill:@paper}
.unknown-hatch{stroke:@edge;stroke-width:1.2}
.ground{fill:@ground}
.bottom{fill:none;stroke:@line;stroke-width:2.5}
.guess{stroke-dasharray:2 4}
.seam{opacity:.75}
.hatch{stroke:@seam;stroke-width:2.2}
.doubt-paper{stroke:@paper;stroke-width:1.8}
.doubt-ink{stroke:@ink;stroke-width:.8}
.doubt-wide{stroke:@paper;stroke-width:5.4}
.contour{fill:none;stroke:@ink;stroke-width:1}
.depth{stroke-width:.6}
.track{fill:none;stroke:@track;stroke-width:1.6;stroke-linejoin:round}
.track-halo{fill:none;stroke:@paper;stroke-width:3.4;stroke-opacity:.8;stroke-linejoin:round}
.sounded{stroke:@ink;stroke-opacity:.6;stroke-linecap:round}
.sounded-halo{stroke:@paper;stroke-opacity:.6;stroke-linecap:round}
.band{fill:@band;opacity:.4}
.path{fill:none;stroke:@path;stroke-width:3;stroke-dasharray:9 4}
.touching{fill:none;stroke:@path;stroke-width:6;stroke-linecap:round}
.counted{fill:none;stroke-width:6.5;stroke-linecap:round}
.way{fill:none;stroke-width:2.5}
.spread{stroke:none;fill-opacity:.14}
.rod,.sonar{fill:none;stroke:@ink;stroke-width:3;stroke-linecap:round}
.stem{stroke:@top;stroke-width:3}
.top{fill:@top}
.halo{fill:@paper}
.lure{fill:@lure}
.target{fill:none;stroke:@ink;stroke-width:2;stroke-dasharray:2 5}
.cast{fill:none;stroke:@cast;stroke-width:1.6}
.cast-end{stroke:@cast;stroke-width:7;stroke-linecap:round}
.wide-guess{stroke-dasharray:5 4}
.within{fill:none;stroke:@catch;stroke-width:1;stroke-dasharray:2 3}
.sign-disc{fill:@paper;stroke:@ink;stroke-width:1.6}
.sign{fill:none;stroke:@ink;stroke-width:2;stroke-linecap:round;stroke-linejoin:round}
.sign-catch{fill:@catch;stroke:@paper;stroke-width:1.4}
.sign-open{fill:@paper;stroke:@catch;stroke-width:2.6}
.sign-ink{fill:@ink;stroke:@paper;stroke-width:1.4}
.sign-cross{fill:none;stroke:@ink;stroke-width:3.2;stroke-linecap:round}
.boat{fill:@deed;stroke:@paper;stroke-width:2}
.badge{stroke:@paper;stroke-width:2}
.drawing .badge-words{fill:@on-rod;font-weight:bold;font-size:13px}
.key{stroke:@ink;stroke-width:.6}
.span{fill:none;stroke:@cast;stroke-width:8}
.cursor{stroke:@paper;stroke-width:2}
.time-now{stroke:@alarm;stroke-width:2.5}
.reach-described{stroke:@edge;stroke-width:5;stroke-opacity:.5}
.reach-morning{stroke:@mark;stroke-width:5;stroke-opacity:.6}
.reach-evening{stroke:@rod-0;stroke-width:5;stroke-opacity:.5}
.reach-described-point{fill:@paper;stroke:@edge;stroke-width:2.5}
.reach-morning-point{fill:@mark;stroke:@ink;stroke-width:1.4}
.reach-evening-point{fill:@rod-0;stroke:@paper;stroke-width:1.4}
.rate{stroke:@rod-0;stroke-width:6;stroke-opacity:.4;fill:none}
.rate-point{fill:@rod-0}
.told{fill:none;stroke:@ink;stroke-width:2.4}
.plain-line{fill:none;stroke:@edge;stroke-width:3}
"""
