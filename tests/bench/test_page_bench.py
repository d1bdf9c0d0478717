"""What the page costs: first paint, from event to page, its size, and twenty clients at once.

Sizes and leaks are checked in every run; times are only printed. Run alone with
`.venv/bin/pytest -s --benchmark-enable tests/bench/test_page_bench.py`.
"""

from __future__ import annotations

import importlib.util
import statistics
import time
from pathlib import Path

import pytest

from companion.clock import stopwatch
from companion.config import GlancePage
from companion.page.view import News, make_view

_spec = importlib.util.spec_from_file_location(
    "page_clients", Path(__file__).with_name("page_clients.py")
)
clients = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(clients)
scenes = clients.scenes

LATENCY = """() => {
  window.seen = [];
  new MutationObserver(() => window.seen.push([document.getElementById("clock").dataset.state, Date.now()]))
    .observe(document.getElementById("clock"), {attributes: true});
}"""
PAINT = """() => [performance.getEntriesByName("first-contentful-paint")[0].startTime,
  performance.getEntriesByType("navigation")[0].responseEnd]"""


@pytest.fixture(scope="module")
def browser():
    with scenes.browser() as opened:
        yield opened


@pytest.fixture
def tries(request):
    """How often a thing is measured: once quickly, unless benchmarks are asked for."""
    return 10 if request.config.getoption("--benchmark-enable") else 1


def test_the_page_is_small():
    """Everything a first visit loads, and what a change costs then."""
    with scenes.Aboard() as served:
        served.page.show(scenes.glance())
        sizes = {
            path: len(served.request("GET", path)[2].encode())
            for path in ("/", "/glance.css", "/glance.js", "/mark.svg")
        }
    whole = sum(sizes.values())
    older = make_view(scenes.glance(), News(), "feet", 0.0)
    newer = make_view(
        scenes.glance(201.0, 5.0, side=scenes.side(lure=0.5)), News(), "feet", 0.0
    )
    change = len(str(newer.since(older)))
    print(
        f"\npayload {whole / 1000:.1f} kB ({sizes}); a change about {change / 1000:.1f} kB"
    )
    assert whole < 150_000
    assert change < 10_000


def test_first_paint(browser, tries):
    """In a fresh context each time, nothing cached; a bare page of one word beside it."""
    with scenes.Aboard() as served:
        served.page.show(scenes.glance())
        paints, bare = [], []
        for _ in range(tries):
            for found, url in ((paints, served.url), (bare, "data:text/html,word")):
                context = browser.new_context(viewport={"width": 390, "height": 844})
                tab = context.new_page()
                tab.goto(url)
                for _ in range(100):
                    if tab.evaluate(
                        "performance.getEntriesByName('first-contentful-paint').length"
                    ):
                        break
                    time.sleep(0.02)
                found.append(tab.evaluate(PAINT)[0])
                context.close()
    print(
        f"\nfirst contentful paint {statistics.median(paints):.0f} ms (worst {max(paints):.0f}); "
        f"a page of one word {statistics.median(bare):.0f} ms: {len(paints)} visits"
    )


def test_from_event_to_page(browser, tries):
    """From `Page.show` to the changed element in Chromium, with the same computer's clock on both sides."""
    with scenes.Aboard() as served:
        served.page.show(scenes.glance())
        tab = browser.new_context().new_page()
        tab.goto(served.url)
        for _ in range(200):
            if tab.evaluate("document.body.dataset.shown"):
                break
            time.sleep(0.02)
        tab.evaluate(LATENCY)
        sent = {}
        for n in range(20 * tries):
            # At no fixed rhythm, so that no other can hide behind it, and at times
            # faster than is shown.
            time.sleep(0.03 + 0.023 * (n % 11))
            sent[f"{1000.0 + n:.3f}"] = time.time() * 1000.0
            served.page.show(scenes.glance(1000.0 + n, 3.0 + n % 30 / 10))
        time.sleep(0.5)
        seen = [(float(t), at) for t, at in tab.evaluate("window.seen")]
        tab.context.close()
    # What was shown is as good as what it replaced: the newest wins.
    late = sorted(
        min(at for t, at in seen if t >= float(one)) - began
        for one, began in sent.items()
    )
    p95 = late[int(0.95 * (len(late) - 1))]
    print(
        f"\nevent to page: median {statistics.median(late):.0f} ms, 95 % {p95:.0f}, worst {late[-1]:.0f}"
    )


def test_twenty_clients_leave_nothing_behind(request):
    seconds = 20.0 if request.config.getoption("--benchmark-enable") else 3.0
    found = clients.run(seconds)
    print(
        f"\n{clients.CLIENTS} clients for {seconds:g} s: {min(found['changes'])} to {max(found['changes'])} "
        f"changes each, {found['visits']} visits, "
        f"memory {found['memory'][0]:.1f} to {found['memory'][-1]:.1f} MB"
    )
    assert found["most"] == clients.CLIENTS
    # Fewer files than before is no leak: what an earlier test left is collected while
    # this one runs.
    assert (found["left"], max(found["files"], 0), found["warned"]) == (0, 0, [])
    assert min(found["changes"]) > 0
    assert found["memory"][-1] - found["memory"][0] < 15.0


def test_a_view_and_a_glance_taken(benchmark):
    """What a glance costs the page's thread."""
    seen = scenes.glance()
    benchmark(make_view, seen, News(), "feet", 0.0)


def test_showing_costs_the_engine_little():
    """`show` and `wants` never wait: what they cost the engine's thread."""
    page = clients.scenes.Page(GlancePage(port=0), "feet", lambda _: True, print, print)
    seen = scenes.glance()
    with page:
        began = stopwatch()
        for _ in range(1000):
            page.wants()
            page.show(seen)
        taken = (stopwatch() - began) / 1000
    print(f"\nwants and show: {taken * 1e6:.0f} us")
