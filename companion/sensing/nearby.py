"""What there is to listen to: serial ports, CAN interfaces, servers on the networks this computer is in.

Looking opens connections and sends nothing. Only private networks are looked at,
`MOST_HOSTS` addresses of each, and only for the ports of the standards.
"""

from __future__ import annotations

import fcntl
import ipaddress
import socket
import struct
from collections.abc import Iterable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

from serial.tools import list_ports

MOST_HOSTS = 254
"""Addresses of one network that are asked: those about this computer's own."""
MOST_NETWORKS = 3
"""Networks that are looked at."""
CONNECT_S = 0.5
"""Waiting for a server to take a connection, s."""
_AT_ONCE = 64
_SIOCGIFADDR, _SIOCGIFNETMASK = 0x8915, 0x891B  # Linux, <linux/sockios.h>
_ARPHRD_CAN = "280"  # Linux, <linux/if_arp.h>
_BY_ID = Path("/dev/serial/by-id")
_INTERFACES = Path("/sys/class/net")


def serial_ports(by_id: Path = _BY_ID) -> list[str]:
    """Return the serial ports, each by the name that stays the same when it is plugged in elsewhere."""
    lasting = {str(link.resolve()): str(link) for link in sorted(by_id.glob("*"))}
    return [
        lasting.get(port.device, port.device) for port in sorted(list_ports.comports())
    ]


def can_interfaces(interfaces: Path = _INTERFACES) -> list[str]:
    """Return the names of the CAN interfaces, up or not."""
    kinds = ((one.name, one / "type") for one in sorted(interfaces.glob("*")))
    return [
        name
        for name, kind in kinds
        if kind.is_file() and kind.read_text().strip() == _ARPHRD_CAN
    ]


def own_networks() -> list[ipaddress.IPv4Interface]:
    """Return this computer's own address in each private network that it is in, this computer's left out."""
    found = []
    for _, name in socket.if_nameindex():
        own = _address_of(name)
        if (
            own is not None
            and own.is_private
            and not own.is_loopback
            and not own.is_link_local
        ):
            found.append(own)
    return found[:MOST_NETWORKS]


def _address_of(interface: str) -> ipaddress.IPv4Interface | None:
    asked = struct.pack("256s", interface.encode()[:15])
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as any_socket:
        try:
            address, mask = (
                socket.inet_ntoa(fcntl.ioctl(any_socket, what, asked)[20:24])
                for what in (_SIOCGIFADDR, _SIOCGIFNETMASK)
            )
        except OSError:  # an interface without an address
            return None
    return ipaddress.IPv4Interface(f"{address}/{mask}")


def hosts_near(own: ipaddress.IPv4Interface) -> list[str]:
    """Return the addresses of a network, at most `MOST_HOSTS`, about this computer's own."""
    network = own.network
    if network.num_addresses > MOST_HOSTS + 2:
        network = ipaddress.IPv4Network(f"{own.ip}/24", strict=False)
    return [str(host) for host in network.hosts()]


def open_ports(hosts: Sequence[str], ports: Iterable[int]) -> Iterator[tuple[str, int]]:
    """Yield the hosts and ports that take a connection, in the order they were given."""
    asked = [(host, port) for host in hosts for port in ports]
    with ThreadPoolExecutor(_AT_ONCE) as pool:
        for (host, port), is_open in zip(asked, pool.map(_is_open, asked), strict=True):
            if is_open:
                yield host, port


def _is_open(where: tuple[str, int]) -> bool:
    try:
        socket.create_connection(where, timeout=CONNECT_S).close()
    except OSError:
        return False
    return True
