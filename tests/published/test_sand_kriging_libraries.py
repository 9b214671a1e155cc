"""On a channel without branches the model is kriging on a line: PyKrige and GSTools must agree.

Both are general-purpose geostatistics libraries. Same covariance (exponential, nugget), ordinary kriging.
"""

from __future__ import annotations

import gstools
import numpy as np
import pytest
from pykrige.ok import OrdinaryKriging

from washgrade.sand.inference import Process, krige
from washgrade.sand.tree import Tree

COUNT, VARIANCE, RANGE_M, NUGGET = 60, 0.7, 180.0, 0.15


@pytest.fixture(params=["tail-up", "tail-down"])
def channel(
    request: pytest.FixtureRequest,
) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    rng = np.random.default_rng(8)
    length_m = rng.uniform(5.0, 30.0, COUNT)
    tree = Tree(
        downstream=np.append(np.arange(1, COUNT), -1).astype(np.int32),
        length_m=length_m,
        weight=np.ones(COUNT),
    )
    along_m = np.concatenate([[0.0], np.cumsum(length_m[:-1])])
    node = np.sort(rng.choice(COUNT, 14, replace=False))
    value = rng.normal(-2.5, 0.8, len(node))
    up = request.param == "tail-up"
    process = Process(
        up_variance=VARIANCE if up else 0.0,
        up_range_m=RANGE_M,
        down_variance=0.0 if up else VARIANCE,
        down_range_m=RANGE_M,
    )
    _, there = krige(
        tree, process, node=node, value=value, error_variance=np.full(len(node), NUGGET),
        regressors=np.ones((COUNT, 1)),
    )  # fmt: skip
    return along_m, node, value, there.mean, there.variance


def test_gstools_agrees(channel: tuple[np.ndarray, ...]) -> None:
    along_m, node, value, mean, variance = channel
    model = gstools.Exponential(dim=1, var=VARIANCE, len_scale=RANGE_M)
    ordinary = gstools.krige.Ordinary(model, [along_m[node]], value, cond_err=NUGGET)
    theirs, their_variance = ordinary([along_m])
    assert mean == pytest.approx(theirs, rel=1e-9)
    assert variance == pytest.approx(their_variance, rel=1e-8)


def test_pykrige_agrees(channel: tuple[np.ndarray, ...]) -> None:
    along_m, node, value, mean, variance = channel
    # Its range is where 95 % is reached, 3 times ours.
    ordinary = OrdinaryKriging(
        along_m[node], np.zeros(len(node)), value, variogram_model="exponential",
        variogram_parameters={"psill": VARIANCE, "range": 3 * RANGE_M, "nugget": NUGGET}, exact_values=False,
    )  # fmt: skip
    theirs, their_variance = ordinary.execute("points", along_m, np.zeros(COUNT))
    assert mean == pytest.approx(np.asarray(theirs), rel=1e-8)
    # Its variance is that of an observation: the nugget is in it.
    assert variance + NUGGET == pytest.approx(np.asarray(their_variance), rel=1e-8)
