"""The start: the wires first, and what takes long to load after them, at whatever pace."""

from __future__ import annotations

import errno
import subprocess
import sys
import threading

import numpy as np
import pytest
import uvicorn

from companion import config
from companion.cli.late_page import LatePage
from companion.events import Match, Notice, Said
from companion.page import Page
from companion.page.pairing import Pairing
from companion.voice.listening import Listener

LATE = (
    "scipy.special",
    "scipy.linalg",
    "scipy.spatial",
    "uvicorn",
    "starlette",
    "libvosk.so",
    "markdown_it",
)


class NoWords:
    """A recogniser that makes out nothing in what goes on."""

    partial, wordless, still, still_lately = "", False, 0.0, 0.0
    begins_like_none = False

    def begin(self, *, amid_talk=False):  # noqa: ARG002
        return self

    def has_been_still(self, _seconds):
        return False

    def accept_frame(self, _frame):
        return None


def quiet():
    while True:
        threading.Event().wait(0.02)
        yield np.full(320, 5, np.int16)


def test_a_live_trip_loads_nothing_heavy_before_its_first_depth():
    """Counted in modules, which does not depend on how busy the machine is."""
    program = f"""import companion.cli.run, sys
loaded = [*sys.modules, *open("/proc/self/maps").read().replace("/", " ").split()]
print([name for name in {LATE} if name in loaded])"""
    ran = subprocess.run(
        [sys.executable, "-c", program], capture_output=True, text=True, check=True
    )
    assert ran.stdout.strip() == "[]"


def test_the_bottom_is_worked_out_without_all_that_lies_around_its_routines():
    program = """import sys; from companion.lakebed.kriging import _lapack
_lapack().dpotrf; print([name for name in sys.modules if name.startswith("scipy")])"""
    ran = subprocess.run(
        [sys.executable, "-c", program], capture_output=True, text=True, check=True
    )
    assert ran.stdout.strip() == "[]"


@pytest.mark.usefixtures("talker")
def test_depth_does_not_wait_for_ears_that_take_long_to_load(launch, wire, tools):
    loaded = threading.Event()

    def load(_complain):
        loaded.wait(600)
        return Listener(NoWords())

    boat = launch(
        tools.config_text(tools.serial_text("sonar", wire.name)),
        frames=quiet,
        listener=load,
    )
    boat.wait_for(lambda me: any(isinstance(event, Match) for event in me.events))
    assert not any(text.startswith("ready") for text in boat.texts())
    loaded.set()
    boat.wait_for_text("ready")
    assert "ready" in boat.texts()


def test_ears_that_cannot_be_loaded_are_named_and_the_trip_goes_on(
    launch, wire, talker, tools
):
    def load(_complain):
        raise RuntimeError("the model is torn")

    boat = launch(
        tools.config_text(tools.serial_text("sonar", wire.name)),
        frames=quiet,
        listener=load,
    )
    boat.wait_for_text("ready, no microphone")
    assert "microphone: cannot listen (the model is torn)" in boat.texts()
    sent = talker.sent
    boat.wait_for(lambda _: talker.sent > sent + 5)


@pytest.mark.usefixtures("talker")
def test_it_ends_in_order_while_ears_still_load(launch, wire, tools):
    began, loaded = threading.Event(), threading.Event()

    def load(_complain):
        began.set()
        loaded.wait(600)
        return Listener(NoWords())

    boat = launch(
        tools.config_text(tools.serial_text("sonar", wire.name)),
        frames=quiet,
        listener=load,
    )
    assert began.wait(600)
    boat.live.stop()
    loaded.set()
    boat.stop()


@pytest.fixture
def settings():
    return config.parse(config.example_text().replace("port = 8765", "port = 0"))


def test_a_late_page_shows_what_was_told_before(settings, tmp_path, monkeypatch):
    shown = []
    monkeypatch.setattr(Page, "event", lambda _page, event: shown.append(event))
    events = [
        Notice(t=0.0, text="starting"),
        Said(t=1.0, text="depth back", about="depth"),
    ]
    with LatePage(settings, lambda _: None, tmp_path / "paired") as page:
        page.event(events[0])
        page.begin()
        page._loading.join(600)
        page.event(events[1])
    assert shown[-2:] == events


def said_instead_of_a_page(settings, tmp_path, capsys) -> str:
    """Return what is said where a page cannot be had; nothing is kept for it."""
    with LatePage(settings, lambda _: None, tmp_path / "paired") as page:
        page.begin()
        page._loading.join(600)
        page.event(Notice(t=0.0, text="starting"))
        assert page._told is None
    return capsys.readouterr().err


def test_a_page_that_cannot_be_had_keeps_nothing(settings, tmp_path, capsys):
    with LatePage(settings, lambda _: None, tmp_path / "paired") as first:
        first.begin()
        first._loading.join(600)
        port = first._showing._page._port
        taken = config.parse(
            config.example_text().replace("port = 8765", f"port = {port}")
        )
        said = said_instead_of_a_page(taken, tmp_path, capsys)
    assert "cannot be served" in said


def test_a_page_whose_server_does_not_start_is_told_of_and_waited_for_no_longer(
    settings, tmp_path, monkeypatch, capsys
):
    def refuse(_config):
        raise TypeError("of another version")

    monkeypatch.setattr(uvicorn, "Server", refuse)
    said = said_instead_of_a_page(settings, tmp_path, capsys)
    assert "cannot be served" in said


def test_a_page_that_cannot_read_who_is_paired_is_told_of(
    settings, tmp_path, monkeypatch, capsys
):
    def refuse(_pairing):
        raise PermissionError(errno.EACCES, "Permission denied")

    monkeypatch.setattr(Pairing, "_remembered", refuse)
    said = said_instead_of_a_page(settings, tmp_path, capsys)
    assert "Permission denied" in said


def test_a_page_that_never_opened_closes(settings, tmp_path):
    with LatePage(settings, lambda _: None, tmp_path / "paired") as page:
        page.event(Notice(t=0.0, text="starting"))
