"""The devices of a boat while a trip runs: its wires and its microphone, started, missed and stopped."""

from __future__ import annotations

import logging
import threading
from collections.abc import Callable, Iterator, Sequence
from functools import partial
from pathlib import Path
from typing import NamedTuple, Protocol

from companion.clock import Clock
from companion.events import AnyEvent
from companion.health.heart import BeatingStop, Heart
from companion.live.ears import MICROPHONE_PART as MICROPHONE
from companion.live.ears import Ears, Uttered
from companion.live.wires import Inlet
from companion.sensing import Chunk
from companion.sensing.sources import Reader, Source, UdpSource
from companion.trip import wording
from companion.voice.heard import Hearing
from companion.voice.listening import Listener
from companion.voice.sound import Samples

READY_WITHIN_S = 10.0
"""What has not come this long after the start is named as missing ..."""
FAILED_AFTER_S = 3.0
"""... or this long, when it has said that it cannot be had."""
REST_AFTER_S = 1.0
"""The recogniser and the page, which take long to load, are begun this long after the wires."""
JOIN_WITHIN_S = 1.0
"""How long the end of a trip waits for a device's thread."""
_LOG = logging.getLogger(__name__)


class Tell(Protocol):
    """Has something noted, and said unless it is not for saying; from any thread."""

    def __call__(self, text: str, *, aloud: bool = True) -> None:
        """Note `text`."""


class Parts(NamedTuple):
    """The devices of a boat; what is None or empty is not aboard.

    Attributes:
        sources: the wires.
        frames: opens the microphone and yields its frames.
        listener: makes what listens and decides as the sound comes, told what to
            complain with.
        hear: makes out the words in the clips of a trip that was cut off.
        tell: is told every event, and speaks what is to be spoken, at once or soon.
        missing: what the configuration asks for and is not there, in a word or two
            each.
        begin_rest: called once the wires have been read for a while, to begin what can
            wait.
    """

    sources: Sequence[Source] = ()
    frames: Callable[[], Iterator[Samples]] | None = None
    listener: Callable[[Callable[[str], None]], Listener] | None = None
    hear: Callable[[Path], str | Hearing] | None = None
    tell: Callable[[AnyEvent], None] = lambda _: None
    missing: Sequence[str] = ()
    begin_rest: Callable[[], None] = lambda: None


class Devices:
    """Runs the threads of the devices, and tells which are missing, lost or back.

    Args:
        parts: the devices.
        put: takes what they bring; it may wait.
        clock: tells when that was.
        heart: is told that they live.
        tell: is told what to note and say of them.

    Attributes:
        ready: set once everything is there, or has been named as missing.
    """

    def __init__(
        self,
        parts: Parts,
        put: Callable[[Chunk | Uttered], None],
        clock: Clock,
        heart: Heart,
        tell: Tell,
    ) -> None:
        self.ready = threading.Event()
        self._parts = parts
        self._put = put
        self._clock = clock
        self._heart = heart
        self._tell = tell
        self._failed: set[str] = set()
        self._waited_for = {source.name: source.opened for source in parts.sources}
        self._readers: list[Reader] = []
        self._ears: Ears | None = None
        self._loading: threading.Thread | None = None
        self._rest_begun = self._stopped = False
        self._loaded = 0.0

    def start(self) -> None:
        """Start reading the wires."""
        for source in self._parts.sources:
            reader = self._reader(source)
            self._readers.append(reader)
            reader.start()
        if self._parts.listener is not None:
            self._waited_for[MICROPHONE] = threading.Event()

    def begin_rest(self, waited: float) -> None:
        """Begin once what takes long to load, when the wires have been read for long enough, s."""
        if self._rest_begun or waited < REST_AFTER_S:
            return
        self._rest_begun = True
        self._parts.begin_rest()
        if self._parts.frames is not None and self._parts.listener is not None:
            load = partial(self._load_ears, self._parts.frames, self._parts.listener)
            self._loading = threading.Thread(
                target=load, name="loading ears", daemon=True
            )
            self._loading.start()

    def look_whether_ready(self, waited: float) -> None:
        """Tell once that all is ready, or what is missing, when it was waited for so long, s."""
        if self.ready.is_set():
            return
        missing = [
            name for name, opened in self._waited_for.items() if not opened.is_set()
        ]
        patience = (
            FAILED_AFTER_S if self._failed.issuperset(missing) else READY_WITHIN_S
        )
        # Ears that took long to load have not heard anything yet.
        if self._is_loading():
            self._loaded = waited
        since = self._loaded if MICROPHONE in missing else 0.0
        if missing and (waited - since < patience or self._is_loading()):
            return
        self.ready.set()
        if MICROPHONE in missing and self._ears is not None:
            self._ears.count_as_lost()
        missing += [name for name in self._parts.missing if name not in missing]
        self._tell(wording.ready_without(missing))

    def stop(self) -> None:
        """Ask every thread to stop."""
        self._stopped = True
        for reader in self._readers:
            reader.stop()
        if self._loading is not None:
            self._loading.join()
        if self._ears is not None:
            self._ears.stop()

    def join(self) -> None:
        """Wait a moment for every thread to end."""
        for thread in (*self._readers, self._ears):
            if thread is not None:
                thread.join(JOIN_WITHIN_S)

    def _reader(self, source: Source) -> Reader:
        if isinstance(source, UdpSource):
            source.tell = partial(self._told_of, source.name)
        inlet = Inlet(
            self._put,
            self._clock,
            drops=isinstance(source, UdpSource),
            flooded=lambda: self._tell(wording.sends_too_much(source.name)),
        )
        return Reader(
            source,
            inlet.pass_on,
            self._lost,
            lambda name: self._tell(wording.part_back(name)),
            stop=BeatingStop(self._heart, source.name),
        )

    def _is_loading(self) -> bool:
        return not self._rest_begun or (
            self._loading is not None and self._loading.is_alive()
        )

    def _load_ears(
        self,
        frames: Callable[[], Iterator[Samples]],
        load: Callable[[Callable[[str], None]], Listener],
    ) -> None:
        """Load what listens, and begin to."""
        try:
            ears = self._listening(frames, load(self._tell))
        except Exception as error:  # whatever it is, the trip goes on without ears
            _LOG.exception("what listens could not be loaded")
            self._lost(MICROPHONE, f"cannot listen ({error})")
            return
        self._waited_for[MICROPHONE] = ears.opened
        if not self._stopped:
            self._ears = ears
            ears.start()

    def _listening(
        self, frames: Callable[[], Iterator[Samples]], listener: Listener
    ) -> Ears:
        return Ears(
            frames,
            listener,
            self._put,
            self._clock,
            self._heart,
            lost=lambda why: self._lost(MICROPHONE, why),
            back=lambda: self._tell(wording.part_back(MICROPHONE)),
        )

    def _told_of(self, name: str, what: str) -> None:
        """Have noted what a source has to tell of its senders."""
        self._tell(f"{name}: {what}", aloud=False)

    def _lost(self, name: str, why: str) -> None:
        """Say that a part was lost; before the start is over it is told with what else is missing."""
        self._tell(f"{name}: {why}", aloud=False)
        if self.ready.is_set():
            self._tell(wording.part_lost(name))
        else:
            self._failed.add(name)
