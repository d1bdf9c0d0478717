"""Any bytes on any wires: `python tests/fuzz/wire_bytes.py -max_total_time=600` (atheris, x86).

What is tried is `one`, which the test in CI tries too, with bytes that hypothesis makes
up.
"""

from __future__ import annotations

import math
import sys

WIRES = ("depth finder", "gps", "boat")
BODIES = (
    "SDDPT,?,?,?", "SDDBT,?,f,?,M,?,F", "GPRMC,?,A,?,N,?,W,?,?,?,?,E,A", "GPGGA,?,?,N,?,W,1,?,?,?,M,?,M,,",
    "GNGNS,?,?,N,?,W,A?,?,?,?,?,,",
    "GPGLL,?,N,?,W,?,A,A", "GPZDA,?,?,?,?,00,00", "GPVTG,?,T,?,M,?,N,?,K,A", "HCHDG,?,?,E,?,W", "HCHDM,?,M",
    "SDMTW,?,C", "VWVHW,?,T,?,M,?,N,?,K", "U0TXT,01,01,?,?",
)  # fmt: skip
FIELDS = (
    "", "0", "5.25", "120000", "120000.00", "235959.99", "291126", "31129999", "99999999999", "31", "12",
    "9999", "0001", "2026", "4500.000", "09300.000", "99999", "-1", "nan", "1e999", "4294967.295", "02", "03",
    "log bite", "^5C^0A", "0" * 40,
)  # fmt: skip
TAGS = ("", "s:companion", "s:gps,c:?", "c:?", "s:companion,c:?", "g:1-2-3")
TIMES = (
    "1795946400000",
    "1795946400",
    "999999999999999",
    "253402300800000",
    "0",
    "7258118400000",
    "-5",
    "x",
)


def by_grammar(data: bytes) -> bytes:
    """Return lines as a wire could send them, checksums right: each byte chooses a sentence or a field."""
    choices = iter(data)

    def chosen(of: tuple[str, ...]) -> str:
        return of[next(choices, 0) % len(of)]

    def written(body: str) -> str:
        value = 0
        for byte in body.encode():
            value ^= byte
        return f"{body}*{value:02X}"

    out = []
    while (first := next(choices, None)) is not None:
        tag = chosen(TAGS).replace("?", chosen(TIMES))
        parts = [
            chosen(FIELDS) if part == "?" else part
            for part in BODIES[first % len(BODIES)].split(",")
        ]
        line = (f"\\{written(tag)}\\" if tag else "") + "$" + written(",".join(parts))
        out.append(line + ("" if first & 128 else "\r\n"))
    return "".join(out).encode()


def one(data: bytes) -> None:
    """Take bytes as they come from three wires; raise when anything is not as it has to be.

    Half the data are taken for choices by the grammar of sentences. No exception; no
    word of the companion's; no byte lost or invented on the way into the recording;
    time never goes back; every value told is a number in range or None; the recording
    read in other pieces gives the same.
    """
    from companion.record.recording import LineCutter, stamped
    from companion.sensing import Chunk, Remark, Sensing
    from companion.sensing.remarks import own_apart

    if not data:
        return
    cut, body = data[0] + 1, data[1:]
    if cut % 2:
        body = by_grammar(body)
    cutters = [LineCutter() for _ in WIRES]
    came: list[list[bytes]] = [[] for _ in WIRES]
    recording = []
    kept: list[list[bytes]] = [[] for _ in WIRES]
    for n, start in enumerate(range(0, len(body), cut)):
        wire = n % len(WIRES)
        piece = body[start : start + cut]
        came[wire].append(piece)
        for line in cutters[wire].feed(piece):
            kept[wire].append(line)
            recording.append(stamped(line, WIRES[wire], 1_791_036_900_000 + 100 * n))
    for wire, cutter in enumerate(cutters):
        kept[wire] += cutter.feed(b"\n")
        whole = b"".join(came[wire]).replace(b"\r", b"").replace(b"\n", b"")
        assert b"".join(kept[wire]) == whole, (
            "bytes were lost on the way into the recording"
        )
    recorded = b"".join(recording)
    assert not any(
        chunk.own for chunk in own_apart([Chunk(0.0, "recording", recorded)])
    )
    read = []
    for size in (len(recorded) or 1, 61):
        sensing = Sensing({})
        told = []
        before = -math.inf
        for start in range(0, len(recorded), size):
            for t, reading in sensing.feed(
                Chunk(0.0, "recording", recorded[start : start + size])
            ):
                assert t >= before, "time went back"
                before = t
                assert not isinstance(reading, Remark), (
                    "a wire has spoken as the companion"
                )
                state = sensing.boat(t)
                assert state.lat is None or -90.0 <= state.lat <= 90.0
                assert state.depth is None or 0.0 < state.depth < 13_000.0
                told.append((t, repr(reading), sensing.utc(t)))
        told += [(t, repr(reading), sensing.utc(t)) for t, reading in sensing.finish()]
        read.append((told, dict(sensing.dropped), dict(sensing.counts)))
    assert read[0] == read[1], "the pieces made a difference"


SEEDS = (
    b"\x40$SDDPT,5.00,0.0*62\r\n$GPGLL,4500.000,N,09300.000,W,120000.00,A*1E\r\n",
    b"\x20\\s:sonar,c:1791036900000*3D\\$SDDPT,5.00,0.0*62\r\n",
    b"\xff!AIVDM,1,1,,A,13u?etPv2;0n:dDPwUM1U1Cb069D,0*24\r\n$GPRMC,,V,,,,,,,,,,N*53\r\n",
)

if __name__ == "__main__":
    import atheris

    with atheris.instrument_imports(
        include=["companion.sensing", "companion.record.recording"]
    ):
        import companion.record.recording
        import companion.sensing  # noqa: F401
    for seed in SEEDS:
        one(seed)
    atheris.Setup(sys.argv, one)
    atheris.Fuzz()
