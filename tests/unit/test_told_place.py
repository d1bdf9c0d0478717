"""A place as it is told: the same whatever the last bits of a processor's sines."""

import math

from companion.events import Fix, told_place


def test_the_last_bits_of_a_place_are_not_told() -> None:
    """A bite on ARM lay one bit from where it lay on x86-64."""
    lat, lon = -47.19986071038055, -126.40036063790537
    beside = math.nextafter(lat, 0.0), math.nextafter(lon, 0.0)
    told = told_place(lat, lon, 24.2)
    assert told == told_place(*beside, 24.2) == Fix(-47.19986071, -126.400360638, 24.2)
