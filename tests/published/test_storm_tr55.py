"""Runoff and peak flow against TR-55.

Source: US Soil Conservation Service (1986), Urban hydrology for small watersheds, Technical Release 55, 2nd
ed.: tables 2-1 (runoff), 2-2d (rangeland curve numbers), 4-1 (initial loss), example 4-1 with worksheet 4,
and table F-1. Tolerances are the rounding of the printed values: 0.005 inch for depths, half a cfs of chart
reading (1 %) for the peak.
"""

from __future__ import annotations

import numpy as np
import pytest

from washgrade.storm.graphical import GRAPHICAL, graphical_peak_m3_s
from washgrade.storm.runoff import CURVE_NUMBERS, curve_number, initial_loss_mm, runoff_mm, storage_mm

IN_MM = 25.4
CFS = 0.3048**3
MI2 = 1609.344**2

TABLE_2_1 = [
    (4.0, 80, 2.04),
    (4.0, 60, 0.76),
    (1.0, 90, 0.32),
    (2.0, 75, 0.38),
    (7.0, 98, 6.76),
    (2.5, 70, 0.46),
]


@pytest.mark.parametrize(("rain_in", "curve", "runoff_in"), TABLE_2_1)
def test_runoff_of_table_2_1(rain_in, curve, runoff_in):
    assert runoff_mm(rain_in * IN_MM, curve) / IN_MM == pytest.approx(runoff_in, abs=0.0051)


@pytest.mark.parametrize(("rain_in", "curve", "runoff_in"), TABLE_2_1[:3])
def test_another_initial_loss_fails_the_table(rain_in, curve, runoff_in):
    wrong = runoff_mm(rain_in * IN_MM, curve, loss_share=0.05) / IN_MM
    assert wrong != pytest.approx(runoff_in, abs=0.0051)


def test_the_one_cell_that_the_equation_does_not_give():
    # P = 7.0, CN = 50: printed 1.68. The equation gives 1.667, and we stay with it.
    assert runoff_mm(7 * IN_MM, 50) / IN_MM == pytest.approx(1.6667, abs=1e-4)


@pytest.mark.parametrize(("curve", "loss_in"), [(63, 1.175), (77, 0.597), (85, 0.353), (88, 0.273)])
def test_initial_loss_of_table_4_1(curve, loss_in):
    assert initial_loss_mm(curve) / IN_MM == pytest.approx(loss_in, abs=0.0006)
    assert initial_loss_mm(curve, loss_share=0.25) / IN_MM != pytest.approx(loss_in, abs=0.0006)


def test_curve_numbers_of_table_2_2d():
    assert [curve_number("desert shrub", "poor", group) for group in "ABCD"] == [63, 77, 85, 88]
    assert [curve_number("sagebrush", "good", group) for group in "BCD"] == [35, 47, 55]
    assert [curve_number("herbaceous", "poor", group) for group in "BCD"] == [80, 87, 93]
    assert [curve_number("oak-aspen", "fair", group) for group in "BCD"] == [48, 57, 63]
    assert [curve_number("pinyon-juniper", "good", group) for group in "BCD"] == [41, 61, 71]


@pytest.mark.parametrize("cover", list(CURVE_NUMBERS))
def test_more_cover_and_looser_soil_shed_less(cover):
    table = np.array([CURVE_NUMBERS[cover][condition] for condition in ("poor", "fair", "good")])
    known = table[:, 1:]
    assert (np.diff(known, axis=0) < 0).all()
    assert (np.diff(known, axis=1) > 0).all()


def test_example_4_1():
    """Worksheet 4: CN 75, 6 in, Tc 1.53 h, 0.39 mi2, type II: S 3.33, Ia 0.667, Q 3.28, 345 cfs."""
    assert storage_mm(75) / IN_MM == pytest.approx(3.33, abs=0.005)
    assert initial_loss_mm(75) / IN_MM == pytest.approx(0.667, abs=0.0005)
    assert runoff_mm(6 * IN_MM, 75) / IN_MM == pytest.approx(3.28, abs=0.005)
    peak = graphical_peak_m3_s(rain_mm=6 * IN_MM, curve_number=75, area_m2=0.39 * MI2, concentration_h=1.53)
    assert peak / CFS == pytest.approx(345, rel=0.01)
    for wrong_type in ("I", "IA", "III"):
        wrong = graphical_peak_m3_s(
            rain_mm=6 * IN_MM, curve_number=75, area_m2=0.39 * MI2, concentration_h=1.53, rain_type=wrong_type
        )
        assert wrong / CFS != pytest.approx(345, rel=0.01)


def test_unit_peak_of_example_4_1():
    # Worksheet 4, line 8: 270 csm by inch, read from the chart.
    peak = graphical_peak_m3_s(rain_mm=6 * IN_MM, curve_number=75, area_m2=MI2, concentration_h=1.53)
    unit = peak / CFS / (runoff_mm(6 * IN_MM, 75) / IN_MM)
    assert unit == pytest.approx(270, rel=0.01)


def test_table_f_1_type_iii_last_row():
    # A copy in wide use repeats C2 = -.11508 of the row above.
    assert GRAPHICAL["III"][-1].tolist() == [0.50, 2.17772, -0.36803, -0.09525]
    assert GRAPHICAL["III"][-1, 3] != GRAPHICAL["III"][-2, 3]
    # At Tc = 5 h the two differ by 2.2 %.
    loss_mm = float(initial_loss_mm(70))
    peak = graphical_peak_m3_s(
        rain_mm=loss_mm / 0.5, curve_number=70, area_m2=MI2, concentration_h=5.0, rain_type="III"
    )
    unit = peak / CFS / (runoff_mm(loss_mm / 0.5, 70) / IN_MM)
    right = 10 ** (2.17772 - 0.36803 * np.log10(5) - 0.09525 * np.log10(5) ** 2)
    wrong = 10 ** (2.17772 - 0.36803 * np.log10(5) - 0.11508 * np.log10(5) ** 2)
    assert unit == pytest.approx(right, rel=1e-6)
    assert unit != pytest.approx(wrong, rel=0.01)


@pytest.mark.parametrize("rain_type", list(GRAPHICAL))
def test_unit_peak_not_its_coefficients_is_interpolated(rain_type):
    rows = GRAPHICAL[rain_type]
    share = float(np.mean(rows[:2, 0]))
    loss_mm = float(initial_loss_mm(70))
    peak = graphical_peak_m3_s(
        rain_mm=loss_mm / share, curve_number=70, area_m2=MI2, concentration_h=0.3, rain_type=rain_type
    )
    unit = peak / CFS / (runoff_mm(loss_mm / share, 70) / IN_MM)
    log_h = np.log10(0.3)
    ends = 10 ** (rows[:2, 1] + rows[:2, 2] * log_h + rows[:2, 3] * log_h**2)
    assert unit == pytest.approx(ends.mean(), rel=1e-9)
    mean = rows[:2, 1:].mean(axis=0)
    assert unit != pytest.approx(10 ** (mean[0] + mean[1] * log_h + mean[2] * log_h**2), rel=1e-5)


def test_outside_the_table_its_ends_count():
    few = {"curve_number": 60, "area_m2": MI2, "rain_type": "II"}
    # Rain so small that Ia/P is above .5: the last row's unit peak, times a small runoff.
    small = graphical_peak_m3_s(rain_mm=40.0, concentration_h=1.0, **few)
    assert small / CFS / (runoff_mm(40.0, 60) / IN_MM) == pytest.approx(10**2.20282, rel=1e-6)
    for short, least in ((0.01, 0.1), (30.0, 10.0)):
        assert graphical_peak_m3_s(rain_mm=150.0, concentration_h=short, **few) == graphical_peak_m3_s(
            rain_mm=150.0, concentration_h=least, **few
        )
