"""The colours: told apart by every eye, by day and by night, and read on what they stand on."""

from __future__ import annotations

from itertools import combinations, pairwise

import numpy as np
import pytest

from companion.pictures.palette import (
    DEPTH_RAMP,
    ROD_COLOURS,
    ROLE_COLOURS,
    rod_class,
    sheet,
    variables,
)

EYES = {
    "usual": np.eye(3),
    # Machado et al. 2009, IEEE TVCG 15, 1291, severity 1.0 (M).
    "protan": [[0.152286, 1.052583, -0.204868], [0.114503, 0.786281, 0.099216],
               [-0.003882, -0.048116, 1.051998]],
    "deutan": [[0.367322, 0.860646, -0.227968], [0.280085, 0.672501, 0.047413],
               [-0.011820, 0.042940, 0.968881]],
    "tritan": [[1.255528, -0.076749, -0.178779], [-0.078411, 0.930809, 0.147602],
               [0.004733, 0.691367, 0.303900]],
}  # fmt: skip
LOOKS = ("day", "night")


def linear(colour):
    parts = np.array([int(colour[i : i + 2], 16) for i in (1, 3, 5)]) / 255
    return np.where(parts <= 0.04045, parts / 12.92, ((parts + 0.055) / 1.055) ** 2.4)


def seen(colour, eye):
    return np.clip(np.array(EYES[eye]) @ linear(colour), 0.0, 1.0)


def luminance(light):
    """Relative luminance (WCAG 2.2, "relative luminance"; S)."""
    return float(light @ [0.2126, 0.7152, 0.0722])


def contrast(a, b):
    light, dark = sorted((luminance(linear(a)), luminance(linear(b))), reverse=True)
    return (light + 0.05) / (dark + 0.05)


def lab(light):
    """CIELAB of linear sRGB under D65 (IEC 61966-2-1 and CIE 15; M)."""
    matrix = [
        [0.4124, 0.3576, 0.1805],
        [0.2126, 0.7152, 0.0722],
        [0.0193, 0.1192, 0.9505],
    ]
    xyz = np.array(matrix) @ light / np.array([0.9505, 1.0, 1.089])
    f = np.where(xyz > 0.008856, np.cbrt(xyz), 7.787 * xyz + 16 / 116)
    return np.array([116 * f[1] - 16, 500 * (f[0] - f[1]), 200 * (f[1] - f[2])])


def apart(a, b, eye):
    """CIE 1976 colour difference; 2.3 is about the least that is seen (Mahy et al. 1994; M)."""
    return float(np.linalg.norm(lab(seen(a, eye)) - lab(seen(b, eye))))


@pytest.mark.parametrize("look", LOOKS)
@pytest.mark.parametrize("eye", EYES)
def test_every_pair_that_has_to_be_told_apart_is_told_apart(look, eye):
    roles = ROLE_COLOURS[look]
    sets = [
        ROD_COLOURS[look],
        [roles[name] for name in ("water", "ground", "paper")],
        [roles[name] for name in ("path", "lure", "top", "water")],
        [roles[name] for name in ("catch", "mark", "ink")],
        [roles[name] for name in ("track", "cast", "paper")],
    ]
    for colours in sets:
        for a, b in combinations(colours, 2):
            assert apart(a, b, eye) > 10.0, (a, b)


@pytest.mark.parametrize("look", LOOKS)
@pytest.mark.parametrize("eye", EYES)
def test_each_band_of_depth_is_darker_than_the_last(look, eye):
    for shallow, deep in pairwise(DEPTH_RAMP[look]):
        light, dark = (
            luminance(seen(shallow, eye)) + 0.05,
            luminance(seen(deep, eye)) + 0.05,
        )
        assert light / dark > 1.15, (shallow, deep)


@pytest.mark.parametrize("look", LOOKS)
def test_words_and_lines_stand_out_as_the_guidelines_ask(look):
    """WCAG 2.2: 7 for text (1.4.6), 3 for graphics (1.4.11) (S)."""
    roles = ROLE_COLOURS[look]
    for words, on in (("ink", "paper"), ("ink", "card"), ("soft", "paper"), ("soft", "card"),
                      ("ink", "water"),
                      ("on-deed", "deed"), ("on-alarm", "alarm"), ("ink", "chosen")):  # fmt: skip
        assert contrast(roles[words], roles[on]) >= 7.0, (words, on)
    for line in ("edge", "path", "lure", "top", "catch", "cast", "track"):
        assert contrast(roles[line], roles["paper"]) >= 3.0, line
    for colour in ROD_COLOURS[look]:
        assert contrast(colour, roles["water"]) >= 3.0, colour
        assert contrast(colour, roles["paper"]) >= 3.0, colour
        assert contrast(colour, roles["on-rod"]) >= 3.0, colour


def test_no_two_of_ten_rods_are_alike_in_colour_and_line():
    assert len({rod_class(place) for place in range(10)}) == 10


def test_every_colour_of_the_sheet_is_one_of_the_palette():
    assert "@" not in sheet("day")
    assert "var(" not in sheet("night")
    assert "@" not in sheet()
    named = {part.split(")")[0] for part in sheet().split("var(")[1:]}
    assert all(f"{name}:" in variables() for name in named)
