"""Sources that have something to tell, looked for when asked: each with the lines for the config."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from itertools import chain, count
from pathlib import Path

import msgspec

from companion.clock import Clock
from companion.config import ConfiguredSource
from companion.health.hearing import HeardSource, listen_to
from companion.sensing import nearby
from companion.sensing.gpsd import GPSD_PORT
from companion.sensing.networks import network_of
from companion.sensing.signalk import SIGNALK_PORT
from companion.sensing.tells import NAMES, NOT_USED, quantity_told, rates_in_words

NMEA_PORT = 10_110
"""The port of NMEA 0183 over TCP and UDP (IANA: nmea-0183)."""
SIGNALK_TCP_PORT = 8_375
"""The port most Signal K servers have their deltas over TCP at."""
BAUDS = (4800, 38_400, 9600, 115_200)
"""Speeds of serial ports that are tried, bit/s: NMEA 0183's own, and those of gateways."""
_LOCALHOST = "127.0.0.1"


class FoundSource(msgspec.Struct, frozen=True):
    """A source that tells something: its lines for the config, and what it gives at what rate."""

    name: str
    where: str
    gives: str
    lines: str


def discover(
    known: Sequence[ConfiguredSource],
    clock: Clock,
    seconds: float,
    tell: Callable[[str], None],
) -> Iterator[FoundSource]:
    """Yield the sources that have something to tell and are not in the config.

    It takes about `seconds` for each speed of the serial ports, some seconds for the
    networks, and `seconds` for what was found there.

    Args:
        known: the sources in the config: they are passed over.
        clock: for the arrival of bytes.
        seconds: how long each is listened to.
        tell: told what is looked at, and what could not be.
    """
    there = {_place(source) for source in known}
    used = {source.name for source in known}
    for heard in chain(
        _on_serial(there, clock, seconds, tell),
        _on_networks(there, clock, seconds, tell),
    ):
        source = msgspec.structs.replace(heard.source, name=_free_name(heard, used))
        used.add(source.name)
        gives = rates_in_words(heard.sensing.counts, seconds)
        yield FoundSource(
            source.name, _where(source), gives, config_lines(source, gives)
        )


def config_lines(source: ConfiguredSource, gives: str) -> str:
    """Return a source as it stands in the config, what it gives as a comment above it."""
    lines = [
        f"# {gives}",
        "[[sources]]",
        f'name = "{source.name}"',
        f'kind = "{source.kind}"',
    ]
    if source.device is not None:
        lines.append(f'device = "{source.device}"')
    if source.address is not None:
        lines.append(f'address = "{source.address}"')
    if source.kind == "serial":
        lines.append(f"baud = {source.baud}")
    if source.protocol != "nmea0183":
        lines.append(f'protocol = "{source.protocol}"')
    return "\n".join(lines)


def _on_serial(
    there: set[str], clock: Clock, seconds: float, tell: Callable[[str], None]
) -> Iterator[HeardSource]:
    """Yield the serial ports and CAN interfaces that tell something; ports at one speed after the other."""
    ports = [
        port for port in nearby.serial_ports() if str(Path(port).resolve()) not in there
    ]
    buses = [bus for bus in nearby.can_interfaces() if bus not in there]
    tell(
        f"serial ports: {', '.join(ports) or 'none'}; CAN interfaces: {', '.join(buses) or 'none'}"
    )
    asked = [ConfiguredSource("bus", "can", device=bus) for bus in buses]
    yield from filter(_tells, _hear(asked, clock, seconds, tell))
    for baud in BAUDS:
        asked = [
            ConfiguredSource("port", "serial", device=port, baud=baud) for port in ports
        ]
        heard = list(_hear(asked, clock, seconds, tell))
        yield from filter(_tells, heard)
        ports = [
            one.source.device or ""
            for one in heard
            if one.trouble is None and not _tells(one)
        ]


def _on_networks(
    there: set[str], clock: Clock, seconds: float, tell: Callable[[str], None]
) -> Iterator[HeardSource]:
    """Yield the servers that tell something, on this computer and on the private networks it is in."""
    own = nearby.own_networks()
    hosts = [_LOCALHOST, *chain.from_iterable(nearby.hosts_near(one) for one in own)]
    hosts = [host for host in hosts if host not in {str(one.ip) for one in own}]
    tell(
        f"networks: {', '.join(str(one.network) for one in own) or 'none'}, {len(hosts)} addresses"
    )
    asked = [ConfiguredSource("server", "udp", address=f"0.0.0.0:{NMEA_PORT}")]
    for host, port in nearby.open_ports(
        hosts, (GPSD_PORT, SIGNALK_PORT, SIGNALK_TCP_PORT, NMEA_PORT)
    ):
        asked.append(_server_at(host, port))
    unknown = [one for one in asked if _place(one) not in there]
    yield from filter(_tells, _hear(unknown, clock, seconds, tell))


def _server_at(host: str, port: int) -> ConfiguredSource:
    address = f"{host}:{port}"
    if port == GPSD_PORT:
        return ConfiguredSource("server", "gpsd", address=address)
    if port == SIGNALK_PORT:
        return ConfiguredSource("server", "signalk", address=address)
    if port == SIGNALK_TCP_PORT:
        return ConfiguredSource("server", "tcp", "signalk", address=address)
    return ConfiguredSource("server", "tcp", address=address)


def _hear(
    asked: Sequence[ConfiguredSource],
    clock: Clock,
    seconds: float,
    tell: Callable[[str], None],
) -> Iterator[HeardSource]:
    """Yield what sources gave; what came as text of an NMEA 2000 gateway is read as that."""
    for heard in listen_to(asked, clock, seconds):
        if heard.trouble is not None:
            tell(f"{_where(heard.source)}: {heard.trouble}")
        yield _as_gateway(heard)


def _as_gateway(heard: HeardSource) -> HeardSource:
    """Return a source that gave nothing by its own protocol as a gateway's, where its text is one's."""
    if heard.source.network is not None or _tells(heard):
        return heard
    if not any(network_of(chunk.data) == "nmea2000" for chunk in heard.chunks):
        return heard
    source = msgspec.structs.replace(heard.source, protocol="nmea2000")
    chunks = [chunk._replace(network="nmea2000") for chunk in heard.chunks]
    again = HeardSource.nothing_yet(source)._replace(chunks=chunks)
    again.read()
    return again


def _quantities(heard: HeardSource) -> set[str]:
    return {quantity_told(address) for address in heard.sensing.counts} - {
        NOT_USED,
        NAMES,
    }


def _tells(heard: HeardSource) -> bool:
    return bool(_quantities(heard))


def _place(source: ConfiguredSource) -> str:
    if source.kind == "serial":
        return str(Path(source.device or "").resolve())
    return source.device or f"{source.host}:{source.port}"


def _where(source: ConfiguredSource) -> str:
    return f"{source.kind} {source.device or source.address}"


def _free_name(heard: HeardSource, used: set[str]) -> str:
    """Return a name by what it gives, which no other source has."""
    name = _kind_of_instrument(_quantities(heard))
    names = chain([name], (f"{name} {n}" for n in count(2)))
    return next(free for free in names if free not in used)


def _kind_of_instrument(told: set[str]) -> str:
    if told == {"depth"}:
        return "sonar"
    if told and "depth" not in told:
        return "gps"
    return "boat"
