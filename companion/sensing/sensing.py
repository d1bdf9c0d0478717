"""The whole of sensing: chunks of bytes in, readings in order out, and the state of the boat at any time."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from datetime import datetime

from companion.sensing import depth, heading, position, remarks, water, wind
from companion.sensing.datum import Datum, Decoder, Quantity
from companion.sensing.fields import Values
from companion.sensing.folding import Folds, Parser, Talker
from companion.sensing.framing import Framer, Sentence
from companion.sensing.networks import DECODERS, Message, NetworkLines, message_in
from companion.sensing.readings import Failed, Origin, Reading, Warned
from companion.sensing.settings import BoatOffsets, Chunk, MaximumAges, SourceSettings
from companion.sensing.state import Boat, BoatState
from companion.sensing.timebase import TimeBase

# Sentence: the fewest fields with the address, who folds it, who parses it, and how
# good it is among its like (0 best). Fewer fields than these hold no value worth
# having.
_SENTENCES: dict[str, tuple[int, str, Parser, int]] = {
    "DPT": (2, "depth", depth.dpt, 0),
    "DBT": (5, "depth", depth.dbt, 1),
    "DBS": (5, "depth", depth.in_three_units, 2),
    "DBK": (5, "depth", depth.in_three_units, 3),
    "RMC": (10, "position", position.rmc, 0),
    "GGA": (9, "position", position.gga, 0),
    "GNS": (9, "position", position.gns, 0),
    "GLL": (5, "position", position.gll, 0),
    "ZDA": (5, "position", position.zda, 0),
    "VTG": (7, "position", position.vtg, 1),
    "HDT": (2, "heading", heading.hdt, 0),
    "HDG": (2, "heading", heading.hdg, 1),
    "HDM": (2, "heading", heading.hdm, 2),
    "MTW": (2, "temperature", water.mtw, 0),
    "VHW": (6, "water speed", water.vhw, 0),
    "MWD": (5, "wind", wind.mwd, 0),
    "MWV": (6, "wind", wind.mwv, 0),
    "TXT": (5, "remark", remarks.txt, 0),
}
_FAMILIES: dict[Quantity, str] = {
    "place": "position",
    "motion": "position",
    "fix": "position",
    "time": "position",
}
"""What folds a network's datum, where it is not named like the quantity itself."""

_ADDRESS = re.compile(r"[A-Z0-9]{5}").fullmatch
_MOST_ADDRESSES = 500
"""More different addresses than any boat has: the rest, noise from a wire without checksums, is "other"."""
_DEFAULTS = SourceSettings()
_MOST_SERVERS = 32
"""Sources of networks in one recording; a configuration has a few."""


class _Server:
    """One source of a network: its decoder, and who has been heard there."""

    __slots__ = ("decoder", "speakers", "talkers")

    def __init__(self, decoder: Decoder) -> None:
        self.decoder = decoder
        self.talkers: dict[str, list[str]] = {"depth": [], "position": []}
        self.speakers: dict[tuple[str, str, Quantity], Talker] = {}


class _Wire:
    """One source: its framer, its settings, and who has been heard on it."""

    __slots__ = ("framer", "mode", "name", "networks", "settings", "speakers")

    def __init__(
        self, name: str, settings: SourceSettings, dropped: Counter[str]
    ) -> None:
        self.name = name
        self.settings = settings
        self.mode = settings.time
        self.networks = NetworkLines()
        self.framer = Framer(need_checksum=settings.need_checksum, dropped=dropped)
        self.speakers: dict[tuple[str | None, str], Talker | None] = {}


class Sensing:
    """Folds chunks into readings and the boat's state; the same bytes give the same readings however cut.

    Attributes:
        counts: sentences taken, by address ("GPRMC"), used or not.
        dropped: what was thrown away or made None, by reason ("wrong checksum", "depth
            lost").
        passed_over: good values that were not needed, by reason ("position told
            twice").
    """

    def __init__(
        self,
        sources: Mapping[str, SourceSettings],
        offsets: BoatOffsets | None = None,
        ages: MaximumAges | None = None,
        *,
        raises: bool = True,
    ) -> None:
        """Sources not named in `sources` are read with default settings.

        `raises`: an error of the program's own in a sentence is raised; otherwise it
        comes as `Failed`.
        """
        self._raises = raises
        self.counts: Counter[str] = Counter()
        self.dropped: Counter[str] = Counter()
        self.passed_over: Counter[str] = Counter()
        self._sources = dict(sources)
        self._values = Values(self.dropped)
        offsets = offsets or BoatOffsets()
        self._boat = Boat(offsets, ages or MaximumAges())
        self._time = TimeBase(self.dropped, self._boat.forget)
        self._folds = Folds(
            self._boat, self._time, offsets, self.dropped, self.passed_over
        )
        self._wires: dict[str, _Wire] = {}
        self._servers: dict[tuple[str, str], _Server] = {}
        self._own = _Wire(remarks.OWN_SOURCE, SourceSettings(), self.dropped)

    def feed(self, chunk: Chunk) -> Iterator[tuple[float, Reading]]:
        """Yield (logic time s, reading) for all that this chunk completes, times never decreasing.

        The boat's state follows the iteration: after each item it is what it was at
        that item. Iterate to the end before the next chunk.
        """
        if chunk.own:
            yield from self._take_all(
                self._own, self._own.framer.feed(chunk.data), chunk.t
            )
            return
        wire = self._wires.get(chunk.source) or self._connect(chunk.source)
        for of_network, piece in wire.networks.feed(chunk.data):
            if of_network:
                yield from self._take_messages(piece)
            else:
                yield from self._take_all(wire, wire.framer.feed(piece), chunk.t)

    def finish(self, t: float = 0.0) -> Iterator[tuple[float, Reading]]:
        """Yield what unfinished last lines hold; the sources are over. `t` is the arrival, logic s."""
        for wire in self._wires.values():
            yield from self._take_all(wire, wire.framer.feed(wire.networks.finish()), t)
            yield from self._take_all(wire, wire.framer.finish(), t)

    def boat(self, t: float) -> BoatState:
        """Return the state of the boat at logic time t, s; every stale or unknown value is None."""
        return self._boat.at(t)

    @property
    def now(self) -> float:
        """Logic time, s, of the sentence last taken."""
        return self._time.now / 1000.0

    def utc(self, t: float) -> datetime | None:
        """Return UTC at logic time t, s; None until the GPS has told it."""
        return self._time.utc(t)

    def at(self, utc: datetime) -> float | None:
        """Return the logic time, s, of a UTC instant on the recorder's own clock; None while none is known.

        With TAG blocks that is the clock which also names the clips; without, the
        GPS's.
        """
        return self._time.at(utc)

    def _connect(self, name: str) -> _Wire:
        wire = self._wires[name] = _Wire(
            name, self._sources.get(name, SourceSettings()), self.dropped
        )
        return wire

    def _take_all(
        self, wire: _Wire, sentences: Iterable[Sentence], arrival: float
    ) -> Iterator[tuple[float, Reading]]:
        base = self._time
        for sentence in sentences:
            readings: Sequence[Reading] | None
            try:
                readings = self._readings_of(wire, sentence, arrival)
            except Exception as error:
                # One sentence never costs those that come after it.
                readings = self._stumbled(error)
            if readings is None:
                continue
            t = base.now / 1000.0
            if base.warnings:
                yield from self._warn(t)
            for reading in readings:
                yield t, reading

    def _stumbled(self, error: Exception) -> Sequence[Reading]:
        if self._raises:
            raise error
        self.dropped["error in a sentence"] += 1
        return (Failed(error),)

    def _take_messages(self, lines: bytes) -> Iterator[tuple[float, Reading]]:
        """Yield what whole lines of networks tell."""
        for line in lines.split(b"\n")[:-1]:
            message = message_in(line, self.dropped)
            if message is None:
                continue
            self._time.by_tag(message.ms)
            try:
                readings = self._readings_in(message)
            except Exception as error:  # nor does one message
                readings = self._stumbled(error)
            t = self._time.now / 1000.0
            if self._time.warnings:
                yield from self._warn(t)
            for reading in readings:
                yield t, reading

    def _readings_in(self, message: Message) -> Sequence[Reading]:
        server = self._servers.get((message.source, message.network))
        if server is None:
            if len(self._servers) >= _MOST_SERVERS:
                self.counts["other"] += 1
                return ()
            decoder = DECODERS[message.network](self._values, self.counts)
            server = self._servers[message.source, message.network] = _Server(decoder)
        readings: list[Reading] = []
        for datum in server.decoder.decode(message.ms, message.payload):
            key = datum[:3]
            speaker = server.speakers.get(key)
            if speaker is None:
                if len(server.speakers) >= _MOST_ADDRESSES:
                    self.counts["other"] += 1
                    continue
                speaker = server.speakers[key] = self._meet_on_network(
                    message.source, datum
                )
            if not speaker.is_noted:
                speaker.is_noted = self._note_talker(server, message.source, datum)
            readings += speaker.fold(speaker, datum.value, 0)
        return readings

    def _note_talker(self, server: _Server, source: str, datum: Datum) -> bool:
        """Warn once when a second talker tells the same quantity; return whether this one needs no more."""
        what = _FAMILIES.get(datum.quantity, datum.quantity)
        talkers = server.talkers.get(what)
        if talkers is None or len(talkers) == 2 or datum.talker in talkers:
            return True
        known = getattr(datum.value, "depth", None) or getattr(
            datum.value, "place", None
        )
        if known is None:
            return False
        talkers.append(datum.talker)
        if len(talkers) == 2:
            first, second = talkers
            self._time.warnings.append(
                f"{source} tells {what} twice, by {first} and {second}; one of them is listened to"
            )
        return True

    def _meet_on_network(self, source: str, datum: Datum) -> Talker:
        settings = self._sources.get(source, _DEFAULTS)
        origin = Origin(
            source, datum.talker, datum.address, settings.priority, settings.latency
        )
        family = _FAMILIES.get(datum.quantity, datum.quantity)
        return Talker(
            origin, settings, self._folds.by_family[family], datum.rank, datum.quantity
        )

    def _readings_of(
        self, wire: _Wire, sentence: Sentence, arrival: float
    ) -> Sequence[Reading] | None:
        """Move the time and return what a sentence tells; None when it tells nothing that is needed."""
        fields, tag_time, tag_source, end = sentence
        mode = wire.mode
        if tag_time is not None and mode in ("auto", "tags"):
            self._time.by_tag(tag_time)
        elif mode == "arrival":
            self._time.by_arrival(arrival)
        elif mode != "tags" and not self._time.tagged:
            self._time.by_pace(wire.name, end)
        address = fields[0]
        try:
            speaker = wire.speakers[tag_source, address]
        except KeyError:
            if len(wire.speakers) >= _MOST_ADDRESSES:
                self.counts["other"] += 1
                return None
            speaker = self._meet(wire, tag_source, address)
        self.counts[address] += 1
        if speaker is None:
            return None
        if len(fields) < speaker.fewest:
            self.dropped["too few fields"] += 1
            return None
        return speaker.fold(speaker, speaker.parse(fields, self._values), end)

    def _meet(self, wire: _Wire, tag_source: str | None, address: str) -> Talker | None:
        """Return how to take a new address; None for sentences that tell nothing we need."""
        speaker = None
        if self._heeds(wire, address):
            formatter = address[2:]
            name = tag_source or wire.name
            settings = self._sources.get(name, wire.settings)
            origin = Origin(
                name, address[:2], formatter, settings.priority, settings.latency
            )
            fewest, family, parse, quality = _SENTENCES[formatter]
            fold = self._folds.by_family[family]
            speaker = Talker(
                origin,
                wire.settings,
                fold,
                quality,
                formatter,
                fewest,
                parse,
                settings.not_before,
            )
        wire.speakers[tag_source, address] = speaker
        return speaker

    def _heeds(self, wire: _Wire, address: str) -> bool:
        """Return whether sentences of this address are taken from this wire."""
        known = _SENTENCES.get(address[2:])
        if known is None or not _ADDRESS(address):
            return False
        # Words are the companion's own; a TXT of anybody else is passed over, whatever
        # its TAG block says.
        if wire is self._own or known[1] == "remark":
            return wire is self._own and known[1] == "remark"
        # P begins makers' own sentences; a depth sounder with the talker PA is an
        # exception seen at work.
        return address[0] != "P" or known[1] == "depth"

    def _warn(self, t: float) -> Iterator[tuple[float, Reading]]:
        texts, self._time.warnings = self._time.warnings, []
        for text in texts:
            yield t, Warned(text)
