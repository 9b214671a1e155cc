"""Every covariance along channels is one: symmetric, never negative, and its variance on the diagonal."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from washgrade.sand.covariance import COVARIANCES, Distances, distances, tail_up_exponential
from washgrade.sand.tree import Tree


def grown(rng: np.random.Generator, count: int) -> Tree:
    """A random forest whose branches bring no more than what flows on."""
    downstream = np.full(count, -1, dtype=np.int32)
    weight = rng.uniform(0.01, 3.0, count)
    for i in range(count - 1):
        if rng.random() < 0.9:
            downstream[i] = rng.integers(i + 1, min(count, i + 6))
            weight[downstream[i]] += weight[i]
    return Tree(downstream=downstream, length_m=rng.uniform(0.0, 90.0, count), weight=weight)


def least_eigenvalue(covariance: np.ndarray) -> float:
    return float(np.linalg.eigvalsh(covariance)[0])


@pytest.mark.parametrize("name", COVARIANCES)
@given(seed=st.integers(0, 2**32 - 1), variance=st.floats(0.01, 10.0), range_m=st.floats(1.0, 1e5))
@settings(max_examples=40, deadline=None)
def test_each_is_a_covariance(name: str, seed: int, variance: float, range_m: float) -> None:
    rng = np.random.default_rng(seed)
    pair = distances(grown(rng, int(rng.integers(1, 40))))
    found = COVARIANCES[name](pair, variance=variance, range_m=range_m)
    assert np.array_equal(found, found.T)
    assert np.diag(found) == pytest.approx(np.full(len(found), variance))
    assert least_eigenvalue(found) >= -1e-9 * variance * len(found)


def test_without_its_weights_tail_up_is_none() -> None:
    # The wrong twin: branches that all bring everything correlate with the outlet more than they can.
    star = Tree(
        downstream=np.append(np.full(5, 5), -1).astype(np.int32),
        length_m=np.append(np.full(5, 10.0), 0.0),
        weight=np.append(np.ones(5), 5.0),
    )
    pair = distances(star)
    assert least_eigenvalue(tail_up_exponential(pair, variance=1.0, range_m=100.0)) > 0.05
    heavy: Distances = replace(pair, mix=(pair.mix > 0).astype(float))
    assert least_eigenvalue(tail_up_exponential(heavy, variance=1.0, range_m=100.0)) < -0.5
