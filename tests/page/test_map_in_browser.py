"""The lakebed's page in a browser: the depth under a finger, nearer, moved, and the whole again."""

import numpy as np
import pytest

from companion.lakebed.marks import Marks
from companion.lakebed.surface import Surface
from companion.lakebed.waters import Area
from companion.pictures import lakebed as pictures


@pytest.fixture(scope="module")
def page_of_a_lake(tmp_path_factory):
    """An invented slope, 100 m by 80 m."""
    surface = Surface()
    for east, north in np.mgrid[0:100:4, 0:80:4].reshape(2, -1).T.tolist():
        surface.add(east, north, 3.0 + 0.05 * east)
    area = Area(1, -47.2, -126.4, lambda: (surface, Marks()))
    path = tmp_path_factory.mktemp("map") / "lake.html"
    path.write_text(pictures.html(pictures.chart(area, "Invented lake"), "metres"))
    return path.as_uri()


@pytest.fixture
def shown(browser, page_of_a_lake):
    context = browser.new_context(
        has_touch=True, viewport={"width": 800, "height": 900}
    )
    page = context.new_page()
    page.goto(page_of_a_lake)
    yield page
    context.close()


def seen(page):
    """What of the drawing is in view: x, y, width, height."""
    box = page.locator("svg.drawing").get_attribute("viewBox")
    return [float(part) for part in box.split()]


def middle(page):
    box = page.locator("svg.drawing").bounding_box()
    return box["x"] + 0.35 * box["width"], box["y"] + 0.4 * box["height"]


def test_a_finger_is_told_the_depth(shown):
    shown.touchscreen.tap(*middle(shown))
    assert "nine times in ten within" in shown.locator("#told").inner_text()


def test_buttons_bring_it_nearer_and_back(shown):
    whole = seen(shown)
    shown.click("#nearer")
    assert seen(shown)[2] == pytest.approx(0.5 * whole[2])
    shown.click("#further")
    shown.click("#further")
    assert seen(shown) == whole
    for _ in range(8):
        shown.click("#nearer")
    assert seen(shown)[2] == pytest.approx(whole[2] / 16.0)
    shown.click("#whole")
    assert seen(shown) == whole


def test_the_wheel_keeps_the_place_under_the_pointer_and_a_drag_moves_it(shown):
    whole, (x, y) = seen(shown), middle(shown)
    shown.mouse.move(x, y)
    before = shown.locator("#told").inner_text()
    shown.mouse.wheel(0.0, -600.0)
    shown.wait_for_function(
        f"document.querySelector('svg.drawing').viewBox.baseVal.width < {0.5 * whole[2]}"
    )
    shown.mouse.move(x + 1.0, y)
    shown.mouse.move(x, y)
    assert shown.locator("#told").inner_text() == before
    left = seen(shown)[0]
    shown.mouse.down()
    shown.mouse.move(x - 50.0, y, steps=5)
    shown.mouse.up()
    assert seen(shown)[0] > left


def test_two_fingers_apart_bring_it_nearer(shown):
    whole, (x, y) = seen(shown), middle(shown)
    touch = shown.context.new_cdp_session(shown)
    for kind, apart in (("touchStart", 20.0), ("touchMove", 60.0), ("touchMove", 80.0)):
        points = [
            {"x": x - apart, "y": y, "id": 0},
            {"x": x + apart, "y": y, "id": 1},
        ]
        touch.send("Input.dispatchTouchEvent", {"type": kind, "touchPoints": points})
    touch.send("Input.dispatchTouchEvent", {"type": "touchEnd", "touchPoints": []})
    assert seen(shown)[2] < 0.5 * whole[2]
