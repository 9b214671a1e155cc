"""Gy's fundamental sampling error against worked sheets.

Sources: Wills, Mineral Processing Technology, the worksheet to its chapter 3 (5 % Pb as galena of 86.6 % Pb,
densities 7.5 and 2.65, shape 0.5, granulometric factor 0.25, liberation size 0.015 cm, 2 % taken as the full
width of 95 %, doubled for safety), printed in grams; ITRC ISM-1 hyperlink 18 (C d^3 / M); and, for magnetite
in quartz, our own calculation by hand from Gy's formula.
"""

from __future__ import annotations

import numpy as np
import pytest

from washgrade.sand.gy import gy_relative_variance, liberation, logit_error_variance
from washgrade.sand.layers import SamplingSettings

GALENA = {"light_density_kg_m3": 2650.0, "heavy_density_kg_m3": 7500.0}


def sheet_mass_g(top_cm: float, *, relative_sd: float, safety: float, locked: float | None = None) -> float:
    if locked is None:
        locked = liberation(free_mm=0.15, top_grain_mm=10 * top_cm)
    # Variance is inverse to mass, so the mass for a wanted variance is the variance of 1 kg over it.
    one_kg = gy_relative_variance(
        np.array([0.05 / 0.866]), np.array([1.0]), top_grain_mm=10 * top_cm, heavy_grain_mm=10 * top_cm,
        liberation_factor=locked, **GALENA,
    )  # fmt: skip
    return float(safety * one_kg[0] / relative_sd**2 * 1000)


@pytest.mark.parametrize(
    ("top_cm", "printed_g", "rounding_g"),
    [(2.5, 1369632, 0.5), (0.5, 24501, 0.5), (0.1, 438, 0.5), (0.004, 0.07, 0.005)],
)
def test_sampling_worksheet(top_cm: float, printed_g: float, rounding_g: float) -> None:
    assert sheet_mass_g(top_cm, relative_sd=0.01 / 1.96, safety=2) == pytest.approx(printed_g, abs=rounding_g)


def test_half_width_needs_an_eighth_of_the_sheet() -> None:
    # Taken as the half-width and without the safety factor; the sheet's own reading fails this.
    assert sheet_mass_g(2.5, relative_sd=0.02 / 1.96, safety=1) == pytest.approx(171204, abs=0.5)
    assert sheet_mass_g(2.5, relative_sd=0.01 / 1.96, safety=2) != pytest.approx(171204, rel=0.5)


@pytest.mark.parametrize(("constant", "printed_g"), [(22.5, 8.0), (200000.0, 71000.0)])
def test_constant_times_cube_over_mass(constant: float, printed_g: float) -> None:
    # C = f g l c with c the mineral factor: set l so that C is the printed one, for d = 0.2 cm and 15 %.
    mineral = (1 - 0.05) / 0.05 * (0.95 * 5.18 + 0.05 * 2.65)
    one_kg = gy_relative_variance(
        np.array([0.05]), np.array([1.0]), top_grain_mm=2, heavy_grain_mm=2,
        liberation_factor=constant / (0.125 * mineral),
    )  # fmt: skip
    assert one_kg[0] * 1000 / 0.15**2 == pytest.approx(printed_g, rel=0.002)


@pytest.mark.parametrize(
    ("grade", "mass_g", "size_cm", "relative_variance", "logit_variance"),
    [
        (0.05, 1000, 0.2, 9.60165e-05, 0.00010638947368421054),
        (0.05, 200, 0.2, 0.0004800825, 0.0005319473684210526),
        (0.005, 200, 0.2, 0.005141513250000002, 0.005193316582914575),
        (0.05, 1000, 0.05, 1.5002578125e-06, 1.6623355263157896e-06),
        (0.2, 500, 0.1, 4.674000000000001e-06, 7.3031250000000005e-06),
    ],
)
def test_magnetite_in_quartz(
    grade: float, mass_g: float, size_cm: float, relative_variance: float, logit_variance: float
) -> None:
    found = gy_relative_variance(
        np.array([grade]), np.array([mass_g / 1000]), top_grain_mm=10 * size_cm, heavy_grain_mm=10 * size_cm
    )
    assert found[0] == pytest.approx(relative_variance, rel=1e-10)
    weighed_exactly = SamplingSettings(
        top_grain_mm=10 * size_cm, heavy_grain_mm=10 * size_cm, weighing_sd_kg=0.0
    )
    logit = logit_error_variance(np.array([grade]), np.array([mass_g / 1000]), weighed_exactly)
    assert logit[0] == pytest.approx(logit_variance, rel=1e-10)
