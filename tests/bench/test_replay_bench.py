"""A whole synthetic day of 10 hours through sentences, state, engine and logbook, against its peers.

    .venv/bin/pytest -s --benchmark-enable tests/bench/test_replay_bench.py

The goals: 40 s for 900,000 sentences, at most four times what pynmea2 alone needs to
parse the same lines and read position and depth, under 250 MB with the speech model
loaded. Without --benchmark-enable one minute of the day is run once, to see that the
bench still works.
"""

from __future__ import annotations

import resource
import shutil
import subprocess
import sys
from pathlib import Path

import pynmea2

from companion import config
from companion.clock import stopwatch
from companion.record.lakes import Lakes
from companion.record.logbook import Logbook
from companion.replay import KeepInTrip, RecordedDay, chosen_model, replay
from companion.sensing.sources import FileSource
from companion.voice.grammar import Grammar, aboard
from companion.voice.recogniser import for_grammar

sys.path.insert(0, str(Path(__file__).parent))
from long_day import SENTENCES_A_SECOND, long_day

SETTINGS = config.parse(config.example_text(), "example")


def ours(recording: Path, folder: Path) -> float:
    events = []
    began = stopwatch()
    with Logbook(folder / "bench.db") as logbook:
        trip = logbook.begin_trip("bench", recording="bench", replace=True)
        with trip:
            day = RecordedDay("bench", recording)
            keep = KeepInTrip(trip, Lakes(logbook), recording)
            replay(
                day,
                SETTINGS,
                FileSource("sonar", recording).chunks(),
                events.append,
                trip,
                keep=keep,
            )
    took = stopwatch() - began
    assert events
    return took


def pynmea2_alone(lines: list[str]) -> float:
    began = stopwatch()
    for line in lines:
        sentence = pynmea2.parse(line)
        if sentence.sentence_type == "DPT":
            float(sentence.depth)
        else:
            _ = sentence.latitude, sentence.longitude
    return stopwatch() - began


def gpsdecode(data: bytes) -> float | None:
    """Debian's C decoder on the same lines; None where it is not installed."""
    if shutil.which("gpsdecode") is None:
        return None
    began = stopwatch()
    subprocess.run(["gpsdecode"], input=data, stdout=subprocess.DEVNULL, check=False)
    return stopwatch() - began


def test_a_day_of_ten_hours(tmp_path, benchmark, request):
    whole = request.config.getoption("benchmark_enable")
    hours = 10.0 if whole else 1.0 / 60.0
    recording = tmp_path / "day.nmea"
    maker = (
        "import sys; from long_day import long_day; "
        "open(sys.argv[1], 'wb').write(long_day(float(sys.argv[2])))"
    )
    command = [sys.executable, "-c", maker, str(recording), str(hours)]
    subprocess.run(
        command, check=True, cwd=Path(__file__).parent
    )  # apart: its arrays are not our memory
    for_grammar(chosen_model(SETTINGS), Grammar(aboard(SETTINGS)))
    took = benchmark.pedantic(lambda: ours(recording, tmp_path), rounds=1)
    megabytes = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024.0
    sentences = round(hours * 3600 * SENTENCES_A_SECOND)
    sample = long_day(min(hours, 0.25))
    lines = [line[line.index("$") :] for line in sample.decode().splitlines()]
    peer = pynmea2_alone(lines) * sentences / len(lines)
    native = gpsdecode("\r\n".join(lines).encode())
    print(
        f"\n{sentences} sentences: {took:.1f} s, {hours * 3600 / took:.0f} times real time, "
        f"{1e6 * took / sentences:.1f} us a sentence, {megabytes:.0f} MB at most with the speech model"
        f"\npynmea2 alone on the same lines: {peer:.1f} s; we take {took / peer:.2f} times as long"
    )
    if native is not None:
        print(
            f"gpsdecode (C) on the same lines: {native * sentences / len(lines):.1f} s"
        )
    assert took > 0.0
