"""Water against IAPWS-95 and IAPWS R12-08, and the speed of sound that depths are put right by.

S seen in the source named, M from memory, C computed with the independent code named.
"""

import pytest
from iapws import IAPWS95

from companion.dive import DiveError, Water
from companion.lakebed.soundings import USUAL_SOUND_SPEED, sound_speed


@pytest.mark.parametrize(
    ("celsius", "density", "viscosity"),
    [
        (0.01, 999.844, 1.7911),
        (4, 999.975, 1.5673),
        (10, 999.703, 1.3059),
        (20, 998.207, 1.0016),
    ],
)
def test_density_and_viscosity_as_tabulated(celsius, density, viscosity):
    """C: IAPWS-95 and R12-08 at 0.1 MPa through the package iapws, digits as printed."""
    assert Water(celsius).density == pytest.approx(density, abs=0.002)
    assert Water(celsius).viscosity * 1e3 == pytest.approx(viscosity, abs=0.0002)


@pytest.mark.parametrize("celsius", [0.01, 2, 4, 7, 12, 18, 25, 32, 40])
def test_against_iapws_over_the_whole_range(celsius):
    """C: package iapws, at points that no table printed."""
    water = IAPWS95(T=celsius + 273.15, P=0.1)
    assert Water(celsius).density == pytest.approx(water.rho, rel=1e-5)
    assert Water(celsius).viscosity == pytest.approx(water.mu, rel=2e-3)
    assert Water(celsius).kinematic_viscosity == pytest.approx(water.nu, rel=2e-3)
    assert sound_speed(celsius) == pytest.approx(water.w, abs=0.05)


@pytest.mark.parametrize(
    ("celsius", "speed", "true_over_shown"),
    [(4, 1421.63, 0.9478), (10, 1447.27, 0.9649), (20, 1482.35, 0.9883)],
)
def test_speed_of_sound(celsius, speed, true_over_shown):
    """C: IAPWS-95; S: Marczak 1997, within 0.034 m/s of it. A sounder set to 1500 m/s shows too deep."""
    assert sound_speed(celsius) == pytest.approx(speed, abs=0.034)
    assert sound_speed(celsius) / USUAL_SOUND_SPEED == pytest.approx(
        true_over_shown, abs=5e-5
    )


@pytest.mark.parametrize("celsius", [-0.1, 40.1, float("nan"), float("inf")])
def test_no_water_outside_the_range(celsius):
    with pytest.raises(
        DiveError, match=r"water temperature is .* expected 0 to 40 degrees"
    ):
        Water(celsius)
