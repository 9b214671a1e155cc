"""Branches that join mix as loads of sand do: our law against plain mixing of lognormal slopes."""

from __future__ import annotations

import re

import numpy as np
import pytest

from washgrade.errors import InputError
from washgrade.sand.covariance import distances, tail_up_exponential
from washgrade.sand.inference import Process, krige
from washgrade.sand.solver import middle_of_mixture, variance_share
from washgrade.sand.tree import Tree

# A full binary tree of 31 nodes; every node has a hectare of slopes of its own.
COUNT = 31
DOWNSTREAM = np.array([16 + i // 2 if i < 30 else -1 for i in range(COUNT)], np.int32)
AREA = np.ones(COUNT)
for node in range(COUNT - 1):
    AREA[DOWNSTREAM[node]] += AREA[node]
TREE = Tree(downstream=DOWNSTREAM, length_m=np.ones(COUNT), weight=AREA)
# Nothing fades on the way: only the branches that join change what is carried.
ENDLESS_M = 1e12


def mixed(sd: float, draws: int) -> np.ndarray:
    """Log grade at every node where independent lognormal slopes of mean 1 mix by area, load by load."""
    carried = np.exp(np.random.default_rng(4).normal(-0.5 * sd**2, sd, (draws, COUNT)))
    for i in range(COUNT - 1):
        carried[:, DOWNSTREAM[i]] += carried[:, i]
    return np.log(carried / AREA)


def test_nearly_even_slopes_mix_in_full() -> None:
    """Of small differences the log of a mean is the mean of the logs: our law is exact."""
    plain = np.cov(mixed(0.05, 100_000).T)
    ours, wrong = (
        tail_up_exponential(distances(TREE), variance=0.05**2, range_m=ENDLESS_M, mixing_share=mixing)
        for mixing in (1.0, 0.0)
    )
    assert plain == pytest.approx(ours, abs=0.03 * 0.05**2)
    # The wrong twin, in which all places vary alike, says 31 times too much at the outlet.
    assert wrong[-1, -1] == pytest.approx(31.0 * plain[-1, -1], rel=0.03)


def test_uneven_slopes_mix_less() -> None:
    """Skew slopes: the variance falls more slowly than with the area, so a share mixes."""
    variance = mixed(1.3, 100_000).var(axis=0)
    mixing = -np.log(variance[-1] / variance[0]) / np.log(31.0)
    assert 0.6 < mixing < 0.95


@pytest.mark.parametrize("sd", [0.3, 0.8, 1.3])
def test_the_middle_of_a_mixture_rises_by_half_of_what_its_variance_falls(sd: float) -> None:
    """Loads keep the mean grade; the middle comes near it. Exact for lognormals, and mixtures nearly are."""
    log_grade = mixed(sd, 200_000)
    assert np.exp(log_grade).mean(axis=0) == pytest.approx(np.ones(COUNT), rel=0.03)
    middle, variance = log_grade.mean(axis=0), log_grade.var(axis=0)
    risen = middle[-1] - middle[0]
    share = variance[-1] / variance[0]
    assert risen == pytest.approx(middle_of_mixture(variance[0], share), rel=0.12)
    assert risen > 0.3 * sd**2


def test_variance_share_is_a_power_of_the_weight() -> None:
    assert variance_share(np.log(8.0), 2.0 / 3.0) == pytest.approx(0.25)
    assert variance_share(np.log(8.0), 0.0) == 1.0


def test_a_node_below_is_the_weighted_mean_of_its_branches() -> None:
    """Two branches, a reading in each, by hand: with a mixing of 1 what flows on is three parts and one."""
    fork = Tree(
        downstream=np.array([2, 2, -1], np.int32), length_m=np.array([1.0, 1.0, 0.0]),
        weight=np.array([3.0, 1.0, 4.0]),
    )  # fmt: skip
    sand = Process(
        up_variance=1.0, up_range_m=ENDLESS_M, down_variance=0.0, down_range_m=1.0, mixing_share=1.0
    )
    _, there = krige(
        fork, sand, node=np.array([0, 1]), value=np.array([2.0, -1.0]), error_variance=np.zeros(2),
        regressors=np.empty((3, 0)),
    )  # fmt: skip
    # A quarter of the sand is of the second branch, and nothing joins but what the two bring.
    assert there.mean == pytest.approx([2.0, -1.0, 0.75 * 2.0 - 0.25], abs=1e-4)
    assert there.variance == pytest.approx(np.zeros(3), abs=1e-4)


def test_a_mixing_outside_its_range_is_refused() -> None:
    sentence = "Invalid 'mixing_share' of 1.5. It must be a finite number of at least 0 and of at most 1."
    with pytest.raises(InputError, match="^" + re.escape(sentence) + "$"):
        Process(up_variance=1.0, up_range_m=1.0, down_variance=0.0, down_range_m=1.0, mixing_share=1.5)
