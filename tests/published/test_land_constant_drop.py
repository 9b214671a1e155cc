"""The constant-drop test.

Tarboton, D. G., Bras, R. L., Rodriguez-Iturbe, I. (1991), On the extraction of channel networks from
digital elevation data, Hydrol. Process. 5, 81-100: the rule (smallest area with |t| < 2). Student's t of two
samples with one variance is checked against scipy.stats.ttest_ind; drops against a plain walk along each
stream. Tolerance 1e-9: the same sums in another order.
"""

import json
from types import SimpleNamespace

import numpy as np
import pytest
from scipy import stats

from washgrade.errors import GroundWarning
from washgrade.land.dem import Dem
from washgrade.land.drainage import condition_and_route
from washgrade.land.fill import fill
from washgrade.land.flow import downstream_cells, flow_directions, upstream_cells
from washgrade.land.threshold import constant_drop

CELL_M = 10.0


@pytest.fixture(scope="module")
def drained():
    # Filled and not breached, so that nothing but the drops is in question.
    heights = np.random.default_rng(1).random((80, 80)) - 0.1 * np.arange(80)[:, None]
    conditioned_m = fill(heights.astype(np.float32))
    directions = flow_directions(conditioned_m)
    return SimpleNamespace(
        conditioned_m=conditioned_m, directions=directions, upstream_cells=upstream_cells(directions)
    )


def plain_drops(drained, area_m2):
    """Drops by order: follow every stream from its head or birth to where a higher order begins."""
    count = drained.upstream_cells.ravel()
    height = drained.conditioned_m.ravel().astype(float)
    to = downstream_cells(drained.directions)
    cells = [cell for cell in np.argsort(count, kind="stable") if count[cell] * CELL_M**2 >= area_m2]
    branches = {cell: [] for cell in cells}
    order = {}
    for cell in cells:
        above = sorted((order[branch] for branch in branches[cell]), reverse=True)
        order[cell] = 1 if not above else above[0] + (len(above) > 1 and above[0] == above[1])
        if to[cell] != cell:
            branches[to[cell]].append(cell)
    drops = {}
    for cell in cells:
        if any(order[branch] == order[cell] for branch in branches[cell]):
            continue
        here = cell
        while to[here] != here and order[to[here]] == order[cell]:
            here = to[here]
        drops.setdefault(order[cell], []).append(height[cell] - height[to[here]])
    first = drops.pop(1)
    return first, [drop for group in drops.values() for drop in group]


def test_table_and_choice(drained):
    found = constant_drop(drained.conditioned_m, drained.directions, drained.upstream_cells, cell_m=CELL_M)
    assert len(found.area_m2) == 24
    compared = 0
    for place, area_m2 in enumerate(found.area_m2):
        first, higher = plain_drops(drained, area_m2 * (1 - 1e-9))
        assert (found.first_count[place], found.higher_count[place]) == (len(first), len(higher))
        assert found.first_mean_m[place] == pytest.approx(np.mean(first), rel=1e-9)
        assert found.first_sd_m[place] == pytest.approx(np.std(first, ddof=1), rel=1e-9)
        if min(len(first), len(higher)) >= 3:
            assert found.higher_mean_m[place] == pytest.approx(np.mean(higher), rel=1e-9)
            assert found.higher_sd_m[place] == pytest.approx(np.std(higher, ddof=1), rel=1e-9)
            theirs = stats.ttest_ind(first, higher)
            assert found.t[place] == pytest.approx(theirs.statistic, rel=1e-9)
            assert found.p[place] == pytest.approx(theirs.pvalue, rel=1e-9)
            assert found.agrees[place] == (abs(theirs.statistic) < 2)
            compared += 1
        else:
            assert np.isnan(found.t[place])
            assert np.isnan(found.p[place])
            assert not found.agrees[place]
    assert compared > 10
    assert found.passed
    chosen = int(np.flatnonzero(found.area_m2 == found.channel_area_m2)[0])
    assert abs(found.t[chosen]) < 2
    assert chosen > 0
    assert not (np.abs(found.t[:chosen]) < 2).any()
    assert found.sentence() == (
        f"Channels begin at {found.channel_area_m2:,.0f} m² of upstream area: the smallest at which "
        f"first-order streams fall by as much as the others (t = {found.t[chosen]:.2f})."
    )


def test_the_table_can_be_shown_and_sent(drained):
    found = constant_drop(drained.conditioned_m, drained.directions, drained.upstream_cells, cell_m=CELL_M)
    rows = json.loads(json.dumps(found.rows(), allow_nan=False))
    assert len(rows) == 24
    taken = [row for row in rows if row["taken"]]
    assert len(taken) == 1
    chosen = int(np.flatnonzero(found.area_m2 == found.channel_area_m2)[0])
    assert taken[0] == {
        "channel_area_m2": found.channel_area_m2,
        "first_order_streams": int(found.first_count[chosen]),
        "first_order_mean_drop_m": found.first_mean_m[chosen],
        "first_order_sd_m": found.first_sd_m[chosen],
        "higher_order_streams": int(found.higher_count[chosen]),
        "higher_order_mean_drop_m": found.higher_mean_m[chosen],
        "higher_order_sd_m": found.higher_sd_m[chosen],
        "t": found.t[chosen],
        "p": found.p[chosen],
        "agrees": True,
        "taken": True,
    }
    unknown = np.isnan(found.t)
    assert unknown.any()
    assert [row["t"] is None for row in rows] == unknown.tolist()
    assert [row["p"] is None for row in rows] == unknown.tolist()
    before = chosen - 1
    assert found.sentences() == (
        found.sentence(),
        f"24 areas from {found.area_m2[0]:,.0f} m² to {found.area_m2[-1]:,.0f} m² were tried; at "
        f"{int((np.abs(found.t) < 2).sum())} of them the mean drops agree.",
        f"At {int(unknown.sum())} of them there are too few streams to compare: fewer than 3 of the first "
        "order or of the higher ones.",
        f"At the next smaller area compared, {found.area_m2[before]:,.0f} m², streams of the first order "
        f"fall by {found.first_mean_m[before]:.1f} m and the others by {found.higher_mean_m[before]:.1f} m "
        f"(t = {found.t[before]:.1f}): hillsides count as channels there, or flat ground does.",
    )


def test_ground_too_small_to_try_says_so():
    heights = (10 - np.mgrid[0:6, 0:6][0]).astype(np.float32)
    bare = condition_and_route(Dem(elevation_m=heights, cell_m=5, west_m=0, north_m=0, crs="EPSG:25830"))
    with pytest.warns(GroundWarning):
        found = constant_drop(bare.conditioned_m, bare.directions, bare.upstream_cells, cell_m=5.0)
    assert found.rows() == []
    assert found.sentences() == (found.sentence(), "The ground is too small to try areas.")


def test_a_twin_with_two_variances_would_differ(drained):
    found = constant_drop(drained.conditioned_m, drained.directions, drained.upstream_cells, cell_m=CELL_M)
    first, higher = plain_drops(drained, found.area_m2[0] * (1 - 1e-9))
    assert found.t[0] != pytest.approx(stats.ttest_ind(first, higher, equal_var=False).statistic, rel=1e-3)


def test_ground_that_decides_nothing_falls_back_and_says_so():
    plane = (100 - 0.1 * np.mgrid[0:40, 0:40][0]).astype(np.float32)
    bare = condition_and_route(Dem(elevation_m=plane, cell_m=5, west_m=0, north_m=0, crs="EPSG:25830"))
    guessed = (
        "a guess from the largest catchment. Look at the map and set 'channel_area_m2' if it does not fit."
    )
    warning = f"The constant-drop test found no area at which channels begin; one is taken, {guessed}"
    with pytest.warns(GroundWarning, match="^" + warning.replace(".", r"\.") + "$"):
        found = constant_drop(bare.conditioned_m, bare.directions, bare.upstream_cells, cell_m=5.0)
    assert not found.passed
    assert found.sentence() == f"Channels begin at 625 m² of upstream area, {guessed}"
    # 625 square metres are 6,727 square feet.
    assert found.sentence("us") == f"Channels begin at 6,727 sq ft of upstream area, {guessed}"
    assert not any(row["taken"] for row in found.rows())
    assert found.sentences()[0] == found.sentence()
