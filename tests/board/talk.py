"""Press the button of a virtual board and talk to it: `python -m tests.board.talk IMAGE FOLDER`.

An image of hardware/image.sh for ARM is emulated, with a button between one of its pins
and ground and a sound card that hears what is played to it (the kernel's loopback). "How
deep" is said twice, with the button let go and with it held, each time once the service
has READY behind it. It tells which of them was heard, and whether the service held the
pin; the exit status is 1 unless it is the second alone.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from importlib.resources import as_file, files
from pathlib import Path

import numpy as np

from companion.voice.clips import read_clip
from companion.voice.sound import SAMPLE_RATE_HZ, Samples
from tests.board.boot import COSTS
from tests.board.powercuts import READY
from tests.board.virtual import (
    BY_USB,
    PINS_OF,
    SLOW_SONAR_EVERY_S,
    Board,
    Button,
    board_settings,
    edit,
    emulated,
    let_in,
    new_disk,
    partition,
    put_file,
    try_login,
)

PIN = 5
WITHIN_S = 2400.0
HEARD = r"companion\[\d+\]: \S+  heard "
LETS_IN = r"Started ssh\.service"
EARS = r"companion\[\d+\]: \S+  notice  (ready$|microphone (is )?back)"
VOICE = f"""
[voice]
microphone = "plughw:CARD=Loopback,DEV=1"
speaker = "none"
button = {PIN}
"""
PLAY = f"aplay --quiet --device plughw:CARD=Loopback,DEV=0 -t raw -f S16_LE -r {SAMPLE_RATE_HZ}"
ROOM = f"""
cd /run && cat >hiss
play() {{ while :; do if mv words now; then cat now; rm now; else cat hiss; fi; done | {PLAY}; }}
play </dev/null >/dev/null 2>&1 &
"""
"""Lets a room be heard from now on, whose sound is given to it: exact silence is a microphone unplugged.

By one player: until another has begun, on an emulated processor, there is silence.
"""
SAY = """
cd /run && cat >new && mv new words
while [ -e words ] || [ -e now ]; do sleep 0.2; done
"""
"""Lets words be heard in the room, and waits until they are on their way."""
HISS = 30.0
"""Level of the room, of full scale 32768: 61 dB below it."""
ROOM_S = 1.0
UNHEARD_S = 60.0
"""How long nothing may be heard of what was said with the button let go."""
AROUND_S = 6.0
"""How long the button is held before and after the words: a pipe and the player hold 3 s of them."""


def room(seconds: float) -> Samples:
    """Return the sound of a room in which nobody speaks."""
    samples = round(seconds * SAMPLE_RATE_HZ)
    return np.random.default_rng(1).normal(0.0, HISS, samples).astype(np.int16)


def spoken() -> Samples:
    """Return "how deep", with a second of the room round it."""
    with as_file(files("companion.voice").joinpath("how_deep.flac")) as clip:
        return np.concatenate([room(1.0), read_clip(clip), room(1.0)])


def heard(board: Board) -> list[str]:
    """Return what the board has told that it heard."""
    return [line.text for line in board.printed() if "  heard " in line.text]


@contextmanager
def running(
    image: Path, folder: Path, arch: str
) -> Iterator[tuple[Board, Button, Path]]:
    """Emulate a board with a button and a loopback for ears; cut its power at the end."""
    disk = folder / "disk.img"
    new_disk(image, disk)
    key = let_in(disk, folder)
    edit(disk, "companion.toml", lambda text: text + VOICE)
    edit(
        disk,
        "loader/entries/companion.conf",
        lambda text: text.replace("options ", "options modules_load=snd-aloop "),
    )
    # In force already, as at any later start: to be tried by the companion takes minutes.
    begins, _ = partition(disk, 3)
    put_file(disk, begins, "settings/companion.toml", board_settings(BY_USB) + VOICE)
    board = emulated(disk, folder, arch, every_s=SLOW_SONAR_EVERY_S)
    try:
        button = Button(folder, arch, PIN)
        yield board, button, key
        button.close()
    finally:
        board.cut()


def main() -> int:
    """Press, talk and tell."""
    parser = argparse.ArgumentParser()
    parser.add_argument("image", type=Path)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--arch", default="arm64", choices=list(PINS_OF))
    given = parser.parse_args()
    given.folder.mkdir(parents=True, exist_ok=True)
    with running(given.image, given.folder, given.arch) as (board, button, key):
        board.wait_for(LETS_IN, WITHIN_S)
        try_login(board, key, ROOM, room(ROOM_S).tobytes())
        ready = board.wait_for(READY, WITHIN_S).t - board.began
        board.wait_for(EARS, WITHIN_S)
        pins = try_login(board, key, "grep companion /sys/kernel/debug/gpio || true")
        print(
            f"READY after {ready:.0f} s; the service holds: {pins.strip()}", flush=True
        )
        print(try_login(board, key, COSTS), flush=True)
        words = spoken().tobytes()
        try_login(board, key, SAY, words)
        time.sleep(UNHEARD_S)
        unheld = heard(board)
        print(f"said with the button let go: {unheld or 'not heard'}", flush=True)
        button.hold()
        time.sleep(AROUND_S)
        try_login(board, key, SAY, words)
        time.sleep(AROUND_S)
        button.let_go()
        board.wait_for(HEARD, WITHIN_S)
        held = heard(board)
        print(f"said with it held: {held}", flush=True)
    return int(bool(unheld) or not pins.strip() or "how deep" not in held[0])


if __name__ == "__main__":
    sys.exit(main())
