"""Two and three nodes, where the answer can be written down: our own algebra on one and two readings."""

from __future__ import annotations

import math

import numpy as np
import pytest

from washgrade.sand.inference import Process, krige
from washgrade.sand.nextsample import gain_of_one_more
from washgrade.sand.tree import Tree

NOTHING = np.empty((2, 0))
PAIR = Tree(
    downstream=np.array([1, -1], np.int32), length_m=np.array([100.0, 0.0]), weight=np.array([1.0, 4.0])
)
BOTH = Process(up_variance=0.6, up_range_m=200.0, down_variance=0.4, down_range_m=400.0)
# Covariance of the two nodes: half the tail-up is left, for the lower one drains four times as much.
SHARED = 0.6 * 0.5 * math.exp(-0.5) + 0.4 * math.exp(-0.25)


def test_two_nodes_one_reading() -> None:
    found, there = krige(
        PAIR,
        BOTH,
        node=np.array([0]),
        value=np.array([1.5]),
        error_variance=np.array([0.25]),
        regressors=NOTHING,
    )
    assert there.mean == pytest.approx([1.5 / 1.25, SHARED * 1.5 / 1.25], rel=1e-12)
    assert there.variance == pytest.approx([0.25 / 1.25, 1 - SHARED**2 / 1.25], rel=1e-12)
    assert found.log_likelihood == pytest.approx(
        -0.5 * (math.log(2 * math.pi * 1.25) + 1.5**2 / 1.25), rel=1e-12
    )


def test_two_nodes_gain_of_the_second_reading() -> None:
    gain = gain_of_one_more(
        PAIR, BOTH, node=np.array([0]), error_variance=np.array([0.25]), regressors=NOTHING,
        weight=np.array([1.0, 3.0]), sample_variance=0.25,
    )  # fmt: skip
    here, between, below = 0.25 / 1.25, SHARED * 0.25 / 1.25, 1 - SHARED**2 / 1.25
    assert gain[0] == pytest.approx((here**2 + 3 * between**2) / (here + 0.25), rel=1e-12)
    assert gain[1] == pytest.approx((between**2 + 3 * below**2) / (below + 0.25), rel=1e-12)


@pytest.mark.parametrize("area", [1.0, 3.0])
def test_three_nodes_two_branches_know_nothing_of_each_other_by_what_they_carry(area: float) -> None:
    fork = Tree(
        downstream=np.array([2, 2, -1], np.int32), length_m=np.array([50.0, 80.0, 0.0]),
        weight=np.array([1.0, area, 1.0 + area]),
    )  # fmt: skip
    carried = Process(up_variance=1.0, up_range_m=100.0, down_variance=0.0, down_range_m=1.0)
    _, there = krige(
        fork, carried, node=np.array([0, 1]), value=np.array([2.0, -1.0]),
        error_variance=np.array([0.5, 0.1]), regressors=np.empty((3, 0)),
    )  # fmt: skip
    to = np.sqrt(np.array([1.0, area]) / (1 + area)) * np.exp([-0.5, -0.8])
    assert there.mean[:2] == pytest.approx([2.0 / 1.5, -1.0 / 1.1], rel=1e-12)
    assert there.mean[2] == pytest.approx(to[0] * 2.0 / 1.5 - to[1] / 1.1, rel=1e-12)
    assert there.variance[2] == pytest.approx(1 - to[0] ** 2 / 1.5 - to[1] ** 2 / 1.1, rel=1e-12)
    # The wrong twin shares the area out in equal parts.
    equal = math.sqrt(0.5) * (math.exp(-0.5) * 2.0 / 1.5 - math.exp(-0.8) / 1.1)
    assert (there.mean[2] == pytest.approx(equal, rel=1e-3)) == (area == 1.0)


def test_three_nodes_explain_each_other_away_where_they_meet() -> None:
    # Known exactly where they meet, two equal branches that make up all of it have correlation -1 in part.
    fork = Tree(
        downstream=np.array([2, 2, -1], np.int32), length_m=np.zeros(3), weight=np.array([1.0, 1.0, 2.0])
    )
    carried = Process(up_variance=1.0, up_range_m=100.0, down_variance=0.0, down_range_m=1.0)
    gain = gain_of_one_more(
        fork, carried, node=np.array([2]), error_variance=np.array([1e-6]), regressors=np.empty((3, 0)),
        weight=np.array([0.0, 1.0, 0.0]), sample_variance=0.1,
    )  # fmt: skip
    # Given their sum, each branch has variance 1/2 and the two a covariance of -1/2.
    assert gain[0] == pytest.approx(0.25 / 0.6, rel=1e-4)
