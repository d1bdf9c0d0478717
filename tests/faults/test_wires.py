"""Cables pulled and put back, and sources that babble: the depth of the others stays current."""

from __future__ import annotations

import os
import pty
import random
import resource
import socket
import threading
import time

import pytest

from companion.events import Notice
from companion.live.live import QUEUE_LENGTH

LATE = 2.5
"""How old the depth may get here while another source babbles, s. Promised is 1 s, and
what it was is printed; the machine that runs the tests may be busy, and a queue that
grew would fall behind by the whole of the flood, four seconds."""


def noted(boat, text):
    """How often something was noted; it is spoken no more than once a minute."""
    return sum(isinstance(e, Notice) and e.text == text for e in list(boat.events))


def test_unplugged_and_replugged_under_another_name(
    launch, wire, tools, record_property
):
    """Each of three times; the device behind the name is another one."""
    boat = launch(tools.config_text(tools.serial_text("sonar", wire.name)))
    talker = tools.Talker(wire)
    boat.wait_for_text("ready")
    keep, took = [], []
    for n in range(1, 4):
        before = os.readlink(wire.name)
        wire.unplug()
        boat.wait_for(lambda me, n=n: noted(me, "sonar lost") == n)
        keep.append(pty.openpty())  # takes the number that has become free
        while not os.path.exists(before):  # or a lower one, which another test let go
            keep.append(pty.openpty())
        wire.plug()
        assert os.readlink(wire.name) != before
        took.append(boat.wait_for(lambda me, n=n: noted(me, "sonar back") == n))
    talker.stop()
    print(f"\nback after {', '.join(f'{s:.1f}' for s in took)} s")
    record_property("tries", len(took))
    record_property("seen", f"back after at most {max(took):.1f} s")
    for pair in keep:
        for end in pair:
            os.close(end)


def flood_by_udp(port: int, stop: threading.Event) -> int:
    chance = random.Random(1)
    junk = [chance.randbytes(1400) for _ in range(50)]
    sent = 0
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as out:
        while not stop.is_set():
            for data in junk:
                out.sendto(data, ("127.0.0.1", port))
                sent += len(data)
            time.sleep(0.001)
    return sent


def flood_a_wire(ours: int, stop: threading.Event) -> int:
    chance = random.Random(2)
    junk = [chance.randbytes(4096) for _ in range(50)]
    os.set_blocking(ours, False)
    sent = 0
    while not stop.is_set():
        for data in junk:
            try:
                sent += os.write(ours, data)
            except BlockingIOError:
                time.sleep(0.001)
    return sent


@pytest.mark.parametrize("how", ["datagrams", "a wire"])
def test_a_source_that_babbles_does_not_delay_the_depth(
    launch, wire, tools, tmp_path, how, record_property
):
    noisy = tools.Wire(tmp_path / "by-id-noisy")
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    other = (
        f'name = "noise"\nkind = "udp"\naddress = "127.0.0.1:{port}"'
        if how == "datagrams"
        else tools.serial_text("noise", noisy.name)
    )
    boat = launch(tools.config_text(tools.serial_text("sonar", wire.name), other))
    began = time.monotonic()
    talker = tools.Talker(wire, 5.0, lambda _: 2.0 + 0.5 * (time.monotonic() - began))
    boat.wait_for(lambda me: me.live.trip is not None and me.live.trip.engine.now > 0.5)
    stop, sent = threading.Event(), []
    flood = threading.Thread(
        target=lambda: sent.append(
            flood_by_udp(port, stop)
            if how == "datagrams"
            else flood_a_wire(noisy.ours, stop)
        )
    )
    memory = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    flood.start()
    late = []
    for _ in range(80):
        time.sleep(0.05)
        engine = boat.live.trip.engine
        depth = engine._sensing.boat(engine.now).depth
        late.append(
            float("inf")
            if depth is None
            else time.monotonic() - began - (depth - 2.0 - 0.254) / 0.5
        )
        assert boat.live._queue.qsize() <= QUEUE_LENGTH
    stop.set()
    flood.join()
    talker.stop()
    grown = (resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - memory) / 1024
    boat.stop()
    size = sum(p.stat().st_size for p in tmp_path.rglob("sonar.nmea"))
    print(
        f"\n{sent[0] / 1e6:.1f} MB sent, {size / 1e6:.2f} MB recorded, depth at most {max(late):.2f} s old"
    )
    record_property(
        "seen", f"{sent[0] / 1e6:.0f} MB sent; depth at most {max(late):.2f} s old"
    )
    assert sent[0] > 200_000
    assert max(late) < LATE
    assert grown < 50
    assert size < 3_000_000
    noisy.unplug()
