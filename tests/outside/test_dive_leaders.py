"""Leaders and backing against an independent elastic lumped-mass code (C): `tests/outside/elastic_line.py`.

Braid with a leader: the figures of a third program of the same kind, which shares no
code with either, C.
"""

import pytest

from companion.dive import PVDF_KG_M3, Line, Lure, Retrieve, Section, solve
from tests.outside.elastic_line import ElasticLine, Piece

RIGS = [
    (
        0.6,
        0.369,
        1140.0,
        0.2,
        1140.0,
        None,
        45.1,
        1.05,
        0.00208,
        0.8,
        1.0,
        0.005,
        7.703,
    ),
    (
        1.0,
        0.299,
        1775.0,
        0.281,
        970.0,
        None,
        51.0,
        1.27,
        0.0024,
        0.69,
        3.0,
        0.005,
        7.274,
    ),
    (
        1.5,
        0.287,
        1775.0,
        0.291,
        970.0,
        None,
        53.1,
        1.12,
        0.00099,
        0.63,
        6.0,
        -0.01,
        4.728,
    ),
    (
        2.0,
        0.319,
        1775.0,
        0.207,
        1140.0,
        None,
        47.5,
        1.01,
        0.0024,
        0.66,
        1.0,
        -0.01,
        7.105,
    ),
    (
        3.0,
        0.437,
        1140.0,
        0.158,
        970.0,
        None,
        50.7,
        0.76,
        0.00188,
        0.72,
        3.0,
        0.03,
        6.391,
    ),
    (
        4.0,
        0.412,
        1775.0,
        0.287,
        970.0,
        None,
        35.8,
        1.32,
        0.00158,
        0.91,
        6.0,
        0.03,
        5.275,
    ),
    (
        5.0,
        0.327,
        1775.0,
        0.178,
        1140.0,
        None,
        30.1,
        1.27,
        0.0013,
        0.59,
        1.0,
        0.005,
        3.579,
    ),
    (
        6.0,
        0.457,
        1775.0,
        0.18,
        970.0,
        None,
        42.6,
        0.85,
        0.0028,
        0.97,
        3.0,
        0.005,
        7.925,
    ),
    (
        8.0,
        0.353,
        1140.0,
        0.197,
        970.0,
        None,
        28.6,
        0.77,
        0.00241,
        0.98,
        6.0,
        -0.01,
        5.555,
    ),
    (
        10.0,
        0.335,
        1775.0,
        0.253,
        1140.0,
        None,
        54.7,
        0.87,
        0.00144,
        0.86,
        1.0,
        -0.01,
        6.955,
    ),
    (
        2.0,
        0.454,
        1775.0,
        0.187,
        970.0,
        (18.2, 0.35, 1140.0),
        36.4,
        1.3,
        0.00269,
        0.81,
        3.0,
        0.03,
        6.578,
    ),
    (
        4.0,
        0.422,
        1775.0,
        0.281,
        970.0,
        (18.5, 0.2, 970.0),
        37.0,
        0.9,
        0.00254,
        0.5,
        6.0,
        0.03,
        3.836,
    ),
]
"""Leader: length, m, diameter, mm, density, kg/m3; main line; backing or None: where it
begins, m, diameter, density; cast, m; speed, m/s; drag area, m2; lift ratio; onset, m;
buoyancy, N; its reach, m."""


@pytest.mark.parametrize(
    ("leader", "reach"),
    [(0.0, 6.09), (0.6, 5.93), (2.0, 5.64), (4.0, 5.37), (8.0, 5.13)],
)
def test_a_leader_on_braid_as_another_program_has_it(leader, reach):
    """C: 0.37 mm fluorocarbon on 0.20 mm braid; 41.15 m at 1 m/s."""
    sections = (Section(leader, 0.37e-3, 1775.0),) if leader else ()
    line, lure = (
        Line(0.2e-3, 970.0, sections=sections),
        Lure(1.47e-3, 0.75, 3.0, 4.7e-3),
    )
    path = solve(line, lure, Retrieve(41.15, 1.0, 0.5, temperature=18.0))
    assert path.reach == pytest.approx(reach, rel=0.004)


def rigged(row):
    """The pieces of a line, lure first: (length, diameter, density), m and kg/m3."""
    length, thick, density, main, main_density, backing = row[:6]
    pieces = [(length, thick * 1e-3, density), (1e9, main * 1e-3, main_density)]
    if backing is not None:
        pieces[1:] = [
            (backing[0], main * 1e-3, main_density),
            (1e9, backing[1] * 1e-3, backing[2]),
        ]
    return pieces


@pytest.mark.parametrize("row", RIGS)
def test_twelve_rigs_as_the_elastic_code_has_them(row):
    cast, speed, area, lift, onset, buoyancy, reach = row[6:]
    *sections, (_, diameter, density) = rigged(row)
    line = Line(
        diameter, density, sections=tuple(Section(*piece) for piece in sections)
    )
    path = solve(
        line,
        Lure(area, lift, onset, buoyancy),
        Retrieve(cast, speed, 0.5, temperature=18.0),
    )
    assert path.reach == pytest.approx(reach, rel=0.01)


@pytest.mark.slow
@pytest.mark.parametrize("row", [RIGS[2], RIGS[10]])
def test_the_elastic_code_still_gives_its_figures(row):
    cast, speed, area, lift, onset, buoyancy, reach = row[6:]
    pieces = [Piece(*piece) for piece in rigged(row)]
    code = ElasticLine(
        pieces, area, lift, onset, buoyancy, 0.0227, cast, ((0.0,), (speed,)), nodes=20
    )
    assert code.run()[:, 2].max() == pytest.approx(reach, rel=0.005)


def test_a_leader_of_the_main_line_changes_nothing():
    lure, retrieve = Lure(1.5e-3, 0.8, 3.0), Retrieve(40.0)
    plain, tied = (
        Line(0.3e-3, PVDF_KG_M3),
        Line(0.3e-3, PVDF_KG_M3, sections=(Section(3.3, 0.3e-3, PVDF_KG_M3),)),
    )
    assert solve(tied, lure, retrieve).reach == pytest.approx(
        solve(plain, lure, retrieve).reach, rel=1e-9
    )
