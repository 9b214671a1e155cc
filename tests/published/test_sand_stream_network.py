"""Network covariance, likelihood, kriging and leave-one-out against results from outside.

Sources:

* SSN2 0.4.0 (US EPA, general-purpose stream statistics for R) on its own data set, the Middle Fork stream
  temperatures (US Forest Service), at fixed parameters: tail-up exponential variance 2, range 20,000 m;
  tail-down exponential variance 1, range 15,000 m; nugget .05; regressors 1, ELEV_DEM, AREAWTMAP. Printed to
  ten digits or so; tolerance is the printing, or 1e-8 relative where it was exported in full. Needs the data,
  which are kept beside a checkout and skipped where they are not.
* Peterson & Ver Hoef (2010), Ecology 91:644-651, appendix A: distances of the three-site example.
* A three-node Y and a 15-node tree, calculated densely and apart from this package; typed in here.
"""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
import pytest

from washgrade.sand.covariance import distances, tail_down_exponential, tail_up_exponential
from washgrade.sand.inference import Process, fit, krige, leave_one_out, minus_two_log_likelihood
from washgrade.sand.tree import Tree

STREAMS = Path(__file__).resolve().parents[2].parent / "shared" / "reference" / "streams"
needs_data = pytest.mark.skipif(not STREAMS.is_dir(), reason="the stream data are not beside this checkout")


# The Y: s1 on branch 1, 100 m above the confluence c; s2 on branch 2, 50 m above; s3 80 m below.
Y = Tree(
    downstream=np.array([2, 2, 3, -1], np.int32),
    length_m=np.array([100.0, 50.0, 80.0, 0.0]),
    weight=np.array([3.0, 1.0, 4.0, 4.0]),
)
Y_PROCESS = Process(up_variance=1.0, up_range_m=200.0, down_variance=0.5, down_range_m=400.0)
Y_VALUE = np.array([-2.0, -3.0, -2.5])
Y_NODE = np.array([0, 1, 3])


def test_covariances_of_the_y() -> None:
    apart = distances(Y)
    up = tail_up_exponential(apart, variance=1.0, range_m=200.0)[np.ix_(Y_NODE, Y_NODE)]
    down = tail_down_exponential(apart, variance=0.5, range_m=400.0)[np.ix_(Y_NODE, Y_NODE)]
    assert up[0, 1] == 0.0
    assert up[0, 2] == pytest.approx(0.35209965374335417, rel=1e-14)
    assert up[1, 2] == pytest.approx(0.261022888380508, rel=1e-14)
    assert down[0, 1] == pytest.approx(0.3436446393954861, rel=1e-14)
    assert down[0, 2] == pytest.approx(0.31881407581088667, rel=1e-14)
    assert down[1, 2] == pytest.approx(0.3612636768210361, rel=1e-14)


def test_y_with_known_mean() -> None:
    kwargs = {"node": Y_NODE, "value": Y_VALUE + 2.5, "error_variance": np.full(3, 0.1)}
    found, there = krige(Y, Y_PROCESS, regressors=np.empty((4, 0)), **kwargs)
    assert found.log_likelihood == pytest.approx(-3.4803619553754355, rel=1e-12)
    assert there.mean - 2.5 == pytest.approx(
        [-2.040380504830362, -2.9607211068940584, -2.4747970299882365, -2.498344307736746], rel=1e-12
    )
    assert there.variance == pytest.approx(
        [0.09238753254398518, 0.0926078548888693, 0.5018752984809323, 0.09144454389582346], rel=1e-12
    )
    # The wrong twin: an older convention takes exp(-3h/range).
    short = Process(up_variance=1.0, up_range_m=200.0 / 3, down_variance=0.5, down_range_m=400.0 / 3)
    wrong, _ = krige(Y, short, regressors=np.empty((4, 0)), **kwargs)
    assert wrong.log_likelihood != pytest.approx(-3.4803619553754355, rel=1e-3)


def test_y_with_unknown_mean() -> None:
    found, there = krige(
        Y, Y_PROCESS, node=Y_NODE, value=Y_VALUE, error_variance=np.full(3, 0.1), regressors=np.ones((4, 1))
    )
    assert found.coefficient[0] == pytest.approx(-2.5049259973322706, rel=1e-12)
    assert found.covariance[0, 0] == pytest.approx(0.889039947629335, rel=1e-12)
    assert minus_two_log_likelihood(found) == pytest.approx(5.2404326593606925, rel=1e-12)
    assert there.mean == pytest.approx(
        [-2.040584297597475, -2.960930358459684, -2.4745981001980453, -2.49848534394284], rel=1e-12
    )
    assert there.variance == pytest.approx(
        [0.09390916745445775, 0.09421209866588981, 0.5033251802208879, 0.09217332006825295], rel=1e-12
    )


def test_tree_of_fifteen_nodes() -> None:
    area = np.array([1, 1.25, 1.5, 1, 1.25, 1.5, 1, 1.25, 3.75, 3.5, 4, 3.75, 8.25, 9, 18.75])
    tree = Tree(
        downstream=np.array([8, 8, 9, 9, 10, 10, 11, 11, 12, 12, 13, 13, 14, 14, -1], np.int32),
        length_m=np.array([10, 20, 30, 40, 10, 20, 30, 40, 10, 20, 30, 40, 10, 20, 0.0]),
        weight=area,
    )
    found, there = krige(
        tree,
        Process(up_variance=0.6, up_range_m=35, down_variance=0.4, down_range_m=120),
        node=np.array([0, 3, 5, 5, 8, 11, 14]),
        value=np.array([-2.1, -2.9, -3.3, -3.0, -2.2, -2.6, -2.4]),
        error_variance=np.array([0.05, 0.08, 0.05, 0.05, 0.1, 0.06, 0.04]),
        regressors=np.column_stack([np.ones(15), np.log(area)]),
    )
    assert found.coefficient == pytest.approx([-2.71940316974612, 0.07061758215025168], rel=1e-12)
    assert minus_two_log_likelihood(found) == pytest.approx(11.199318541535648, rel=1e-12)
    assert found.covariance_log_determinant == pytest.approx(-2.8374161264460174, rel=1e-12)
    assert there.mean[[0, 1, 5, 12, 14]] == pytest.approx(
        [-2.131089583375833, -2.544421581277903, -3.136082071191939, -2.348101420524196, -2.3991995764962066],
        rel=1e-12,
    )
    assert there.variance[[0, 1, 5, 12, 14]] == pytest.approx(
        [
            0.04740793896022151,
            0.8652118383668606,
            0.02446615732967194,
            0.4289649002179206,
            0.03932209365569499,
        ],
        rel=1e-12,
    )


def test_distances_of_the_three_site_example() -> None:
    # s1 and s2 on two branches 7 and 3 above where they meet; s3 below it by 5: 10, 8 and 12 in all.
    fork = Tree(
        downstream=np.array([2, 2, 3, -1], np.int32),
        length_m=np.array([7.0, 3.0, 5.0, 0.0]),
        weight=np.array([1.0, 1.0, 2.0, 2.0]),
    )
    along = distances(fork).along_m
    assert (along[0, 1], along[1, 3], along[0, 3]) == (10.0, 8.0, 12.0)


def table(name: str) -> list[dict[str, str]]:
    with (STREAMS / name).open(encoding="utf-8", newline="") as stream:
        return list(csv.DictReader(stream))


class MiddleFork:
    """The two networks with a node at the top of every reach, at every site and at every prediction site."""

    def __init__(self) -> None:
        edges = {row["rid"]: row for row in table("edges.csv")}
        sites, wanted = table("sites.csv"), table("pred1km.csv")
        spots = [(row["rid"], float(edges[row["rid"]]["upDist"]), "top") for row in edges.values()]
        spots += [(row["rid"], float(row["upDist"]), row["pid"]) for row in sites + wanted]
        # Upstream first: within a reach by falling distance, among reaches by the distance of their tops.
        spots.sort(key=lambda spot: (-spot[1], spot[2] != "top"))
        count = len(spots)
        distance = np.array([spot[1] for spot in spots])
        by_reach: dict[str, list[int]] = {}
        for number, spot in enumerate(spots):
            by_reach.setdefault(spot[0], []).append(number)
        downstream = np.full(count, -1, dtype=np.int32)
        for rid, members in by_reach.items():
            downstream[members[:-1]] = members[1:]
            below = edges[rid]["down_rid"]
            if below != "-1":
                downstream[members[-1]] = by_reach[below][0]
        length = np.where(downstream >= 0, distance - distance[downstream], 0.0)
        weight = np.array([float(edges[spot[0]]["afvArea"]) for spot in spots])
        self.tree = Tree(downstream=downstream, length_m=length, weight=weight)
        number_of = {spot[2]: number for number, spot in enumerate(spots) if spot[2] != "top"}
        self.node = np.array([number_of[row["pid"]] for row in sites])
        self.wanted = np.array([number_of[row["pid"]] for row in wanted])
        self.value = np.array([float(row["Summer_mn"]) for row in sites])
        self.everywhere = np.ones((count, 3))
        for number, row in zip([*self.node, *self.wanted], sites + wanted, strict=True):
            self.everywhere[number, 1:] = float(row["ELEV_DEM"]), float(row["AREAWTMAP"])
        self.process = Process(up_variance=2.0, up_range_m=20000.0, down_variance=1.0, down_range_m=15000.0)
        self.readings = {
            "node": self.node,
            "value": self.value,
            "error_variance": np.full(len(self.node), 0.05),
        }


@pytest.fixture(scope="module")
def middle_fork() -> MiddleFork:
    return MiddleFork()


@needs_data
def test_covariance_of_the_sites(middle_fork: MiddleFork) -> None:
    outside = np.loadtxt(STREAMS / "outside_cov_fixed.csv", delimiter=",", skiprows=1)
    apart = distances(middle_fork.tree)
    ours = tail_up_exponential(apart, variance=2.0, range_m=20000.0) + tail_down_exponential(
        apart, variance=1.0, range_m=15000.0
    )
    ours = ours[np.ix_(middle_fork.node, middle_fork.node)] + 0.05 * np.eye(len(middle_fork.node))
    assert ours == pytest.approx(outside, rel=1e-8, abs=1e-8)


@needs_data
def test_likelihood_and_coefficients(middle_fork: MiddleFork) -> None:
    found = fit(
        middle_fork.tree,
        middle_fork.process,
        regressors=middle_fork.everywhere[middle_fork.node],
        **middle_fork.readings,
    )
    assert minus_two_log_likelihood(found) == pytest.approx(99.34939861, abs=5e-9)
    assert found.coefficient == pytest.approx([81.01449131, -0.03144024875, -0.00569399726], rel=1e-8)


@needs_data
def test_leave_one_out(middle_fork: MiddleFork) -> None:
    outside = table("outside_loocv_fixed.csv")
    prediction, variance = leave_one_out(
        middle_fork.tree,
        middle_fork.process,
        regressors=middle_fork.everywhere[middle_fork.node],
        **middle_fork.readings,
    )
    assert np.sqrt(np.mean((prediction - middle_fork.value) ** 2)) == pytest.approx(0.4878127199, abs=5e-9)
    assert np.mean(prediction - middle_fork.value) == pytest.approx(0.04598550985, abs=5e-9)
    assert prediction == pytest.approx([float(row["cv"]) for row in outside], rel=1e-7)
    assert np.sqrt(variance) == pytest.approx([float(row["se"]) for row in outside], rel=1e-7)


@needs_data
def test_kriging_at_the_prediction_sites(middle_fork: MiddleFork) -> None:
    outside = table("outside_pred_fixed.csv")
    _, there = krige(
        middle_fork.tree, middle_fork.process, regressors=middle_fork.everywhere, **middle_fork.readings
    )
    mean, variance = there.mean[middle_fork.wanted], there.variance[middle_fork.wanted]
    assert mean[:4] == pytest.approx([14.68645126, 14.73267372, 14.86155939, 14.09813104], abs=5e-9)
    assert mean == pytest.approx([float(row["fit"]) for row in outside], rel=1e-8)
    # Their standard error is that of an observation: the nugget is in it.
    assert np.sqrt(variance + 0.05) == pytest.approx([float(row["se"]) for row in outside], rel=1e-7)
    assert mean.mean() == pytest.approx(10.0169793, abs=5e-8)
