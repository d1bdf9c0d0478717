"""How long after the last byte of a depth sentence its advice is there as text, while speech is decoded.

    .venv/bin/pytest -s --benchmark-enable tests/bench/test_latency_bench.py

The goal: 50 ms at the 99th percentile on the two cores that the speech engine decodes
on at the same time. The peer in the same run is the same day without any speech.
Without --benchmark-enable ten seconds of it are run, to see that the bench still works.
"""

from __future__ import annotations

import threading
from pathlib import Path

import numpy as np

from companion import config
from companion.clock import stopwatch
from companion.replay import chosen_model
from companion.sensing import Chunk
from companion.trip.assembly import RECORDING_WIRE, assemble_trip
from companion.trip.keep import KeepNothing, Known
from companion.voice.clips import read_clip
from companion.voice.grammar import Grammar, aboard
from companion.voice.recogniser import for_grammar

DAY = Path(__file__).parents[2] / "replay_logs" / "invented_saturday"
SETTINGS = config.load(DAY / "companion.toml")
GRAMMAR = Grammar(aboard(SETTINGS))


def latencies(lines: list[bytes]) -> np.ndarray:
    """Return the time from each depth sentence's last byte to when all it gives has been told, s."""
    engine = assemble_trip(
        "bench", SETTINGS, GRAMMAR, lambda _event: None, KeepNothing(), Known()
    )
    took = []
    for line in lines:
        began = stopwatch()
        engine.chunk(Chunk(0.0, RECORDING_WIRE, line))
        if b"DPT" in line:
            took.append(stopwatch() - began)
    return np.array(took)


def decoding(recogniser, stop: threading.Event) -> None:
    clips = [read_clip(path) for path in sorted((DAY / "clips").iterdir())]
    while not stop.is_set():
        for clip in clips:
            recogniser.hear(clip)
            if stop.is_set():
                return


def test_advice_comes_in_time_while_speech_is_decoded(benchmark, request):
    lines = (DAY / "sonar.nmea").read_bytes().splitlines(keepends=True)
    if not request.config.getoption("benchmark_enable"):
        lines = lines[:300]
    recogniser = for_grammar(chosen_model(SETTINGS), GRAMMAR)
    alone = latencies(lines)
    stop = threading.Event()
    thread = threading.Thread(target=decoding, args=(recogniser, stop))
    thread.start()
    try:
        took = benchmark.pedantic(lambda: latencies(lines), rounds=1)
    finally:
        stop.set()
        thread.join()
    beside, quiet = (
        1e3 * np.quantile(times, (0.5, 0.99, 1.0)) for times in (took, alone)
    )
    print(
        f"\n{len(took)} depth sentences: median {beside[0]:.2f} ms, 99th percentile {beside[1]:.1f} ms, "
        f"longest {beside[2]:.0f} ms while decoding; without speech {quiet[0]:.2f}, {quiet[1]:.1f} and "
        f"{quiet[2]:.0f} ms"
    )
    assert len(took) == len(alone)
