"""No label of a drawing lies on another or leaves the paper: measured on the boxes that Chromium lays out."""

from __future__ import annotations

import shutil

import numpy as np
import pytest

from companion import config
from companion.casting.plan import Target, ground, plan
from companion.casting.swim import Wish
from companion.lakebed.bed import Bed
from companion.lakebed.marks import Mark
from companion.lakebed.relief import Relief
from companion.pictures import lakebed
from companion.pictures import plan as plans
from companion.pictures import reach as reaching
from companion.pictures.drawing import Box, Labels
from companion.sensing.localplane import LocalPlane
from companion.tackle import calibrations, reaches

PLANE = LocalPlane(-47.2, -126.4)  # in open ocean: invented water
CHROMIUM = shutil.which("chromium")
OVERLAPS = """() => {
  const boxes = [...document.querySelectorAll("svg text")]
    .map((e) => [e.textContent, e.getBoundingClientRect()]);
  const paper = document.querySelector("svg").getBoundingClientRect(), found = [];
  boxes.forEach(([words, a], i) => {
    if (a.left < paper.left - 1 || a.right > paper.right + 1 || a.top < paper.top - 1
      || a.bottom > paper.bottom + 1)
      found.push([words, "off the paper"]);
    for (const [others, b] of boxes.slice(i + 1))
      if (Math.min(a.right, b.right) - Math.max(a.left, b.left) > 1
        && Math.min(a.bottom, b.bottom) - Math.max(a.top, b.top) > 2) found.push([words, others]);
  });
  return found;
}"""


@pytest.fixture(scope="module")
def browser():
    playwright = pytest.importorskip(
        "playwright.sync_api", reason="playwright is not installed"
    )
    if CHROMIUM is None:
        pytest.skip("Debian's Chromium is not installed")
    with playwright.sync_playwright() as running:
        opened = running.chromium.launch(
            executable_path=CHROMIUM, args=["--no-sandbox"]
        )
        yield opened
        opened.close()


def lake(seed):
    """A rough lake with marks that crowd each other."""
    rough, bed = np.random.default_rng(seed), Bed()
    for y in np.arange(0.0, 150.0, 8.0):
        for x in np.arange(0.0, 220.0, 3.0):
            depth = 5.0 + 3.0 * np.sin(x / 23.0 + seed) * np.cos(y / 31.0) + 0.02 * x
            bed.add(*PLANE.to_latlon(float(x), float(y)), float(depth))
    for _ in range(14):
        east, north = (float(v) for v in rough.uniform(90.0, 130.0, 2))
        bed.mark(
            "tree top",
            *PLANE.to_latlon(east, north),
            depth=float(rough.uniform(1.0, 3.0)),
        )
    return lakebed.svg(lakebed.chart(bed.areas[0], f"Rough water {seed}"), "feet")


def planned():
    settings = config.parse(config.example_text(), "the example config")
    rods = reaches(settings.rods, calibrations(settings.rods))
    line = np.arange(0.0, 121.0, 2.0)
    east, north = np.meshgrid(line, line)
    depth = 3.4 + 3.0 / (1.0 + np.exp(-(east - 50.0) / 6.0)) + 0.01 * north
    depth[:, :3] = np.nan
    relief = Relief(line, line, depth, 0.1 + 0.01 * abs(north - 50.0))
    on = ground(relief, [Mark(1, "tree top", 70.0, 50.0, radius=3.0, top=4.5)])
    target = Target("lip", (np.array([[48.0, 30.0], [48.0, 70.0]]),))
    found = plan(on, rods, target, Wish())
    return [plans.svg(found, on, target, "feet"), reaching.svg(rods, "metres")]


def test_no_words_lie_on_others_or_off_the_paper(browser):
    page = browser.new_page(viewport={"width": 1500, "height": 1200})
    for drawing in (lake(1), lake(2), *planned()):
        page.set_content(f"<!doctype html><body>{drawing}")
        assert page.evaluate("document.querySelectorAll('svg text').length") > 10
        assert page.evaluate(OVERLAPS) == []
    page.close()


def test_a_label_finds_another_side_and_is_left_out_when_there_is_none():
    labels = Labels(Box(0.0, 0.0, 200.0, 60.0))
    labels.block(Box(100.0, 0.0, 200.0, 60.0))
    assert 'text-anchor="end"' in labels.beside(95.0, 30.0, "18 ft")
    assert labels.beside(95.0, 30.0, "a long word that has no room") == ""
