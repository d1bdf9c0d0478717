from collections.abc import Callable

import pytest

from companion.sensing import Chunk, Reading, Sensing


def write(body: str) -> str:
    """A sentence with its checksum, XORed byte by byte."""
    xor = 0
    for byte in body.encode():
        xor ^= byte
    return f"${body}*{xor:02X}\r\n"


def write_tag(body: str) -> str:
    return "\\" + write(body)[1:-2] + "\\"


@pytest.fixture(scope="session")
def nmea() -> Callable[[str], bytes]:
    return lambda *bodies: "".join(write(body) for body in bodies).encode()


@pytest.fixture(scope="session")
def tagged() -> Callable[[int, str], bytes]:
    """A sentence with a TAG block of source s and c in ms."""
    return lambda c, body, s="boat": (write_tag(f"s:{s},c:{c}") + write(body)).encode()


@pytest.fixture(scope="session")
def take() -> Callable[..., list[tuple[float, Reading]]]:
    """Feed bytes and return the readings."""

    def take(sensing: Sensing, data: bytes, source: str = "boat", t: float = 0.0):
        return list(sensing.feed(Chunk(t, source, data)))

    return take
