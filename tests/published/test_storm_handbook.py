"""Unit hydrograph, lag and wetness against the US soil service's National Engineering Handbook, part 630.

Sources: chapter 16, table 16-1 and the peak rate factors 484 and 238 of the gamma hydrographs (there printed
to three digits); chapter 16 example 1 (from memory); chapter 15, equations 15-4a and b; chapter 10, table
10-1.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from washgrade.storm.concentration import lag_h
from washgrade.storm.peak import hydrograph_m3_s, unit_hydrograph, unit_peak_m_s
from washgrade.storm.runoff import curve_number_dry, curve_number_wet

MI2 = 1609.344**2
CFS = 0.3048**3


def instant(at_share):
    """Our response to an instant's runoff, as shares of its peak and of its time to peak (Tc = 1/0.6 h)."""
    flow = hydrograph_m3_s(
        area_m2=1e6,
        concentration_h=1 / 0.6,
        time_h=np.array([0.0, 1e-6]),
        excess_mm=np.array([1.0]),
        at_h=at_share,
    )
    return flow / flow.max()


def test_ordinates_of_table_16_1():
    share = [0.1, 0.2, 0.5, 0.8, 1.0, 1.2, 1.5, 2.0, 3.0, 4.0]
    printed = [0.03, 0.1, 0.47, 0.93, 1.0, 0.93, 0.68, 0.28, 0.055, 0.011]
    np.testing.assert_allclose(instant(share), printed, atol=1e-4)
    # Shifted by a tenth, as by a reading off by one row, it fails.
    assert np.abs(instant(np.array(share) + 0.1) - printed).max() > 0.05


def test_share_under_the_rising_limb():
    # Printed: 37.5 % of the volume.
    times = np.linspace(0, 5, 5001)
    flow = instant(times)
    rising = flow[times <= 1].sum() / flow.sum()
    assert rising == pytest.approx(0.375, abs=0.003)
    assert flow[times <= 1.1].sum() / flow.sum() != pytest.approx(0.375, abs=0.003)


def test_peak_rate_factor():
    """484 in cfs hours by square mile and inch; from the ordinates of the table it comes to 483."""
    time_h, peak = unit_hydrograph(area_m2=MI2, runoff_mm=25.4, concentration_h=1 / 0.6, step_h=0.0)
    assert time_h == pytest.approx(1.0)
    assert peak / CFS == pytest.approx(484, rel=0.004)
    # The triangle with a base of 2.67 times to peak: 645.33 x 2 / 2.67.
    assert peak / CFS == pytest.approx(645.33 * 2 / 2.67, rel=0.004)
    assert peak / CFS != pytest.approx(238, rel=0.3)


@pytest.mark.parametrize(("shape", "printed"), [(3.7, 484), (1.0, 238)])
def test_gamma_hydrographs(shape, printed):
    # 645.33 m^(m+1) e^-m / Gamma(m+1): what a gamma response of that shape peaks at.
    factor = 645.33 * shape ** (shape + 1) * math.exp(-shape) / math.gamma(shape + 1)
    assert factor == pytest.approx(printed, rel=0.004)
    if printed == 484:
        # Ours is the table, and the table is that gamma: nowhere farther from it than 0.08 of the peak.
        times = np.linspace(0.05, 4.9, 98)
        gamma = (times * np.exp(1 - times)) ** shape
        assert np.abs(instant(times) - gamma).max() < 0.08
        assert np.abs(instant(times) - times * np.exp(1 - times)).max() > 0.2


def test_chapter_16_example_1():
    """From memory: 4.6 square miles, Tc 2.3 h, step 0.3 h, one inch: peak at 1.53 h of 1455 cfs."""
    time_h, peak = unit_hydrograph(area_m2=4.6 * MI2, runoff_mm=25.4, concentration_h=2.3, step_h=0.3)
    assert time_h == pytest.approx(1.53)
    assert peak / CFS == pytest.approx(1455, rel=0.004)
    assert unit_hydrograph(area_m2=4.6 * MI2, runoff_mm=25.4, concentration_h=2.3, step_h=0.0)[
        1
    ] / CFS != pytest.approx(1455, rel=0.05)


def test_short_steps_tend_to_the_handbook():
    """One step of Tc / 100: our peak is the handbook's to a percent."""
    for concentration in (0.2, 1.0, 5.0):
        step = concentration / 100
        ours = unit_peak_m_s(
            concentration_h=[concentration], time_h=np.array([0, step]), excess_mm=np.array([25.4])
        )[0]
        _, printed = unit_hydrograph(area_m2=1.0, runoff_mm=25.4, concentration_h=concentration, step_h=step)
        assert ours == pytest.approx(printed, rel=0.01)


def test_lag_and_concentration():
    """5000 ft, 8 %, CN 75: Tc 0.788 h, lag 0.4728 h (evaluations of the printed equations)."""
    found = lag_h(path_m=5000 * 0.3048, land_slope=0.08, curve_number=75)
    assert found == pytest.approx(0.788, rel=0.001)
    assert 0.6 * found == pytest.approx(0.4728, rel=0.001)
    # The slope is in percent inside; a slope handed over in percent is ten times too fast.
    assert lag_h(path_m=5000 * 0.3048, land_slope=8.0, curve_number=75) == pytest.approx(0.0788, rel=0.001)


@pytest.mark.parametrize(
    ("average", "dry", "wet"),
    [(90, 78, 96), (80, 63, 91), (60, 40, 78), (50, 31, 70), (40, 22, 60), (30, 15, 50)],
)
def test_table_10_1(average, dry, wet):
    """The closed forms (Hawkins and others 1985) fit the printed table to 2 units."""
    assert curve_number_dry(average) == pytest.approx(dry, abs=2.0)
    assert curve_number_wet(average) == pytest.approx(wet, abs=2.0)
    assert curve_number_dry(average) != pytest.approx(wet, abs=2.0)


def test_hawkins_closed_forms():
    """CN 75: 56.81 and 87.54 (evaluations of the printed equations)."""
    assert curve_number_dry(75) == pytest.approx(56.81, rel=1e-4)
    assert curve_number_wet(75) == pytest.approx(87.54, rel=1e-4)
