"""One TOML file in, frozen settings out.

The structs below are the schema that `companion.toml_reader` reads the file by. What
only several values together can get wrong is checked here, and told like the rest.
"""

from __future__ import annotations

import ipaddress
import math
import os
import re
import tomllib
from collections.abc import Iterator, Mapping, Sequence
from importlib.resources import files
from pathlib import Path
from typing import Annotated, Any, Literal

import msgspec

from companion.sensing import gpsd, signalk
from companion.sensing.datum import Network
from companion.sensing.settings import (
    OLDEST_LIVE,
    OLDEST_RECORDING,
    BoatOffsets,
    SourceSettings,
    TimeFrom,
)
from companion.tackle import LureSpec, Rod, RodSpec, starter_text
from companion.tackle.quantities import Quantity, TipHeight
from companion.toml_reader import Problem, TomlReader, nearest_known
from companion.units import LengthUnit

MOST_RODS = 10
OUR_SOURCES = frozenset(("companion", "recording"))
"""What no source can be called: a recording has the companion's own words and its lines under them."""
BAUD_RATES = range(300, 921_601)
"""The speeds a serial port may be given, bit/s."""
_PROTOCOL_OF = {
    "nmea0183": ("serial", "tcp", "udp", "can", "gpsd", "signalk", "file"),
    "nmea2000": ("serial", "tcp", "udp"),
    "signalk": ("tcp",),
}
_USUAL_ADDRESSES = {
    "gpsd": f"127.0.0.1:{gpsd.GPSD_PORT}",
    "signalk": f"127.0.0.1:{signalk.SIGNALK_PORT}",
}
_SOURCE_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9 _-]{0,29}").fullmatch


class ConfigError(Exception):
    """The configuration cannot be used. Its text is one line for each mistake, fit to show as it is."""

    def __init__(self, problems: Sequence[Problem]) -> None:
        super().__init__("\n".join(str(problem) for problem in problems))
        self.problems = tuple(problems)


class BoatLayout(msgspec.Struct, frozen=True):
    """The layout of the boat, m.

    Attributes:
        transducer_depth: how far the transducer hangs below the waterline, or None when
            not measured.
        keel_depth: how far the keel is below the waterline; only for depths told below
            the keel.
        antenna_ahead: how far the GPS antenna is ahead of the transducer (negative:
            behind it).
        antenna_right: how far it is to the right of the transducer (negative: left).
        rod_tip: height of the rod tip above the water during a retrieve; negative when
            it is held into it.
        rod_tip_down: the same of a tip held down, "rod tip down" by voice.
        rod_tip_up: the same of a tip held up, "rod tip up" by voice.
        cone: full angle of the sounder's cone, degrees, for the correction of slopes; 0
            corrects nothing.
        sound_from_temperature: correct depths by the water's temperature; for a sounder
            that does not.
    """

    transducer_depth: Annotated[float, Quantity("length", 0.0, 5.0)] | None = None
    keel_depth: Annotated[float, Quantity("length", 0.0, 5.0)] | None = None
    antenna_ahead: Annotated[float, Quantity("length", -20.0, 20.0)] = 0.0
    antenna_right: Annotated[float, Quantity("length", -10.0, 10.0)] = 0.0
    rod_tip: TipHeight = 0.5
    rod_tip_down: TipHeight = 0.0
    rod_tip_up: TipHeight = 1.8
    cone: float = 20.0
    sound_from_temperature: bool = False

    def __post_init__(self) -> None:
        """Check the cone.

        Raises:
            ValueError: it is no angle of a sounder.
        """
        if not 0.0 <= self.cone <= 90.0:
            raise ValueError(
                "cone must be from 0 (no correction of slopes) to 90 degrees"
            )

    @property
    def half_beam(self) -> float | None:
        """Half the sounder's cone, rad; None when slopes are not to be corrected for it."""
        if self.cone == 0.0:
            return None
        return math.radians(self.cone) / 2.0

    def offsets(self) -> BoatOffsets:
        """Return where the transducer sits, as sensing wants it."""
        return BoatOffsets(
            transducer=self.transducer_depth,
            keel=self.keel_depth,
            forward=-self.antenna_ahead,
            starboard=-self.antenna_right,
        )


class WaterSettings(msgspec.Struct, frozen=True):
    """The water.

    Attributes:
        temperature: degrees Celsius, until the boat's own instrument tells it.
        level: how far it stands above the map's zero, m, until it is told by voice.
        current: its speed over the bottom, m/s, until it is told by voice.
        current_towards: the bearing it moves towards, degrees true.
    """

    temperature: Annotated[float, Quantity("temperature", 0.0, 40.0)] = 18.0
    level: Annotated[float, Quantity("length", -30.0, 30.0)] = 0.0
    current: Annotated[float, Quantity("speed", 0.0, 3.0)] = 0.0
    current_towards: float = 0.0

    def __post_init__(self) -> None:
        """Check the bearing.

        Raises:
            ValueError: it is none.
        """
        if not 0.0 <= self.current_towards <= 360.0:
            raise ValueError("current_towards must be a bearing, 0 to 360 degrees")


def _is_ipv4(text: str) -> bool:
    try:
        ipaddress.IPv4Address(text)
    except ValueError:
        return False
    return True


class ConfiguredSource(msgspec.Struct, frozen=True):
    """A source of sentences.

    Attributes:
        name: what the source is called.
        kind: serial, tcp, udp, can (a bus of NMEA 2000), gpsd, signalk (over its
            WebSocket) or file.
        protocol: what a serial, tcp or udp source sends: sentences of NMEA 0183, the
            lines of an NMEA 2000 gateway or, tcp only, Signal K's deltas.
        token_file: where the token stands that a Signal K server asks for, if it asks.
        device: serial port, CAN interface ("can0") or file path.
        address: "host:port"; for udp the computer's own address it listens on:
            127.0.0.1 hears this computer only, 0.0.0.0 every network it is in; without
            it gpsd and signalk are on this computer.
        sender: the only address whose udp datagrams are taken; without it, that of the
            first to send.
        baud: serial speed, bit/s.
        need_checksum: whether a sentence without a checksum is dropped.
        time: what times its sentences: TAG blocks, the sentences' own UTC, arrival, or
            the best there is.
        priority: of two sources that tell the same thing, the lower number is believed.
        latency: s from the measurement to its arrival.
    """

    name: str
    kind: Literal["serial", "tcp", "udp", "can", "gpsd", "signalk", "file"]
    protocol: Literal["nmea0183", "nmea2000", "signalk"] = "nmea0183"
    device: str | None = None
    address: str | None = None
    sender: str | None = msgspec.field(default=None, name="from")
    token_file: str | None = None
    baud: int = 4800
    need_checksum: bool = True
    time: TimeFrom = "auto"
    priority: int = 0
    latency: Annotated[float, Quantity("time", 0.0, 10.0)] = 0.0

    def __post_init__(self) -> None:
        """Check that the source has a name that can be recorded and says where it is.

        Raises:
            ValueError: the name, the device, the address, the sender or the speed
                cannot be used.
        """
        if not _SOURCE_NAME(self.name) or self.name.lower() in OUR_SOURCES:
            raise ValueError(
                f'a source cannot be called "{self.name}"; use up to 30 letters, digits, spaces, - or _, '
                f"and not {' or '.join(sorted(OUR_SOURCES))}"
            )
        if not BAUD_RATES.start <= self.baud < BAUD_RATES.stop:
            raise ValueError(
                f"{self.baud} baud is no speed of a serial port; expected 4800 or 38400"
            )
        if self.kind in ("serial", "file") and not self.device:
            raise ValueError(
                f'a {self.kind} source needs a device, such as device = "/dev/ttyUSB0"'
            )
        if self.kind in ("tcp", "udp", "gpsd", "signalk"):
            self._check_address()
        if self.kind not in _PROTOCOL_OF[self.protocol]:
            kinds = " or ".join(_PROTOCOL_OF[self.protocol])
            raise ValueError(f'protocol = "{self.protocol}" is for a {kinds} source')
        if self.kind == "can" and not re.fullmatch(
            r"[A-Za-z][A-Za-z0-9_.-]{0,14}", self.device or ""
        ):
            raise ValueError('a can source needs an interface, such as device = "can0"')
        if self.token_file is not None and self.kind != "signalk":
            raise ValueError("token_file is for a signalk source")
        if self.sender is not None and (
            self.kind != "udp" or not _is_ipv4(self.sender)
        ):
            raise ValueError(
                '"from" is for a udp source, and an address in figures, such as "192.168.1.20"'
            )

    def _check_address(self) -> None:
        if not re.fullmatch(r"[^:\s]+:\d{1,5}|:\d{1,5}", self._place):
            raise ValueError(
                f'a {self.kind} source needs an address with a port, such as "127.0.0.1:10110"'
            )
        if not 0 < self.port <= 65_535:
            raise ValueError(
                f"{self.port} is no port; expected one from 1 to 65535 behind the colon of `address`"
            )
        if self.kind == "udp" and not _is_ipv4(self.host):
            raise ValueError(
                f'"{self.address}" does not say where a udp source listens; write "127.0.0.1:{self.port}" '
                f'(hears this computer only) or "0.0.0.0:{self.port}" (every network it is in)'
            )
        if not self.host:
            raise ValueError(
                f'a {self.kind} source needs a host, such as "192.168.1.20:{self.port}"'
            )

    @property
    def _place(self) -> str:
        return self.address or _USUAL_ADDRESSES.get(self.kind, "")

    @property
    def host(self) -> str:
        """Return what stands before the colon of the address."""
        return self._place.rpartition(":")[0]

    @property
    def port(self) -> int:
        """The port in the address."""
        return int(self._place.rpartition(":")[2])

    @property
    def network(self) -> Network | None:
        """The network whose messages it gives; None: sentences of NMEA 0183."""
        if self.kind == "gpsd":
            return "gpsd"
        if "signalk" in (self.kind, self.protocol):
            return "signalk"
        if self.kind == "can" or self.protocol == "nmea2000":
            return "nmea2000"
        return None

    def settings(self) -> SourceSettings:
        """Return how the source is to be read, as sensing wants it; only a file may hold old dates."""
        return SourceSettings(
            need_checksum=self.need_checksum,
            time=self.time,
            priority=self.priority,
            latency=self.latency,
            not_before=OLDEST_RECORDING if self.kind == "file" else OLDEST_LIVE,
        )


class VoiceSettings(msgspec.Struct, frozen=True):
    """Hearing and speaking.

    Attributes:
        model: path of a speech model, or None for the one the installer fetched.
        microphone: the sound card's name for recording, as `arecord -L` lists it;
            "none" when there is none.
        speaker: the sound card's name for playing, as `aplay -L` lists it; "none" when
            there is none.
        button: the GPIO number of a push-to-talk button or foot switch to ground, or
            None.
        listen: whether every command has to begin with the wake words, or none.
        wake: the wake words.
        language: the voice it speaks with, as `espeak-ng --voices` lists it.
        rate: words a minute it speaks.
        volume: of its speech and tones, 0 to 1.
        reaction: s between what happens at the lure and the angler's first word about
            it.
        silent_above: speed over ground from which it speaks only when spoken to.
        not_understood: what answers a few words by themselves that were not understood,
            never twice in a row.
    """

    model: str | None = None
    microphone: str = "default"
    speaker: str = "default"
    button: int | None = None
    listen: Literal["always", "wake words"] = "always"
    wake: str = "kitchen ticket"
    language: str = "en"
    rate: int = 205
    volume: float = 1.0
    reaction: Annotated[float, Quantity("time", 0.0, 5.0)] = 0.7
    silent_above: Annotated[float, Quantity("speed", 0.1, 50.0)] = 2.0
    not_understood: Literal["tone", "words", "silence"] = "tone"

    def __post_init__(self) -> None:
        """Check what has bounds.

        Raises:
            ValueError: the rate, the volume or the wake words cannot be used.
        """
        if not 80 <= self.rate <= 300:
            raise ValueError("rate must be from 80 to 300 words a minute")
        if not 0.0 <= self.volume <= 1.0:
            raise ValueError("volume must be from 0 to 1")
        if not re.fullmatch(r"[a-z']+( [a-z']+)+", self.wake):
            raise ValueError(
                "wake must be two words or more, in small letters: one word comes up in talk"
            )


class Recordings(msgspec.Struct, frozen=True):
    """The disk space that recordings of trips may take, bytes; beyond it the oldest go, utterances first.

    Attributes:
        most: all of them together.
        keep_free: what has to stay free on the disk.
        keep_talk: whether the sound of all talk is kept; otherwise only what was taken
            for a command.
        sound_days: how many days sound is kept; 0: until room is short.
    """

    most: Annotated[float, Quantity("size", 1e7)] = 8e9
    keep_free: Annotated[float, Quantity("size", 1e7)] = 5e8
    keep_talk: bool = False
    sound_days: int = 0

    def __post_init__(self) -> None:
        """Check the days.

        Raises:
            ValueError: they are fewer than none.
        """
        if not 0 <= self.sound_days <= 36_500:
            raise ValueError(
                f"sound_days = {self.sound_days}; expected days, or 0 for no end"
            )


class GlancePage(msgspec.Struct, frozen=True):
    """The page in the boat, and who may read it.

    Attributes:
        on: whether there is one.
        address: the computer's own address it is served on: 127.0.0.1 is this computer
            only, 0.0.0.0 every network it is in.
        port: the TCP port; 0 lets the system choose one.
        reading: "open" to whoever reaches the address, or only to devices that are
            "paired". The buttons always need a paired device.
    """

    on: bool = True
    address: str = "127.0.0.1"
    port: int = 8765
    reading: Literal["open", "paired"] = "open"

    def __post_init__(self) -> None:
        """Check the address and the port.

        Raises:
            ValueError: they cannot be listened on.
        """
        try:
            ipaddress.ip_address(self.address)
        except ValueError:
            raise ValueError(
                f'"{self.address}" is no address of this computer; expected "127.0.0.1" (this computer only) '
                'or "0.0.0.0" (the boat\'s network)'
            ) from None
        if not 0 <= self.port <= 65_535:
            raise ValueError(f"{self.port} is no port; expected 1024 to 65535")


class _File(msgspec.Struct, frozen=True):
    """The file as it is written."""

    units: LengthUnit = "feet"
    boat: BoatLayout = BoatLayout()
    water: WaterSettings = WaterSettings()
    voice: VoiceSettings = VoiceSettings()
    recordings: Recordings = Recordings()
    page: GlancePage = GlancePage()
    sources: tuple[ConfiguredSource, ...] = ()
    lures: tuple[LureSpec, ...] = ()
    rods: tuple[RodSpec, ...] = ()


class Settings(msgspec.Struct, frozen=True):
    """Everything the owner set.

    Attributes:
        units: what depths are shown and spoken in.
        boat: offsets on the boat, m.
        water: what is assumed of the water until it is measured.
        voice: hearing and speaking.
        sources: where sentences come from.
        rods: what is rigged, ordered by rod number.
        lures: every lure that may be tied on: the starter lures and the owner's, by
            name.
        recordings: what recordings may take of the disk.
        page: the page in the boat, and who may read it.
    """

    units: LengthUnit = "feet"
    boat: BoatLayout = BoatLayout()
    water: WaterSettings = WaterSettings()
    voice: VoiceSettings = VoiceSettings()
    sources: tuple[ConfiguredSource, ...] = ()
    rods: tuple[Rod, ...] = ()
    lures: tuple[LureSpec, ...] = ()
    recordings: Recordings = Recordings()
    page: GlancePage = GlancePage()

    def rod(self, number: int) -> Rod | None:
        """Return the rod with this number, or None."""
        return next((rod for rod in self.rods if rod.number == number), None)


def users_file() -> Path:
    """Return where this user's configuration is kept (XDG base directory convention)."""
    named = os.environ.get("XDG_CONFIG_HOME", "")
    folder = Path(named) if os.path.isabs(named) else Path.home() / ".config"
    return folder / "companion" / "companion.toml"


def users_unit(path: Path | None = None) -> LengthUnit:
    """Return the unit of lengths that a config file chooses, or this user's; feet where none can be read."""
    try:
        text = (path or users_file()).read_text(encoding="utf-8-sig")
        chosen = tomllib.loads(text).get("units")
    except (OSError, ValueError):
        return "feet"
    return "metres" if chosen == "metres" else "feet"


def example_text() -> str:
    """Return the text of a complete configuration to begin from, under invented names."""
    return files("companion").joinpath("example.toml").read_text(encoding="utf-8")


def load(path: Path) -> Settings:
    """Read a configuration file.

    Raises:
        ConfigError: it cannot be read, or says something that cannot be used.
    """
    try:
        text = path.read_text(encoding="utf-8-sig")
    except FileNotFoundError:
        raise ConfigError(
            [Problem(str(path), 1, "file", "there is no such file")]
        ) from None
    except UnicodeDecodeError as error:
        problem = f"cannot be read as text: {error}; save it as UTF-8"
        raise ConfigError([Problem(str(path), 1, "file", problem)]) from None
    except OSError as error:
        raise ConfigError(
            [Problem(str(path), 1, "file", f"cannot be read as text: {error}")]
        ) from None
    return parse(text, str(path))


def parse(text: str, name: str = "companion.toml") -> Settings:
    """Return the settings in a configuration's text; ``name`` is the file's name for messages.

    Raises:
        ConfigError: the text says something that cannot be used.
    """
    reader = TomlReader(text, name)
    file = reader.read(_File)
    if file is None:
        raise ConfigError(reader.problems)
    known = {lure.name: lure for lure in (*starter_lures(), *file.lures)}
    rods = _rods(file, known, reader)
    if reader.problems:
        raise ConfigError(reader.problems)
    lures = tuple(known.values())
    return Settings(
        units=file.units,
        boat=file.boat,
        water=file.water,
        voice=file.voice,
        sources=file.sources,
        rods=rods,
        lures=lures,
        recordings=file.recordings,
        page=file.page,
    )


def starter_lures() -> tuple[LureSpec, ...]:
    """Return the lures that come with the companion, under invented names."""
    file = TomlReader(starter_text(), "starter.toml").read(_File)
    return file.lures if file else ()


_EARLIER_NAMES = {
    "small plum": "small dorrow",
    "deep plum": "deep dorrow",
    "long plum": "long dorrow",
}
"""What starter lures were called before. A config that calls them so keeps that name, and its lessons."""


def _by_earlier_name(name: str, known: Mapping[str, LureSpec]) -> LureSpec | None:
    """Return a starter lure under the name that a config gives it from an earlier version."""
    now = _EARLIER_NAMES.get(name)
    if now is None:
        return None
    return msgspec.structs.replace(known[now], name=name)


def _rods(
    file: _File, known: Mapping[str, LureSpec], reader: TomlReader
) -> tuple[Rod, ...]:
    if len(file.rods) > MOST_RODS:
        reader.note_problem(
            ("rods", MOST_RODS), f"at most {MOST_RODS} rods can be rigged"
        )
    for place, name in _repeats([lure.name for lure in file.lures]):
        reader.note_problem(
            ("lures", place, "name"),
            f'"{name}" is described twice',
            "give each lure its own name",
        )
    for place, name in _repeats([source.name for source in file.sources]):
        reader.note_problem(
            ("sources", place, "name"),
            f'two sources are called "{name}"',
            "give each its own name",
        )
    for place, number in _repeats([rod.number for rod in file.rods]):
        reader.note_problem(
            ("rods", place, "number"), f"there are two rods numbered {number}"
        )
    rods = []
    for place, spec in enumerate(file.rods):
        lure = known.get(spec.lure) or _by_earlier_name(spec.lure, known)
        if lure is None:
            reader.note_problem(
                ("rods", place, "lure"),
                f'no lure is called "{spec.lure}"',
                nearest_known(spec.lure, known),
            )
        else:
            tip = spec.rod_tip
            if tip is None:
                tip = file.boat.rod_tip
            try:
                rods.append(Rod(spec, lure, tip, file.water.temperature))
            except ValueError as error:
                reader.note_problem(("rods", place, "cast"), str(error))
    return tuple(sorted(rods, key=lambda rod: rod.number))


def _repeats(values: Sequence[Any]) -> Iterator[tuple[int, Any]]:
    return (
        (place, value) for place, value in enumerate(values) if value in values[:place]
    )
