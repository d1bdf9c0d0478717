"""Twenty pages that follow for a while: does anything pile up? Run alone for as long as you like:

.venv/bin/python tests/bench/page_clients.py --seconds 600
"""

from __future__ import annotations

import argparse
import asyncio
import gc
import importlib.util
import json
import os
import random
import threading
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from urllib.parse import urlsplit

from companion.clock import stopwatch

_spec = importlib.util.spec_from_file_location(
    "scenes", Path(__file__).parents[1] / "page" / "scenes.py"
)
scenes = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(scenes)

CLIENTS = 20
STAY = (2.0, 12.0)
"""How long half of the clients stay before they leave and come again, s; the others stay to the end."""


def resident() -> float:
    """Memory of this process, MB."""
    pages = int(Path("/proc/self/statm").read_text().split()[1])
    return pages * os.sysconf("SC_PAGE_SIZE") / 1e6


def open_files() -> int:
    return len(os.listdir("/proc/self/fd"))


class Visitors:
    """Clients who come and go one at a time: who has left is not counted any more when the next one comes.

    The server notices a moment later that somebody has gone. Without waiting for that,
    one who comes again at once is counted twice, and twenty clients are now and then
    twenty-one.
    """

    def __init__(self, served: scenes.Aboard) -> None:
        self.served, self.door = served, asyncio.Lock()

    async def come(self) -> tuple[asyncio.StreamReader, asyncio.StreamWriter]:
        name, port = self.served.host.split(":")
        async with self.door:
            before = self.served.page.watched
            reader, writer = await asyncio.open_connection(name, int(port), limit=2**20)
            writer.write(
                f"GET /stream HTTP/1.1\r\nHost: {self.served.host}\r\n\r\n".encode()
            )
            await self._counted(before + 1)
        return reader, writer

    async def go(self, writer: asyncio.StreamWriter) -> None:
        async with self.door:
            before = self.served.page.watched
            writer.close()
            await writer.wait_closed()
            await self._counted(before - 1)

    async def _counted(self, watched: int) -> None:
        given_up = stopwatch() + 5.0
        while self.served.page.watched != watched and stopwatch() < given_up:
            await asyncio.sleep(0.005)


async def follow(visitors: Visitors, until: float, stay: float) -> tuple[int, float]:
    """Follow the page for a while; return how many changes came, and the last moment that was shown."""
    reader, writer = await visitors.come()
    leave = min(until, stopwatch() + stay)
    changes, shown = 0, -1.0
    try:
        while stopwatch() < leave:
            line = await asyncio.wait_for(reader.readline(), 5.0)
            if not line:
                break
            if line.startswith(b"data: "):
                change = json.loads(line[6:])
                changes += "number" in change
                shown = float(change.get("state", {}).get("clock", shown))
    finally:
        await visitors.go(writer)
    return changes, shown


async def client(
    visitors: Visitors, until: float, place: int
) -> tuple[int, float, int]:
    changes, shown, visits = 0, -1.0, 0
    while stopwatch() < until:
        stay = random.uniform(*STAY) if place % 2 else until
        more, shown = await follow(visitors, until, stay)
        changes, visits = changes + more, visits + 1
    return changes, shown, visits


def run(seconds: float) -> dict:
    """Serve twenty clients for so long; return what was there before and after."""
    with scenes.Aboard() as served:
        stop = threading.Event()
        served.page.show(scenes.glance(0.0))

        def feed() -> None:
            n = 0
            while not stop.wait(0.1):
                n += 1
                served.page.show(
                    scenes.glance(
                        n / 10, 3.0 + n % 50 / 10, side=scenes.side(lure=n % 25 / 25)
                    )
                )

        feeding = threading.Thread(target=feed, daemon=True)
        feeding.start()
        memory: list[float] = []
        most = 0

        async def everybody() -> list[tuple[int, float, int]]:
            until = stopwatch() + seconds
            visitors = Visitors(served)
            clients = [
                asyncio.create_task(client(visitors, until, place))
                for place in range(CLIENTS)
            ]
            nonlocal most
            while stopwatch() < until:
                await asyncio.sleep(min(10.0, seconds / 10))
                gc.collect()
                memory.append(resident())
                most = max(most, served.page.watched)
            return await asyncio.gather(*clients)

        gc.collect()
        files = open_files()
        # In a thread of its own: the thread that asks may have an event loop already.
        with ThreadPoolExecutor(1) as pool:
            came = pool.submit(lambda: asyncio.run(everybody())).result(seconds + 60.0)
        stop.set()
        feeding.join()
        deadline = stopwatch() + 5.0
        while (served.page.watched or open_files() > files) and stopwatch() < deadline:
            stop.wait(0.05)
            stop.clear()
        return {
            "changes": [changes for changes, _, _ in came],
            "visits": sum(visits for _, _, visits in came),
            "most": most,
            "left": served.page.watched,
            "files": open_files() - files,
            "memory": memory,
            "warned": served.warned,
            "host": urlsplit(served.url).netloc,
        }


def main() -> None:
    """Print what came of it."""
    asked = argparse.ArgumentParser(description=__doc__)
    asked.add_argument("--seconds", type=float, default=600.0)
    seconds = asked.parse_args().seconds
    found = run(seconds)
    early, late = found["memory"][len(found["memory"]) // 5], found["memory"][-1]
    print(
        f"{CLIENTS} clients, {seconds:g} s, {found['visits']} visits, at most {found['most']} at a time"
    )
    print(f"changes a client: {min(found['changes'])} to {max(found['changes'])}")
    print(
        f"memory {early:.1f} MB after a fifth, {late:.1f} MB at the end; files {found['files']:+d}"
    )
    print(f"still following: {found['left']}; refused: {found['warned'] or 'nothing'}")


if __name__ == "__main__":
    main()
