"""What is to be read agrees with the program: reference, commands, phrases, figures, links, drawings."""

from __future__ import annotations

import os
import re
import shlex
import subprocess
import sys
from dataclasses import replace
from pathlib import Path
from xml.etree import ElementTree

import click
import msgspec
import pytest

from companion import config, dive, docs, events
from companion.cli import commands
from companion.docs.reference import reference
from companion.events import from_json
from companion.record import timeline
from companion.tackle import LineSpec
from companion.units import FOOT, POUND_FORCE, YARD
from companion.voice.grammar import Grammar, aboard

ROOT = Path(__file__).parents[2]
DOCS = ROOT / "companion" / "docs"
HARDWARE = ROOT / "hardware"
PAGES = [ROOT / "README.md", *sorted(DOCS.glob("*.md")), *sorted(HARDWARE.glob("*.md"))]
DECISIONS = sorted((DOCS / "decisions").glob("*.md"))
COMPANION = Path(sys.executable).parent / "companion"

by_name = pytest.mark.parametrize("page", PAGES, ids=lambda page: page.name)


def text_of(page: Path) -> str:
    return page.read_text(encoding="utf-8")


def code_in(text: str) -> list[str]:
    """The lines of code blocks, and what stands between back-quotes outside of them."""
    blocks = re.findall(r"^```\w*\n(.*?)^```", text, re.MULTILINE | re.DOTALL)
    rest = re.sub(r"^```\w*\n.*?^```", "", text, flags=re.MULTILINE | re.DOTALL)
    return [line for block in blocks for line in block.splitlines()] + re.findall(
        r"`([^`\n]+)`", rest
    )


# --- in step with the program ------------------------------------------------------------------------


def test_the_reference_is_what_the_program_says_of_itself():
    assert docs.page("reference") == reference(), (
        "the program has changed: run `.venv/bin/python -m companion.docs` and read the difference"
    )


def test_every_page_is_packaged_and_in_the_list():
    assert {f"{name}.md" for name in docs.PAGE_NAMES} == {
        page.name for page in DOCS.glob("*.md")
    }
    assert all(docs.page(name).startswith("# ") for name in docs.PAGE_NAMES)


@by_name
def test_commands_and_options_that_are_told_exist(page):
    for code in code_in(text_of(page)):
        found = re.match(
            r"(?:sudo -u companion .*)?(?:\.venv/bin/)?companion ([a-z]\w*)(.*)", code
        )
        if found is None:
            continue
        assert found[1] in commands.commands, code
        known = {
            option for p in commands.commands[found[1]].params for option in p.opts
        } | {"--help"}
        given = [
            word
            for word in shlex.split(found[2], comments=True)
            if word.startswith("--")
        ]
        assert set(given) <= known, code


@by_name
def test_phrases_that_are_told_count(page):
    """Whatever is quoted and begins like a command is one, on the boat of the example."""
    grammar = Grammar(aboard(config.parse(config.example_text())))
    beginnings = {phrase.split()[0] for phrase in grammar.phrases} - {
        "hung",
        "water",
        "all",
        "what",
    }
    for quoted in re.findall(
        r'"([a-z\' ]+\s?[a-z\' ]+)"', re.sub(r"`[^`]*`", "", text_of(page))
    ):
        words = " ".join(quoted.split())
        if " " in words and words.split()[0] in beginnings:
            assert grammar.parse(words) is not None, words


@pytest.mark.parametrize("kind", events.Event.__subclasses__())
def test_the_reference_explains_every_field_of_an_event(kind):
    docstring = f"{kind.__doc__} `t` `utc`"
    assert [
        f.name for f in msgspec.structs.fields(kind) if f"`{f.name}`" not in docstring
    ] == []


@pytest.mark.parametrize(
    ("page", "least"), [("README.md", 8), ("companion/docs/tutorial.md", 20)]
)
def test_what_is_shown_of_the_demo_day_is_what_it_gives(page, least):
    golden = (
        (ROOT / "replay_logs" / "invented_saturday" / "expected.jsonl")
        .read_text()
        .splitlines()
    )
    told = "\n".join(
        timeline.line(from_json(event), "feet") for event in golden
    ).splitlines()
    blocks = re.findall(
        r"^```text\n(.*?)^```", text_of(ROOT / page), re.MULTILINE | re.DOTALL
    )
    shown = [line for block in blocks for line in block.splitlines()]
    assert len(shown) >= least
    for line in shown:
        assert line in told


def test_the_configuration_that_is_shown_is_sound():
    blocks = re.findall(
        r"^```toml\n(.*?)^```", docs.page("how-to"), re.MULTILINE | re.DOTALL
    )
    settings = config.parse("\n".join(blocks))
    assert settings.rods
    for lure in settings.lures:
        lure.physics()


def test_the_physics_page_prints_what_the_model_says_of_seventeen_pound_line():
    """Known: 18 ft on 12-lb line with a 45-yard cast; the trade's 11 or 12 ft on 17-lb is said beside it."""
    text = docs.page("physics")
    rows = re.findall(r"^\| (\d+) yd, .*? \| ([\d.]+) ft \|$", text, re.MULTILINE)
    assert [cast for cast, _ in rows] == ["45", "36", "34"]
    (lure,) = (lure for lure in config.starter_lures() if lure.name == "deep dorrow")
    assert lure.rated.depth == pytest.approx(18 * FOOT)
    line = LineSpec("fluorocarbon", strength=17 * POUND_FORCE).physics()
    for cast, feet in zip(
        (45 * YARD, 0.8 * 45 * YARD, 0.75 * 45 * YARD),
        (f for _, f in rows),
        strict=True,
    ):
        reach = dive.solve(
            line, lure.physics(), replace(lure.rated_retrieve(), cast=cast)
        ).reach
        assert reach / FOOT == pytest.approx(float(feet), abs=0.06)
    leader = dive.Section(
        6 * FOOT, LineSpec("fluorocarbon", strength=25 * POUND_FORCE).thickness, 1775.0
    )
    retrieve = lure.rated_retrieve()
    short = replace(retrieve, cast=0.75 * retrieve.cast)
    for rigged, cast, tip, words in (
        (line, retrieve, 5 * FOOT, "| the rod tip at 5 ft instead of 1.6 | {} ft |"),
        (line, retrieve, 2.0, "| the rod tip at 6.6 ft | {} ft |"),
        (
            replace(line, sections=(leader,)),
            retrieve,
            0.5,
            "3, 6 or 10 ft long | 16.7, {}, 16.4 ft |",
        ),
        (
            replace(line, sections=(leader,)),
            short,
            2.0,
            "the tip at 6.6 ft, a 6-ft leader | {} ft |",
        ),
    ):
        reach = dive.solve(rigged, lure.physics(), replace(cast, tip_height=tip)).reach
        assert words.format(f"{reach / FOOT:.1f}") in text
    assert "11 or 12 ft" in text
    assert "calibration by touches" in text


# --- help and completion -----------------------------------------------------------------------------


@pytest.mark.parametrize("name", commands.commands)
def test_every_command_has_an_example_an_explanation_and_told_options(name):
    command = commands.commands[name]
    context = click.Context(
        command, info_name=name, parent=click.Context(commands, info_name="companion")
    )
    help_text = command.get_help(context)
    assert help_text.startswith(f"Example: companion {name}")
    assert help_text.rstrip().endswith("Obey the local fishing rules.")
    assert len(command.get_short_help_str()) > 10
    for option in command.params:
        if isinstance(option, click.Option):
            assert option.help, f"companion {name} {option.opts[0]}: say what it does"


def completed(**environment: str) -> str:
    result = subprocess.run(
        [COMPANION],
        env=os.environ | environment,
        capture_output=True,
        text=True,
        check=True,
    )
    return result.stdout


@pytest.mark.parametrize("shell", ["bash", "zsh", "fish"])
def test_the_shell_is_given_a_script_to_complete_with(shell):
    if shell == "bash" and not Path("/bin/bash").exists():
        pytest.skip("bash is not here")
    assert "_COMPANION_COMPLETE" in completed(_COMPANION_COMPLETE=f"{shell}_source")


def test_the_shell_completes_commands_and_options():
    answers = completed(
        _COMPANION_COMPLETE="bash_complete", COMP_WORDS="companion re", COMP_CWORD="1"
    )
    assert {"plain,reach", "plain,replay"} <= set(answers.split())
    words = {"COMP_WORDS": "companion replay --sp", "COMP_CWORD": "2"}
    assert completed(_COMPANION_COMPLETE="bash_complete", **words).split() == [
        "plain,--speak"
    ]


# --- links, cautions, drawings -----------------------------------------------------------------------


def anchors(page: Path) -> set[str]:
    headings = re.findall(r"^#+ (.*)$", text_of(page), re.MULTILINE)
    return {
        re.sub(r"[^\w\- ]", "", heading.lower()).strip().replace(" ", "-")
        for heading in headings
    }


@pytest.mark.parametrize(
    "page", [*PAGES, *DECISIONS, ROOT / "DEVELOPERS.md"], ids=lambda page: page.name
)
def test_links_lead_somewhere(page):
    for target in re.findall(r"\]\(([^)]+)\)", text_of(page)):
        place, _, anchor = target.partition("#")
        assert "://" not in place, "the pages are read without a network"
        linked = (page.parent / place).resolve() if place else page
        assert linked.exists(), target
        if anchor:
            assert anchor in anchors(linked), target


def linked_from(page: Path) -> set[str]:
    return {Path(target).name for target in re.findall(r"\]\(([^)#]+)", text_of(page))}


def test_every_page_is_reached_from_the_readme_by_the_list_of_pages():
    assert "index.md" in linked_from(ROOT / "README.md")
    assert {page.name for page in PAGES} - {"README.md", "index.md"} <= linked_from(
        DOCS / "index.md"
    )
    assert {page.name for page in DECISIONS} - {"index.md"} <= linked_from(
        DOCS / "decisions" / "index.md"
    )


@by_name
def test_cautions_stand_where_somebody_could_rely_on_it(page):
    if page.name != "tutorial.md":
        assert "not for navigation" in text_of(page).lower()


def test_the_wiring_guide_defers_to_the_standards():
    text = text_of(HARDWARE / "wiring.md")
    for standard in ("ISO 10133", "ISO 13297", "ABYC E-11"):
        assert standard in text
    assert "competent" in text


def test_the_losses_in_the_wiring_guide_are_right():
    """Two lengths of 5 m at 1.5 A; copper has 0.0172 ohm mm2/m at 20 C (handbooks, from memory)."""
    rows = re.findall(
        r"^\| ([\d.]+) \| \d+ \| ([\d.]+) V \(([\d.]+) %\) \|$",
        text_of(HARDWARE / "wiring.md"),
        re.MULTILINE,
    )
    assert len(rows) == 3
    for area, lost, share in rows:
        loss = 2 * 5.0 * 0.0172 * 1.5 / float(area)
        assert float(lost) == pytest.approx(loss, abs=0.006)
        assert float(share) == pytest.approx(100 * loss / 12.0, abs=0.06)
        assert float(share) < 3.0  # ABYC E-11's most for electronics


def test_the_button_in_the_drawing_the_guide_and_the_example_is_one():
    """On the usual header of 40 pins place 11 is GPIO 17, and place 17 is 3.3 V (from memory of such)."""
    drawing = text_of(HARDWARE / "button.svg")
    assert [
        re.sub(r"\D", "", pin) for pin in re.findall(r'class="e b h">([^<]+)<', drawing)
    ] == ["17"]
    for text in (text_of(HARDWARE / "wiring.md"), drawing, config.example_text()):
        assert "button = 17" in text
    assert "place 11" in drawing
    assert "Place 17 is 3.3 V" in drawing
    assert "*place* 11. **Place 17 is 3.3 V**" in text_of(HARDWARE / "wiring.md")


@pytest.mark.parametrize(
    "drawing", sorted(HARDWARE.glob("*.svg")), ids=lambda drawing: drawing.name
)
def test_drawings_stand_alone_and_can_be_read_aloud(drawing):
    root = ElementTree.parse(drawing).getroot()
    name = "{http://www.w3.org/2000/svg}"
    assert root.get("role") == "img"
    assert root.findtext(f"{name}title")
    assert root.findtext(f"{name}desc")
    _, _, width, height = (float(n) for n in root.get("viewBox", "").split())
    for text in root.iter(f"{name}text"):
        assert 0 < float(text.get("x", "-1")) < width
        assert 0 < float(text.get("y", "-1")) < height
    assert "href" not in text_of(drawing)
    assert f"({drawing.name})" in text_of(HARDWARE / "wiring.md")
