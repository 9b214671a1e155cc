"""Repeatability from duplicates, and the iron of magnetite, against printed numbers.

- Factors for normal scatter: 1/sqrt(2) = 0.70711, 1/0.67449 = 1.48260, product 1.04836: printed in Stanley &
  Lawie (2008), Geochem. Explor. Environ. Anal. 8:173-182, after Thompson & Howarth (1976, 1978). Five digits.
- Within-subject standard deviation of 17 pairs of peak flow readings (Wright meter), 15.3 L/min: Bland &
  Altman (1986), Lancet i:307-310, the data; Bland (2015), An Introduction to Medical Statistics, section
  20.2, the result. First rows seen in a stored page, the rest and the result from memory. Half a unit of
  the last digit.
- Nitrate in lettuce, eight heads sampled twice, each sample analysed twice: classical standard deviation of
  analysis 148.2 and of sampling 518.2 mg/kg, Ramsey & Ellison (2007), Measurement uncertainty arising from
  sampling (Eurachem), example A1. From memory, data and result; the two agree to their printed digits, which
  wrong data would hardly do.
- Root mean square coefficient of variation of the pairs (10, 12), (5, 5), (8, 6): 0.1383, evaluated from the
  formula of Stanley & Lawie (2007), Explor. Min. Geol. 16:265-274, by hand.
- Iron in magnetite: 72.36 % (Fe3O4 from standard atomic weights; printed so in mineral tables, from memory).
"""

from __future__ import annotations

import numpy as np
import pytest

from washgrade.sand.purity import IRON_IN_MAGNETITE
from washgrade.sand.repeat import MEDIAN_TO_SD, control, pair_relative_sd, pair_sd, sd_line

PEAK_FLOW = np.array([
    [494, 490], [395, 397], [516, 512], [434, 401], [476, 470], [557, 611], [413, 415], [442, 431],
    [650, 638], [433, 429], [417, 420], [656, 633], [267, 275], [478, 492], [178, 165], [423, 372],
    [427, 421],
], dtype=float)  # fmt: skip
LETTUCE = np.array([
    [3898, 4139, 4466, 4693], [3910, 3993, 4201, 4126], [5708, 5903, 4061, 3782], [5028, 4754, 5450, 5416],
    [4640, 4401, 4248, 4191], [5182, 5023, 4662, 4839], [3028, 3224, 3023, 2901], [3966, 4283, 4131, 3788],
], dtype=float)  # fmt: skip


def test_factors_for_normal_scatter() -> None:
    assert pytest.approx(1.04836, abs=5e-6) == MEDIAN_TO_SD
    # Left out one of the two, it is no longer the printed product.
    assert pytest.approx(1.04836, abs=0.1) != MEDIAN_TO_SD * np.sqrt(2)


def test_peak_flow_pairs() -> None:
    assert pair_sd(PEAK_FLOW[:, 0], PEAK_FLOW[:, 1]) == pytest.approx(15.3, abs=0.05)
    # The wrong twin takes the standard deviation of the differences for that of one reading.
    assert float(np.std(PEAK_FLOW[:, 0] - PEAK_FLOW[:, 1], ddof=1)) != pytest.approx(15.3, abs=1.0)


def test_lettuce_sampled_and_analysed_twice() -> None:
    analysis = pair_sd(LETTUCE[:, [0, 2]].ravel(), LETTUCE[:, [1, 3]].ravel())
    assert analysis == pytest.approx(148.2, abs=0.05)
    means = LETTUCE[:, :2].mean(axis=1), LETTUCE[:, 2:].mean(axis=1)
    both = pair_sd(*means)
    assert np.sqrt(both**2 - analysis**2 / 2) == pytest.approx(518.2, abs=0.05)
    assert both != pytest.approx(518.2, abs=5.0)


def test_relative_scatter_of_three_pairs() -> None:
    pairs = np.array([[10.0, 12.0], [5.0, 5.0], [8.0, 6.0]])
    assert pair_relative_sd(*pairs.T) == pytest.approx(0.138257311, rel=1e-8)
    # The mean of the coefficients of variation is another, smaller number.
    assert float(np.mean(np.abs(np.diff(pairs)[:, 0]) / pairs.mean(axis=1) / np.sqrt(2))) != pytest.approx(
        0.1383, abs=0.01
    )


def test_iron_of_magnetite() -> None:
    assert pytest.approx(0.7236, abs=5e-5) == IRON_IN_MAGNETITE


def test_a_line_is_found_again() -> None:
    """What the line is for: a known constant and slope come back (Thompson & Howarth 1978)."""
    rng = np.random.default_rng(3)
    true = rng.uniform(0.01, 0.4, 60_000)
    sd = 0.004 + 0.12 * true
    first, second = (true + sd * rng.standard_normal(len(true)) for _ in range(2))
    constant, slope = sd_line(first, second)
    assert constant == pytest.approx(0.004, abs=0.001)
    assert slope == pytest.approx(0.12, abs=0.003)
    # Without the factor for medians of differences the slope is off.
    assert slope / MEDIAN_TO_SD != pytest.approx(0.12, abs=0.003)


def test_a_right_statement_is_seldom_doubted_and_a_wrong_one_often() -> None:
    """One in ten, and one in a hundred, lie above the bounds (Thompson & Howarth 1973)."""
    rng = np.random.default_rng(4)
    true = rng.uniform(0.05, 0.5, 40_000)
    first, second = (true * (1 + 0.1 * rng.standard_normal(len(true))) for _ in range(2))
    held = control(first, second, relative_sd=0.1)
    assert held.above_90 / held.pairs == pytest.approx(0.10, abs=0.006)
    assert held.above_99 / held.pairs == pytest.approx(0.01, abs=0.002)
    few = [
        control(first[k : k + 20], second[k : k + 20], relative_sd=stated).chance < 0.05
        for stated in (0.1, 0.05)
        for k in range(0, 8000, 20)
    ]
    assert np.mean(few[:400]) < 0.08
    assert np.mean(few[400:]) > 0.9
