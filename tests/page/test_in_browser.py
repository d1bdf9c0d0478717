"""The page as a person has it: in Chromium, on a telephone and a desk, by day and night, by keyboard."""

from __future__ import annotations

import re
import time

import pytest
from playwright.sync_api import Error

from companion.events import Logged

PHONE, DESK = {"width": 390, "height": 844}, {"width": 1280, "height": 800}


@pytest.fixture
def opened(browser, aboard):
    """A browser's tab on the page, and what went wrong in its console."""
    context = browser.new_context(viewport=PHONE)
    tab = context.new_page()
    troubles = []
    tab.on(
        "console",
        lambda message: (
            troubles.append(message.text) if message.type == "error" else None
        ),
    )
    tab.on("pageerror", lambda error: troubles.append(str(error)))
    tab.goto(aboard.url)
    following(tab, aboard)
    yield tab
    context.close()
    assert not [
        trouble
        for trouble in troubles
        if "ERR_" not in trouble and "status of" not in trouble
    ]


def until(tab, true: str, argument=None, patience: float = 600.0):
    """Wait for an expression to be true. The page's content policy forbids the browser's own way."""
    deadline = time.monotonic() + patience
    while time.monotonic() < deadline:
        try:
            if tab.evaluate(true, argument):
                return
        except Error as error:  # the page is just being loaded anew
            if "context was destroyed" not in str(error):
                raise
        time.sleep(0.03)
    pytest.fail(f"it did not come to be: {true} {argument}")


def following(tab, aboard):
    until(tab, "document.body.dataset.shown !== undefined")
    assert aboard.page.watched >= 1


def pair(tab, aboard):
    tab.get_by_role("button", name="Have a code spoken").click()
    tab.get_by_text("A code was spoken").wait_for()
    tab.get_by_label("figures you hear").fill(aboard.codes[-1])
    tab.get_by_role("button", name="Pair").click()
    tab.get_by_role("button", name="Bite").wait_for()


def words(tab, part: str) -> str:
    return tab.locator(f"#{part}").inner_text()


def wait_for_words(tab, part: str, text: str):
    until(
        tab,
        "([id, text]) => document.getElementById(id).textContent === text",
        [part, text],
    )


def test_every_part_follows_what_is_shown(opened, aboard, scenes):
    assert (words(opened, "word"), words(opened, "figure")) == ("clear by", "3 ft")
    aboard.page.show(
        scenes.glance(
            260.0,
            3.9,
            2,
            side=scenes.side(5.1, 0.7),
            said="touch",
            said_at=258.9,
            heard="rod number two",
            heard_at=250.0,
        )
    )
    wait_for_words(opened, "rod", "Rod 2")
    expected = {
        "figure": "touch",
        "depth": "13 ft",
        "depth-age": "measured just now",
        "said": "touch",
        "said-age": "just now",
        "heard": "rod number two",
        "heard-age": "10 s ago",
        "understood": "taken as: rod",
        "carries": "deep dorrow on 14 lb fluorocarbon",
        "rod-4-match": "clear by 1 foot",
        "rod-1-match": "touch",
    }
    assert {part: words(opened, part) for part in expected} == expected
    assert not opened.locator("#rod-2").is_visible()  # it is in hand, and shown above
    assert opened.locator("#rod-1").is_visible()
    lure = opened.locator("#picture circle")
    assert float(lure.get_attribute("cx")) < 210  # on its way back
    assert "It is at" in words(opened, "side")


def test_without_scripts_the_first_paint_says_it_all(browser, aboard):
    context = browser.new_context(java_script_enabled=False, viewport=PHONE)
    tab = context.new_page()
    tab.goto(aboard.url)
    assert words(tab, "depth") == "21 ft"
    assert (words(tab, "word"), words(tab, "figure")) == ("clear by", "3 ft")
    assert tab.locator("#picture .path").count() == 1
    assert tab.get_by_role("link", name="Show it afresh").is_visible()
    tab.get_by_role("button", name="Have a code spoken").click()
    tab.get_by_label("figures you hear").fill(aboard.codes[-1])
    tab.get_by_role("button", name="Pair").click()
    tab.get_by_role("button", name="Bite").click()
    assert words(tab, "told") == "Sent."
    assert aboard.taps == ["log bite"]
    context.close()


def test_a_tap_is_sent_and_confirmed(opened, aboard):
    assert not opened.get_by_role("button", name="Bite").is_visible()
    assert opened.get_by_role("button", name="Rod 3").is_disabled()
    pair(opened, aboard)
    for name, told in (
        ("Cast", "cast now"),
        ("Touch", "bottom contact"),
        ("Bite", "log bite"),
        ("Fish", "log fish"),
        ("Mark", "mark this spot"),
        ("Rod 3", "rod number three"),
        ("Undo", "undo that"),
    ):
        opened.get_by_role("button", name=name).click()
        opened.get_by_text(f'Sent: "{told}"').wait_for()
    assert aboard.taps == [
        "cast now", "bottom contact", "log bite", "log fish", "mark this spot", "rod number three",
        "undo that",
    ]  # fmt: skip
    aboard.page.event(Logged(t=1.0, number=1, what="bite"))
    wait_for_words(opened, "last", "1. bite")
    aboard.busy = True
    opened.get_by_role("button", name="Touch").click()
    opened.get_by_text("NOT SENT: the companion is busy. Say it instead.").wait_for()


def test_the_keyboard_is_enough(opened, aboard):
    pair(opened, aboard)
    opened.keyboard.press("Tab")
    seen = []
    for _ in range(16):
        focused = opened.evaluate(
            "document.activeElement.innerText || document.activeElement.tagName"
        )
        if focused == "BODY":
            opened.keyboard.press("Tab")
            continue
        if focused in seen:
            break
        seen.append(focused)
        width = opened.evaluate("getComputedStyle(document.activeElement).outlineWidth")
        assert float(width.removesuffix("px")) >= 3
        if focused == "Bite":
            opened.keyboard.press("Enter")
        opened.keyboard.press("Tab")
    assert {
        "Cast",
        "Touch",
        "Bite",
        "Fish",
        "Mark",
        "Undo",
        "Look: as the device",
    } <= set(seen)
    assert sum(text.startswith("Rod ") for text in seen) == 3
    opened.get_by_text('Sent: "log bite"').wait_for()


def test_it_fits_and_everything_to_touch_is_large(opened, aboard):
    pair(opened, aboard)
    for size in (
        PHONE,
        DESK,
        {"width": 360, "height": 640},
        {"width": 320, "height": 568},
    ):
        opened.set_viewport_size(size)
        assert_it_fits(opened, size)


def assert_it_fits(opened, size):
    assert opened.evaluate("document.documentElement.scrollWidth <= innerWidth")
    sizes = opened.evaluate(
        """[...document.querySelectorAll("button, input, a")].filter(e => e.offsetParent)
           .map(e => [e.innerText, e.getBoundingClientRect().width, e.getBoundingClientRect().height])"""
    )
    assert len(sizes) >= 7
    assert not [one for one in sizes if min(one[1], one[2]) < 48]
    bite = opened.get_by_role("button", name="Bite").bounding_box()
    assert bite["y"] + bite["height"] <= size["height"]  # in reach without scrolling


AXE = """async () => (await axe.run(document, {
  runOnly: ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"],
  rules: {"color-contrast-enhanced": {enabled: true}, "target-size": {enabled: true}},
})).violations.map(v => [v.id, v.impact, v.nodes.map(n => n.html.slice(0, 90))])"""


def axe_violations(tab):
    from importlib.resources import files

    # By the debugger's way in: the page's own content policy forbids to add a script.
    tab.evaluate(files("axe_playwright_python").joinpath("axe.min.js").read_text())
    return tab.evaluate(AXE)


def test_axe_finds_nothing_and_all_text_has_contrast_of_seven(opened, aboard, scenes):
    assert axe_violations(opened) == []
    pair(opened, aboard)
    assert axe_violations(opened) == []
    opened.set_viewport_size(DESK)
    aboard.page.show(
        scenes.glance(300.0, None, depth_at=100.0, side=None, heard=None, said=None)
    )
    wait_for_words(opened, "depth", "not known")
    assert axe_violations(opened) == []
    opened.emulate_media(color_scheme="dark")
    assert axe_violations(opened) == []


CONTRASTS = """() => {
  const light = (c) => {
    const [r, g, b] = c.match(/[\\d.]+/g).map((v) => v / 255)
      .map((v) => (v <= 0.04045 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4));
    return 0.2126 * r + 0.7152 * g + 0.0722 * b;
  };
  const of = (e, what) => getComputedStyle(e)[what];
  const water = light(of(document.querySelector("#picture .water"), "fill"));
  const card = light(of(document.querySelector("figure.side"), "backgroundColor"));
  const ratio = (a, b) => (Math.max(a, b) + 0.05) / (Math.min(a, b) + 0.05);
  const found = {};
  for (const e of document.querySelectorAll("#picture .label, #picture .now")) {
    found[e.textContent] = ratio(light(of(e, "fill")), water);
  }
  for (const e of document.querySelectorAll("#picture .tick")) {
    found[e.textContent] = ratio(light(of(e, "fill")), card);
  }
  return found;
}"""


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_words_in_the_picture_have_contrast_of_seven_too(opened, scheme):
    """axe does not look into an SVG. Labels have an outline of the water's colour (WCAG 2.2, 1.4.6)."""
    opened.emulate_media(color_scheme=scheme)
    ratios = opened.evaluate(CONTRASTS)
    assert {"lure 16 ft", "14 ft", "20"} <= set(ratios)
    assert {text: ratio for text, ratio in ratios.items() if ratio < 7.0} == {}


def test_day_and_night_can_be_chosen_and_are_kept(opened, aboard):
    def paper():
        return opened.evaluate(
            "getComputedStyle(document.documentElement).backgroundColor"
        )

    look = opened.locator("#look")
    opened.emulate_media(color_scheme="light")
    day = paper()
    look.click()
    look.click()
    assert look.inner_text() == "Look: night"
    night = paper()
    assert night != day
    opened.reload()
    following(opened, aboard)
    assert paper() == night
    opened.emulate_media(color_scheme="dark")
    look.click()
    assert look.inner_text() == "Look: as the device"
    look.click()
    assert paper() == day


def test_nothing_moves_for_who_wants_no_motion(opened):
    opened.emulate_media(reduced_motion="reduce")
    moving = opened.evaluate(
        """[...document.querySelectorAll("*")].filter(e => {
             const s = getComputedStyle(e);
             return parseFloat(s.transitionDuration) > 0 || s.animationName !== "none";
           }).length"""
    )
    assert moving == 0


def test_few_things_are_read_out_by_themselves(opened):
    live = opened.evaluate(
        '[...document.querySelectorAll("[aria-live], [role=status], [role=alert]")].map(e => e.id)'
    )
    assert sorted(live) == ["contact", "pair-told", "told"]


def test_what_is_old_looks_old(opened, monkeypatch):
    fresh = opened.evaluate(
        "getComputedStyle(document.getElementById('figure')).textDecorationLine"
    )
    assert fresh == "none"
    monkeypatch.setattr("companion.page.view.SILENT_AGE_S", 0.2)
    until(opened, "document.getElementById('feed').dataset.state === 'silent'")
    assert words(opened, "feed").startswith("OLD: nothing new from the sensors")
    assert (
        opened.evaluate(
            "getComputedStyle(document.getElementById('figure')).textDecorationLine"
        )
        == "line-through"
    )


def test_it_is_right_again_after_the_server_was_away(browser, scenes):
    with scenes.Aboard() as first:
        first.page.show(scenes.glance())
        port = int(first.host.split(":")[1])
        context = browser.new_context(viewport=PHONE)
        tab = context.new_page()
        tab.goto(first.url)
        following(tab, first)
    until(tab, "document.body.dataset.contact === 'lost'")
    assert words(tab, "contact").startswith("NO CONTACT")
    assert (
        tab.evaluate(
            "getComputedStyle(document.getElementById('depth')).textDecorationLine"
        )
        == "line-through"
    )
    with scenes.Aboard(port=port) as second:
        second.page.show(scenes.glance(500.0, 4.0, 3, said="touch", said_at=499.0))
        wait_for_words(tab, "rod", "Rod 3")
        assert words(tab, "said") == "touch"
        until(tab, "document.body.dataset.contact === 'back'")
        wait_for_words(tab, "contact", "Contact again.")
        context.close()


def test_another_set_of_rods_is_taken_up(opened, aboard, scenes):
    aboard.page.show(scenes.glance(300.0, rods=scenes.rods(6.3)[:2]))
    until(opened, "document.querySelectorAll('#rods li').length === 2")


def test_a_device_that_must_be_paired_gets_in_with_the_code(browser, scenes):
    with scenes.Aboard(reading="paired") as served:
        served.page.show(scenes.glance())
        context = browser.new_context(viewport=PHONE)
        tab = context.new_page()
        tab.goto(served.url)
        assert tab.locator("#depth").count() == 0
        assert axe_violations(tab) == []
        tab.get_by_role("button", name="Have a code spoken").click()
        tab.get_by_text("A code was spoken").wait_for()
        tab.get_by_label("figures you hear").fill("x")
        tab.get_by_role("button", name="Pair").click()
        tab.get_by_text("That is not the code.").wait_for()
        time.sleep(1.05)
        tab.get_by_label("figures you hear").fill(served.codes[-1])
        tab.get_by_role("button", name="Pair").click()
        tab.locator("#depth").wait_for()
        assert re.fullmatch(r"\d+ ft", words(tab, "depth"))
        context.close()


def test_the_figure_is_read_at_arms_length_with_its_doubt_and_the_cautions_stay_in_view(
    opened, aboard, scenes
):
    pair(opened, aboard)
    for size in (
        PHONE,
        {"width": 360, "height": 640},
        {"width": 820, "height": 1180},
        DESK,
    ):
        opened.set_viewport_size(size)
        px = opened.evaluate(
            "parseFloat(getComputedStyle(document.getElementById('figure')).fontSize)"
        )
        assert px >= 64.0
        figure, band = (
            opened.locator(f"#{part}").bounding_box() for part in ("figure", "band")
        )
        assert figure["x"] + figure["width"] <= size["width"]
        for y in (0, 300, 10_000):
            opened.evaluate("(y) => scrollTo(0, y)", y)
            box = opened.locator(".cautions").bounding_box()
            assert 0 <= box["y"] <= box["y"] + box["height"] <= size["height"]
            last = opened.locator("footer").bounding_box()
        assert (
            last["y"] + last["height"] <= opened.locator(".doing").bounding_box()["y"]
        )
        assert band["y"] >= figure["y"]
    for depth, state in (
        (None, "unknown"),
        (3.0, "touch"),
        (5.55, "clear"),
        (40.0, "short"),
    ):
        aboard.page.show(scenes.glance(400.0 + (depth or 0.0), depth, side=None))
        until(
            opened,
            "(s) => document.getElementById('headline').dataset.state === s",
            state,
        )
        opened.set_viewport_size({"width": 360, "height": 640})
        assert opened.evaluate("document.documentElement.scrollWidth") <= 360


def test_the_first_page_says_what_is_missing_and_how_to_mend_it(browser, scenes):
    with scenes.Aboard() as served:
        context = browser.new_context(viewport=PHONE)
        tab = context.new_page()
        tab.goto(served.url)
        assert tab.locator("#needs").is_visible()
        for need, remedy in (
            ("depth", "[sources]"),
            ("place", "open sky"),
            ("rods", "[[rods]]"),
        ):
            assert remedy in words(tab, f"need-{need}")
        assert axe_violations(tab) == []
        following(tab, served)
        served.page.show(scenes.glance())
        tab.locator("#needs").wait_for(state="hidden")
        context.close()


LISTED = """() => ({
  pressed: [...document.querySelectorAll("button, input, select, textarea")]
    .map((e) => e.value || e.id || e.textContent.trim()),
  links: [...document.querySelectorAll("[href], [src], [action]")]
    .map((e) => e.getAttribute("href") || e.getAttribute("src") || e.getAttribute("action")),
})"""


def test_every_url_and_every_button_is_one_that_is_allowed(opened, aboard):
    """No third party is named, linked to or asked for anything."""
    seen = opened.evaluate(LISTED)
    buttons = {
        "cast",
        "touch",
        "bite",
        "fish",
        "mark",
        "undo",
        "rod 1",
        "rod 2",
        "rod 3",
        "rod 4",
        "look",
        "code",
    }
    assert set(seen["pressed"]) <= buttons | {"1. Have a code spoken", "3. Pair"}
    own = {
        "/",
        "/do",
        "/ask",
        "/pair",
        "/read",
        "/mark.svg",
        "/glance.css",
        "/glance.js",
    }
    assert {link for link in seen["links"] if not link.startswith("#")} <= own
    for path in own - {"/do", "/ask", "/pair"}:
        text = aboard.request("GET", path)[2]
        assert set(
            re.findall(r"(?:https?:)?//[\w.-]+\.[a-z]{2,}[^\s\"'<>)]*", text)
        ) <= {"http://www.w3.org/2000/svg"}
