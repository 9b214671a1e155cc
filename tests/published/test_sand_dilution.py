"""Dilution at a confluence: Hawkes (1976), J. Geochem. Explor. 6:345-358.

Y_i A_i = Y_a A_a + Y_b (A_i - A_a): an anomaly of 0.20 on 0.05 km2 in a background of 0.02 is 0.029 where
1 km2 drains. The tail-up part with an infinite range is that rule: with T = (Y - Y_b) sqrt(A), mixing by
sqrt(A_a / A_i) conserves the anomaly times the area.
"""

from __future__ import annotations

import numpy as np
import pytest

from washgrade.sand.inference import Process, krige
from washgrade.sand.tree import Tree

ENDLESS = Process(up_variance=1.0, up_range_m=1e12, down_variance=0.0, down_range_m=1.0)


def mixed(
    area_km2: list[float], grade: list[float], background: float, *, weight: list[float] | None = None
) -> float:
    """Grade below the confluence of branches with known grades."""
    total = sum(area_km2)
    tree = Tree(
        downstream=np.array([len(area_km2)] * len(area_km2) + [-1], np.int32),
        length_m=np.array([100.0] * len(area_km2) + [0.0]),
        weight=np.array([*(weight or area_km2), sum(weight or area_km2)]),
    )
    value = (np.array(grade) - background) * np.sqrt(area_km2)
    _, there = krige(
        tree,
        ENDLESS,
        node=np.arange(len(area_km2)),
        value=value,
        error_variance=np.full(len(area_km2), 1e-6),
        regressors=np.empty((len(area_km2) + 1, 0)),
    )
    return float(background + there.mean[-1] / np.sqrt(total))


def test_worked_example() -> None:
    # The readings keep an error variance of 1e-6, so an anomaly of 0.18 is off by 2e-7 at most.
    assert mixed([0.05, 0.95], [0.20, 0.02], 0.02) == pytest.approx(0.029, abs=1e-6)


def test_branches_mix_in_proportion_to_area() -> None:
    expected = (3 * 0.10 + 1 * 0.02 + 2 * 0.05) / 6
    assert mixed([3.0, 1.0, 2.0], [0.10, 0.02, 0.05], 0.03) == pytest.approx(expected, abs=1e-6)
    # The wrong twin mixes in equal parts.
    assert mixed([3.0, 1.0, 2.0], [0.10, 0.02, 0.05], 0.03, weight=[1.0, 1.0, 1.0]) != pytest.approx(
        expected, abs=1e-3
    )
