"""Files at every door, made up by the grammar of each: one kind of error, and bounded memory."""

from __future__ import annotations

import importlib.util
import json
import subprocess
import sys
from pathlib import Path

import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

_spec = importlib.util.spec_from_file_location(
    "doors", Path(__file__).with_name("doors.py")
)
assert _spec is not None
assert _spec.loader is not None
doors = importlib.util.module_from_spec(_spec)
sys.modules["doors"] = doors
_spec.loader.exec_module(doors)

SHORT = settings(
    max_examples=40, deadline=None, suppress_health_check=[HealthCheck.too_slow]
)
NUMBERS = st.one_of(
    st.integers(),
    st.floats(),
    st.just(10**4000),
    st.sampled_from(["nan", "inf", "1e999", "-0", "", " 5", "5_0"]),
)
ANY = st.recursive(
    st.one_of(st.none(), st.booleans(), NUMBERS, st.text(max_size=8)),
    lambda inner: st.one_of(
        st.lists(inner, max_size=3),
        st.dictionaries(
            st.sampled_from(
                [
                    "features",
                    "geometry",
                    "type",
                    "coordinates",
                    "properties",
                    "depth",
                    "kind",
                    "utc",
                    "top_m",
                    "radius_m",
                ]
            ),
            inner,
            max_size=5,
        ),
    ),
    max_leaves=12,
)
TIMES = st.sampled_from(
    [
        "0001-01-01T00:00:00+14:00",
        "9999-12-31T23:59:59-14:00",
        "2026-11-29",
        "now",
        "",
        "2026-11-29T10:00:00Z",
    ]
)


@st.composite
def geojson(draw: st.DrawFn) -> bytes:
    def point() -> dict:
        place = draw(
            st.one_of(
                ANY, st.lists(NUMBERS, min_size=2, max_size=3), st.just([-93.0, 45.0])
            )
        )
        properties = draw(
            st.one_of(
                ANY,
                st.fixed_dictionaries({"depth": NUMBERS, "utc": TIMES}),
                st.just({"kind": "tree top"}),
            )
        )
        return {
            "type": "Feature",
            "geometry": {"type": "Point", "coordinates": place},
            "properties": properties,
        }

    features = [
        draw(st.one_of(ANY, st.builds(point))) for _ in range(draw(st.integers(0, 4)))
    ]
    return json.dumps(draw(st.one_of(ANY, st.just({"features": features})))).encode()


@SHORT
@given(geojson())
@example(b"[" * 100_000)
@example(b'{"features":' + b"[" * 50_000)
@example(b'{"features": 5}')
@example(b'{"features": {"a": 1}}')
@example(
    b'{"features": [{"geometry": {"type": "Point", "coordinates": [1, 2]}, "properties": [3]}]}'
)
@example(b'{"features": [' + b"9" * 5000 + b"]}")
def test_geojson(data):
    doors.one("geojson", data)


CELLS = st.one_of(
    NUMBERS.map(str),
    TIMES,
    st.text(max_size=6),
    st.sampled_from(["45.0", "-93.0", "5.2", "tree top", '"', "\0"]),
)
HEADERS = st.lists(
    st.sampled_from(
        [
            "lat",
            "lon",
            "depth",
            "depth_ft",
            "z",
            "kind",
            "top_m",
            "note",
            "utc",
            "radius_m",
            "",
            "x",
        ]
    ),
    max_size=7,
)


@SHORT
@given(
    HEADERS,
    st.lists(st.lists(CELLS, max_size=8), max_size=5),
    st.sampled_from([",", ",", "\t", ";"]),
)
@example(["lat", "lon", "depth"], [["45", "-93", "x" * 200_000]], ",")
@example(
    ["lat", "lon", "depth", "utc"],
    [["45", "-93", "5", "0001-01-01T00:00:00+14:00"]],
    ",",
)
@example(
    ["lat", "lon", "kind", "utc"],
    [["45", "-93", "ledge", "9999-12-31T23:59:59-14:00"]],
    ",",
)
@example(["x" * 200_000], [], ",")
def test_csv(header, rows, comma):
    doors.one(
        "csv",
        "\n".join(comma.join(row) for row in [header, *rows]).encode(
            "utf-8", "replace"
        ),
    )


@st.composite
def gpx(draw: st.DrawFn) -> bytes:
    names = st.sampled_from(
        [
            "gpx",
            "wpt",
            "trk",
            "trkseg",
            "trkpt",
            "name",
            "type",
            "time",
            "desc",
            "ele",
            "bounds",
        ]
    )

    def element(depth: int) -> str:
        name = draw(names)
        attributes = "".join(
            f' {key}="{draw(NUMBERS)}"'
            for key in draw(
                st.lists(
                    st.sampled_from(["lat", "lon", "minlat"]), max_size=2, unique=True
                )
            )
        )
        inner = (
            ""
            if depth > 3
            else "".join(element(depth + 1) for _ in range(draw(st.integers(0, 2))))
        )
        return f"<{name}{attributes}>{inner}{draw(st.one_of(TIMES, NUMBERS.map(str)))}</{name}>"

    version = draw(st.sampled_from(["1.0", "1.1", "9"]))
    return f'<gpx version="{version}">{element(0)}{element(0)}</gpx>'.encode()


BOMB = (
    '<!DOCTYPE gpx [<!ENTITY a "'
    + "x" * 1000
    + '">'
    + "".join(f'<!ENTITY {chr(98 + n)} "{f"&{chr(97 + n)};" * 10}">' for n in range(8))
)


@SHORT
@given(gpx())
@example(b"<gpx>" * 50_000)
@example(
    b'<gpx><wpt lat="45" lon="-93"><time>0001-01-01T00:00:00+14:00</time></wpt></gpx>'
)
@example(
    (BOMB + ']><gpx><wpt lat="45" lon="-93"><name>&i;</name></wpt></gpx>').encode()
)
def test_gpx(data):
    doors.one("gpx", data)


WHOLE = doors.config.example_text()
VALUES = st.sampled_from(
    ["nan", "inf", "-inf", "1e999", "9" * 5000, '"9e999 m"', '"nan m"', '"inf GB"']  # noqa: RUF005
    + ["[]", "{}", "1979-05-27", '"\\u0000"', "-1", "true", "'x'"]
)


@st.composite
def toml(draw: st.DrawFn) -> str:
    lines = WHOLE.splitlines()
    for _ in range(draw(st.integers(1, 3))):
        at = draw(st.integers(0, len(lines) - 1))
        key, equals, _ = lines[at].partition("=")
        lines[at] = (
            f"{key}= {draw(VALUES)}"
            if equals
            else draw(st.sampled_from(["", "[[sources]]", "[a.b]", lines[at]]))
        )
    return "\n".join(lines)


@SHORT
@given(toml())
@example("a = " + "[" * 50_000)
@example("a" + ".a" * 40_000 + " = 1")
@example("[" + "a." * 1000 + "a]\n" + "".join(f"k{n}=1\n" for n in range(3000)))
@example("a = " + "9" * 5000)
@example("x" * 300_000)
def test_toml(text):
    doors.one("toml", text.encode())


@SHORT
@given(
    st.lists(
        st.tuples(st.integers(0, 400), st.binary(min_size=1, max_size=4)), max_size=6
    ),
    st.integers(0, 400),
)
def test_flac(changed, cut):
    data = bytearray(doors.flac(3000))
    for at, new in changed:
        data[at : at + len(new)] = new
    doors.one("flac", bytes(data[: len(data) - cut]))


NAMES = st.sampled_from([*doors.NAMES, ".", "a\\b"])


@SHORT
@given(
    st.dictionaries(NAMES, st.binary(max_size=30), max_size=4),
    st.one_of(st.none(), ANY),
    st.integers(-40, 0),
)
@example({".": b""}, None, 0)
@example({"recordings/a": b""}, [{"name": "recordings/a", "size": -1, "sha256": ""}], 0)
def test_zip(files, contents, cut):
    data = zipfile_or_none(files, contents)
    doors.one("zip", data[: len(data) + cut])


def zipfile_or_none(files: dict[str, bytes], contents: object) -> bytes:
    try:
        return doors.zipped(files, contents)
    except (ValueError, TypeError):  # a number that JSON cannot write
        return doors.zipped(files)


SEED = doors.seed_logbook()


@SHORT
@given(
    st.lists(
        st.tuples(st.integers(0, len(SEED)), st.binary(min_size=1, max_size=8)),
        max_size=8,
    ),
    st.integers(0, len(SEED)),
)
def test_logbook(changes, cut):
    data = bytearray(SEED)
    for at, new in changes:
        data[at : at + len(new)] = new
    doors.one("db", bytes(data if cut > len(SEED) // 2 else data[:cut]))


@SHORT
@given(
    st.lists(
        st.sampled_from(
            [
                "$GPZDA,235959.00,31,12,9999,00,00",
                "$SDDPT,5.0,0.0",
                "$GPRMC,120000,A,4500,N,09300,W,1,1,311299",
                "\\s:companion,c:9*00\\",
                "x" * 3000,
            ]
        ),
        max_size=8,
    )
)
def test_nmea(bodies):
    doors.one("nmea", "\r\n".join(bodies).encode())


def bombs() -> dict[str, bytes]:
    """Files of up to some megabytes that would want gigabytes."""
    return {
        "toml": b"["
        + b"a." * 3000
        + b"a]\n"
        + b"".join(b"k%d=1\n" % n for n in range(20_000)),
        "geojson": b'{"features":[' + b"{}," * 3_990_000 + b"{}]}",
        "csv": b"lat,lon,depth\n" + b"1,1,1\n" * 4_000_000,
        "gpx": b"<gpx>" + b"<wpt/>" * 1_990_000 + b"</gpx>",
        "flac": doors.flac(16_000 * 3600),
        "zip": doors.zipped({"recordings/2026-11-29/a/sonar.nmea": bytes(400_000_000)}),
    }


@pytest.mark.slow
@pytest.mark.parametrize("door", ["toml", "geojson", "csv", "gpx", "flac", "zip"])
def test_memory_and_disk_are_bounded(door, tmp_path):
    path = tmp_path / f"bomb.{door}"
    path.write_bytes(bombs()[door])
    script = (
        "import sys, resource; sys.path.insert(0, sys.argv[1]); import doors; from pathlib import Path\n"
        "before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss\n"
        "doors.DOORS[sys.argv[2]](Path(sys.argv[3]))\n"
        "print(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before)"
    )
    run = subprocess.run(
        [sys.executable, "-c", script, str(Path(__file__).parent), door, str(path)],
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert run.returncode == 0, run.stderr
    grown = int(run.stdout.split()[-1]) / 1024
    print(f"\n{door}: {path.stat().st_size / 1e6:.1f} MB, {grown:.0f} MB more memory")
    assert grown < 300
    assert (
        sum(p.stat().st_size for p in tmp_path.rglob("*") if p.is_file() and p != path)
        < 100_000_000
    )
