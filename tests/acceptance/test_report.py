"""The report of the demo day as a person gets it: from the command line into a browser without a network."""

from __future__ import annotations

import json
import os
import re
import shutil
import subprocess
import sys
from datetime import datetime
from pathlib import Path

import pytest
from click.testing import CliRunner

from companion import config
from companion.cli import OK, USAGE, commands
from companion.events import Heard, Logged, from_json
from companion.record.lakes import Lakes
from companion.record.logbook import Logbook
from companion.replay import KeepInTrip, find_day, replay
from companion.sensing.sources import FileSource
from companion.trip.assembly import RECORDING_WIRE

ROOT = Path(__file__).parents[2]
DAY = ROOT / "replay_logs" / "invented_saturday"
COMPANION = Path(sys.executable).parent / "companion"
CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")
EVENTS = [from_json(line) for line in (DAY / "expected.jsonl").read_text().splitlines()]
LOGGED = [event for event in EVENTS if isinstance(event, Logged)]


@pytest.fixture(scope="module")
def home(tmp_path_factory):
    """A user's data with the demo day replayed: its recorded events, and readings from its sentences."""
    folder = tmp_path_factory.mktemp("home")
    day = find_day(DAY)
    with Logbook(folder / "silent.db") as silent:
        with silent.begin_trip("silent", recording="silent") as trip:
            chunks = FileSource(RECORDING_WIRE, day.recording).chunks()
            keep = KeepInTrip(trip, Lakes(silent), day.recording)
            silently = (config.load(day.config), chunks, lambda _event: None, trip)
            replay(day._replace(clips=()), *silently, keep=keep)
        readings = list(silent.readings(trip.id))
    replayed = folder / "companion" / "replays" / f"{DAY.name}.db"
    with (
        Logbook(replayed) as book,
        book.begin_trip(DAY.name, recording=DAY.name) as trip,
    ):
        for event in EVENTS:
            trip.record(event)
        for r in readings:
            utc = None if r.utc is None else datetime.fromisoformat(r.utc)
            more = {
                "heading": r.heading,
                "speed": r.speed,
                "water_temperature": r.water_temperature,
            }
            trip.reading(r.t, utc, r.fix, r.depth, **more)
    return folder


@pytest.fixture(scope="module")
def companion(home):
    def run(*arguments):
        return subprocess.run(
            [COMPANION, *map(str, arguments)],
            capture_output=True,
            text=True,
            check=False,
            env=os.environ | {"XDG_DATA_HOME": str(home), "XDG_CONFIG_HOME": str(home)},
        )

    return run


@pytest.fixture(scope="module")
def report(companion, home):
    made = companion(
        "report",
        DAY,
        "-o",
        home / "report.html",
        "--pdf" if CHROMIUM else "--units=feet",
    )
    assert made.returncode == OK, made.stderr
    assert made.stderr == ""
    return home / "report.html"


def test_the_same_trip_reported_twice_is_byte_identical(companion, home, report):
    assert companion("report", DAY, "-o", home / "again.html").returncode == OK
    assert (home / "again.html").read_bytes() == report.read_bytes()


def test_the_demo_day_is_said_to_be_invented(report):
    assert (
        "An invented day: every place, boat, word and fish in here is made up"
        in report.read_text()
    )


def test_the_figures_are_those_of_the_events(companion):
    told = json.loads(companion("report", DAY, "--json").stdout)
    undone = {
        event.number for event in EVENTS if event.__struct_config__.tag == "undone"
    }
    assert [one["number"] for one in told["things"]] == [
        event.number for event in LOGGED
    ]
    assert {one["number"] for one in told["things"] if not one["stands"]} == undone
    standing = {event.number for event in LOGGED if event.what == "cast"} - undone
    assert {one["number"] for one in told["casts"]} == standing
    bites = {
        number
        for table in told["brought"]
        for row in table["rows"]
        for number in row["bites"]
    }
    catches = {
        e.number for e in LOGGED if e.what in ("bite", "fish", "lost fish")
    } - undone
    assert bites
    assert bites <= catches
    for table in told["brought"]:
        rows = [*table["rows"], *([table["unknown"]] if table["unknown"] else [])]
        assert sum(row["effort"] for row in rows) == len(standing)
    assert told["invented"]
    assert len(told["heard"]) == sum(isinstance(event, Heard) for event in EVENTS)


def test_a_copy_without_places_tells_none(companion, home):
    made = companion("report", DAY, "-o", home / "shown.html", "--without-places")
    assert made.returncode == OK, made.stderr
    text = (home / "shown.html").read_text()
    assert not re.search(r"-?47\.[12]\d+|-?126\.[34]\d+", text)
    assert "3 lb 2 oz" in text


def test_a_correction_from_the_command_line_is_in_the_next_report(companion, home):
    book = home / "amended.db"
    shutil.copy(home / "companion" / "replays" / f"{DAY.name}.db", book)
    bite = next(event for event in LOGGED if event.what == "bite")
    told = companion(
        "amend",
        bite.number,
        "--logbook",
        book,
        "--what",
        "fish",
        "--size",
        "2 lb 4 oz",
        "--json",
    )
    assert told.returncode == OK, told.stderr
    thing = json.loads(told.stdout)
    assert (thing[0]["what"], thing[1]["what"]) == ("bite", "fish")
    assert thing[1]["size"] == pytest.approx(1.021, abs=0.001)
    rod = companion(
        "amend",
        bite.number,
        "--logbook",
        book,
        "--rod",
        "4",
        "--note",
        "grabbed the wrong one",
    )
    assert "now:    fish, 2 lb 4 oz, rod 4, 20 lb nylon" in rod.stdout
    assert "note:   grabbed the wrong one" in rod.stdout
    assert "fish, 2 lb 4 oz, rod 4 (20 lb nylon)" in companion("logbook", book).stdout
    report = json.loads(companion("report", "--logbook", book, "--json").stdout)
    (found,) = [one for one in report["things"] if one["number"] == bite.number]
    assert found["as_logged"]["what"] == "bite"
    assert [one.get("note") for one in found["amendments"]] == [
        None,
        "grabbed the wrong one",
    ]
    assert f"#{bite.number}" in report["summary"]


def test_another_rod_has_its_lure_elsewhere_in_export_and_report(companion, home):
    book, folder = home / "regrabbed.db", home / "exported"
    shutil.copy(home / "companion" / "replays" / f"{DAY.name}.db", book)
    bite = next(event for event in LOGGED if event.what == "bite")
    assert bite.rod == "rod 1"

    def exported():
        assert (
            companion(
                "export", folder, "--logbook", book, "--format", "geojson"
            ).returncode
            == OK
        )
        features = json.loads((folder / "trip-1-trip.geojson").read_text())["features"]
        return next(
            one for one in features if one["properties"].get("number") == bite.number
        )

    before = exported()
    amended = companion("amend", bite.number, "--logbook", book, "--rod", "4")
    assert (amended.returncode, amended.stderr) == (OK, "")
    after = exported()
    assert (
        after["properties"]["lure_depth"] < before["properties"]["lure_depth"] - 0.3
    ), "rod 4 reaches less"
    assert after["geometry"]["coordinates"] != before["geometry"]["coordinates"]
    report = json.loads(companion("report", "--logbook", book, "--json").stdout)
    (found,) = [one["now"] for one in report["things"] if one["number"] == bite.number]
    assert found["lure_depth"] == after["properties"]["lure_depth"]
    lat, lon = found["lure_at"]["lat"], found["lure_at"]["lon"]
    assert [lon, lat] == pytest.approx(after["geometry"]["coordinates"], abs=1e-6)
    companion("amend", bite.number, "--logbook", book, "--rod", "1")
    assert exported() == before, "it was rod 1 after all"


def test_a_fish_goes_onto_another_rod_with_its_bite(companion, home):
    book = home / "together.db"
    shutil.copy(home / "companion" / "replays" / f"{DAY.name}.db", book)
    fish = next(event for event in LOGGED if event.catch is not None)
    told = companion("amend", fish.number, "--logbook", book, "--rod", "4")
    assert f"#{fish.catch} is the same catch: on rod 4 too" in told.stdout
    report = json.loads(companion("report", "--logbook", book, "--json").stdout)
    bite, landed = (
        one["now"]
        for one in report["things"]
        if one["number"] in (fish.catch, fish.number)
    )
    for name in ("rod", "line", "lure_depth", "lure_at", "lure_bottom"):
        assert bite[name] == landed[name], name
    assert (bite["rod"], bite["what"], landed["what"]) == ("rod 4", "bite", "fish")


def test_a_rod_that_the_config_has_not_leaves_the_lure_unknown_and_says_so(
    companion, home
):
    book, other = home / "unknown.db", home / "other.toml"
    shutil.copy(home / "companion" / "replays" / f"{DAY.name}.db", book)
    other.write_text(config.example_text())  # it has three rods
    bite = next(event for event in LOGGED if event.what == "bite")
    amended = companion(
        "amend",
        bite.number,
        "--logbook",
        book,
        "--rod",
        "4",
        "--config",
        other,
        "--json",
    )
    assert amended.returncode == OK
    assert "where the lure was is not known: the config has no rod 4" in amended.stderr
    now = json.loads(amended.stdout)[1]
    assert (now["lure_depth"], now["lure_at"], now["lure_bottom"]) == (None, None, None)


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("report", "nowhere"), "replay it first"),
        (("report", "99"), "there is no trip 99"),
        (("report", "--timezone", "Nowhere/At_All"), "no such time zone"),
        (("amend", "1"), "say what to correct"),
        (("amend", "999", "--note", "x"), "nothing logged under 999"),
        (("amend", "1", "--rod", "9"), 'no rod "9"'),
        (("amend", "1", "--size", "big"), "expected a length"),
        (("amend", "8", "--size", "4 lb"), "a bite has none"),
        (("season",), "at least one logbook"),
        (("season", "nowhere.db"), "no such logbook"),
    ],
)
def test_mistakes_are_told_in_one_line(home, arguments, words):
    result = CliRunner().invoke(commands, arguments, env={"XDG_DATA_HOME": str(home)})
    assert result.exit_code == USAGE
    assert isinstance(result.exception, SystemExit)
    assert words in result.output


def test_two_recorded_days_of_one_name_are_refused_and_one_named_twice_is_one(
    companion, tmp_path
):
    """They would go into one logbook, the one over the other."""
    line = b"$SDDPT,5.0,0.3*51\r\n"
    for folder in ("one", "two"):
        (tmp_path / folder / "day").mkdir(parents=True)
        (tmp_path / folder / "day" / "sonar.nmea").write_bytes(line * 50)
    one, two = tmp_path / "one" / "day", tmp_path / "two" / "day"
    into = ("--into", tmp_path / "books", "-o", tmp_path / "season.html", "--json")
    refused = companion("season", "--rerun", one, "--rerun", two, *into)
    assert refused.returncode == USAGE
    assert "two recorded days are called day" in refused.stderr
    made = companion("season", "--rerun", one, "--rerun", one / ".." / "day", *into)
    assert made.returncode == OK, made.stderr
    assert len(json.loads(made.stdout)["trips"]) == 1


def test_recorded_days_are_replayed_side_by_side_into_a_season(companion, tmp_path):
    lines = (DAY / "sonar.nmea").read_bytes().splitlines(keepends=True)
    for i, name in enumerate(("first", "second")):
        (tmp_path / name).mkdir()
        (tmp_path / name / "sonar.nmea").write_bytes(
            b"".join(lines[2000 * i : 2000 * i + 900])
        )
        shutil.copy(DAY / "companion.toml", tmp_path / name)
    days = [f"--rerun={tmp_path / name}" for name in ("first", "second")]
    into = ("--into", tmp_path / "books")
    made = companion(
        "season", *days, *into, "--jobs", "2", "--json", "-o", tmp_path / "season.html"
    )
    assert made.returncode == OK, made.stderr
    told = json.loads(made.stdout)
    assert [one["trip"]["name"] for one in told["trips"]] == ["first", "second"]
    assert [one["trip"]["readings"] > 40 for one in told["trips"]] == [True, True]
    before = (tmp_path / "season.html").read_bytes()
    books = [tmp_path / "books" / f"{name}.db" for name in ("second", "first")]
    again = companion("season", *books, "-o", tmp_path / "season.html")
    assert again.returncode == OK, again.stderr
    assert (tmp_path / "season.html").read_bytes() == before


# -- in a browser -------------------------------------------------------------------------------------

browsed = pytest.mark.skipif(
    CHROMIUM is None, reason="Debian's Chromium is not installed"
)


@pytest.fixture(scope="module")
def browser():
    playwright = pytest.importorskip(
        "playwright.sync_api", reason="playwright is not installed"
    )
    with playwright.sync_playwright() as running:
        started = running.chromium.launch(
            executable_path=CHROMIUM, args=["--no-sandbox"]
        )
        yield started
        started.close()


def until(page, true):
    """Wait for something to be true, asked from outside: the page's policy lets it evaluate nothing."""
    for _ in range(400):
        if page.evaluate(true):
            return
        page.wait_for_timeout(50)
    raise AssertionError(f"never true: {true}")


@pytest.fixture(scope="module")
def opened(browser, report):
    """The report in a browser that has no network, with everything that it complains of."""
    page = browser.new_context(
        offline=True, viewport={"width": 1280, "height": 900}
    ).new_page()
    complaints = []
    page.on("console", lambda message: complaints.append(message.text))
    page.on("pageerror", lambda error: complaints.append(str(error)))
    page.on(
        "request",
        lambda r: (
            r.url.startswith(("file:", "data:", "blob:")) or complaints.append(r.url)
        ),
    )
    page.goto(report.as_uri())
    until(page, "document.documentElement.classList.contains('scripted')")
    yield page, complaints
    page.context.close()


@browsed
def test_it_draws_its_charts_offline_without_a_complaint(opened):
    page, complaints = opened
    for name in ("map-chart", "time-chart"):
        assert page.locator(f"#{name} .world a.thing").count() >= 10
    assert page.locator("#reach svg.still .told").count() >= 3
    assert complaints == []


BUTTONS = {"number", "time", "what", "on", "lure", "bottom", "where", "heard"} | {
    "Closer", "Further away", "Whole map", "Play", "Time of day",
    "fish", "bite", "lost fish", "touch", "snag", "mark", "cast", "rod 1", "rod 2", "rod 3", "rod 4",
}  # fmt: skip
"""What a report offers to press beside the buttons that play a sound: sorting, looking, choosing."""
NAMESPACES = {"http://www.w3.org/2000/svg"}
"""Addresses that name a language and that nobody goes to."""


@browsed
def test_every_url_and_every_button_is_one_that_is_allowed(opened, report):
    """No third party is named, linked to, or offered the places."""
    page, _ = opened
    shown = page.evaluate(
        """[...document.querySelectorAll("button, [role=button], input, form, iframe, object, embed, link")]
        .map(e => e.getAttribute("aria-label") || e.innerText || e.value || e.tagName)"""
    )
    assert {one for one in shown if not one.startswith("play: ")} <= BUTTONS
    text = report.read_text()
    named = set(
        re.findall(
            r"(?:https?:|wss?:|ftp:|file:)?//[\w.-]+\.[a-z]{2,}[^\s\"'<>)]*", text
        )
    )
    assert named <= NAMESPACES
    without_sound = re.sub(r'src="data:audio[^"]*"', "", text)
    assert len(without_sound) < 1_000_000
    links = page.evaluate(
        "[...document.querySelectorAll('[href], [src], [action]')].map(e => e.outerHTML)"
    )
    assert [
        one[:80]
        for one in links
        if not re.search(r'(href|src)="(#|data:audio/flac)', one)
    ] == []


@browsed
@pytest.mark.parametrize("width", [360, 1280])
def test_nothing_is_wider_than_the_page(opened, width):
    page, _ = opened
    page.set_viewport_size({"width": width, "height": 900})
    assert page.evaluate("document.documentElement.scrollWidth") <= width


@browsed
@pytest.mark.parametrize("width", [360, 1280])
def test_every_chart_is_seen(opened, width):
    page, _ = opened
    page.set_viewport_size({"width": width, "height": 900})
    sizes = """[...document.querySelectorAll("svg.chart, svg.still")].map((e) => {
      const box = e.getBoundingClientRect(); return [e.id, box.width, box.height]; })"""
    found = page.evaluate(sizes)
    assert len(found) >= 3
    assert [
        one for one in found if one[1] < 0.8 * min(width, 500) or one[2] < 150
    ] == []


@browsed
def test_a_finger_meets_what_it_is_meant_for(browser, report):
    """48 px each way; links within a text are as high as its lines."""
    context = browser.new_context(
        viewport={"width": 360, "height": 740}, has_touch=True, is_mobile=True
    )
    page = context.new_page()
    page.goto(report.as_uri())
    until(page, "document.documentElement.classList.contains('scripted')")
    small = page.evaluate(
        """[...document.querySelectorAll("button, summary, nav a, label, select, input[type=range]")]
        .filter((e) => e.getClientRects().length)
        .map((e) => [e.outerHTML.slice(0, 80), e.getBoundingClientRect()])
        .filter(([, box]) => box.height < 48 || box.width < 40).map(([words]) => words)"""
    )
    context.close()
    assert small == []


@browsed
def test_what_is_chosen_beside_an_utterance_becomes_a_command(opened):
    page, complaints = opened
    line = page.locator("#telling-line")
    choices = page.locator("#log .telling select")
    number = choices.nth(0).get_attribute("data-number")
    choices.nth(0).select_option("right")
    choices.nth(1).select_option("meant")
    other = choices.nth(1).get_attribute("data-number")
    command, _, told = line.input_value().partition(" --")
    assert command.endswith(f"/{DAY.name}")
    assert command.startswith("companion heard ")
    assert told == f'right {number} --meant {other} "..."'
    for n in (0, 1):
        choices.nth(n).select_option("")
    assert line.input_value() == ""
    assert complaints == []


@browsed
def test_a_point_leads_to_its_row_and_a_sound_plays(opened):
    page, complaints = opened
    page.set_viewport_size({"width": 1280, "height": 900})
    bite = page.locator('#map-chart a.thing[data-kind="bite"]').first
    anchor = bite.get_attribute("href").removeprefix("#")
    bite.focus()
    page.keyboard.press("Enter")
    assert page.evaluate("location.hash") == f"#{anchor}"
    row = page.locator(f"tr#{anchor}")
    assert "bite" in row.inner_text()
    button = row.locator("button.play")
    button.click()
    name = button.get_attribute("data-clip")
    until(page, f"document.getElementById('{name}').duration > 0.2")
    button.click()
    assert button.get_attribute("aria-pressed") == "false"
    assert complaints == []


@browsed
def test_a_table_sorts_by_its_numbers(opened):
    page, _ = opened
    head = page.locator("#log th", has_text="number")
    numbers = page.locator("#log tbody tr td:first-child")
    before = numbers.all_inner_texts()
    assert len(before) < len(LOGGED), "a catch is one row"
    for way, expected in (("ascending", before), ("descending", before[::-1])):
        head.locator("button").click()
        assert head.get_attribute("aria-sort") == way
        assert numbers.all_inner_texts() == expected


@browsed
def test_a_rod_and_a_kind_can_be_left_out(opened):
    page, _ = opened
    shown = "document.querySelectorAll('[data-rod=\"rod 1\"]:not(.off), [data-kind=touch]:not(.off)').length"
    assert page.evaluate(shown) > 5
    for name in ("rod 1", "touch"):
        page.locator(f'input[value="{name}"]').uncheck()
    assert page.evaluate(shown) == 0
    assert page.locator("#log tbody tr:visible").count() > 3
    for name in ("rod 1", "touch"):
        page.locator(f'input[value="{name}"]').check()
    assert page.evaluate(shown) > 5


@browsed
def test_the_time_cursor_tells_what_was_known_and_moves_the_boat(opened):
    page, complaints = opened
    bar = page.locator("#at")
    places = []
    for t in (120, 400, 800):
        bar.fill(str(t))
        words = page.locator("#now").inner_text()
        assert re.match(
            r"06:\d\d:\d\d · bottom (\d+\.\d ft|not known) · rod \d in hand", words
        )
        places.append(page.locator("#boat-now").get_attribute("transform"))
        assert page.locator("#time-now").get_attribute("hidden") is None
    assert len(set(places)) == 3
    lost = [
        e.t for e in EVENTS if e.__struct_config__.tag == "depth" and e.state == "lost"
    ]
    bar.fill(str(round(lost[0] + 10)))
    assert "bottom not known" in page.locator("#now").inner_text()
    assert complaints == []


@browsed
def test_the_map_zooms_and_its_signs_keep_their_size(opened):
    page, _ = opened
    page.set_viewport_size({"width": 1280, "height": 900})
    sign = page.locator('#map-chart a.thing[data-kind="fish"] use').first
    before = sign.bounding_box()
    page.get_by_role("button", name="Closer").click()
    closer = page.locator("#map-chart .world").get_attribute("transform")
    assert "scale(1.6 1.6)" in closer
    assert sign.bounding_box()["width"] == pytest.approx(before["width"], abs=1.0)
    page.get_by_role("button", name="Whole map").click()
    assert sign.bounding_box()["x"] == pytest.approx(before["x"], abs=1.0)


OVERLAPS = """() => {
  const found = [];
  for (const svg of document.querySelectorAll("svg.chart, svg.still")) {
    const boxes = [...svg.querySelectorAll("text")].filter((e) => e.getClientRects().length)
      .map((e) => [e.textContent, e.getBoundingClientRect()]);
    boxes.forEach(([words, a], i) => { for (const [others, b] of boxes.slice(i + 1))
      if (Math.min(a.right, b.right) - Math.max(a.left, b.left) > 1
        && Math.min(a.bottom, b.bottom) - Math.max(a.top, b.top) > 2) found.push([words, others]); });
  }
  return found;
}"""


@browsed
@pytest.mark.parametrize("width", [360, 768, 1280])
def test_no_label_lies_on_another(opened, width):
    page, _ = opened
    page.set_viewport_size({"width": width, "height": 900})
    page.wait_for_timeout(200)
    assert page.locator("#map-chart text:visible").count() > 5
    assert page.evaluate(OVERLAPS) == []


@browsed
def test_it_has_no_fault_of_access_by_day_and_by_night(opened):
    """axe-core's rules, as far as a machine can tell, with contrast of 7."""
    axe = pytest.importorskip(
        "axe_playwright_python.sync_playwright", reason="axe is not installed"
    )
    page, _ = opened
    for scheme in ("light", "dark"):
        page.emulate_media(color_scheme=scheme)
        options = {
            "resultTypes": ["violations"],
            "rules": {"color-contrast-enhanced": {"enabled": True}},
        }
        found = axe.Axe().run(page, context="body", options=options)
        faults = [
            (one["id"], one["nodes"][0]["html"][:200])
            for one in found.response["violations"]
        ]
        assert faults == []
    page.emulate_media(color_scheme="light")


@browsed
def test_it_is_printed_into_a_pdf(report):
    pdf = report.with_suffix(".pdf").read_bytes()
    assert pdf.startswith(b"%PDF")
    assert 3 <= pdf.count(b"/Type /Page\n") + pdf.count(b"/Type /Page ") <= 20
