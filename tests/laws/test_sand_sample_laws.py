"""What holds for every set of samples: order, origin, merging at a place, splitting a layer."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from washgrade.land.channels import Nodes
from washgrade.sand.hyper import average, readings
from washgrade.sand.inference import CoefficientPrior, Process, fit, krige
from washgrade.sand.layers import Samples, SamplingSettings
from washgrade.sand.priors import Priors
from washgrade.sand.profile import profiles
from washgrade.sand.repeat import repeatability
from washgrade.sand.sample import Observations, observations
from washgrade.sand.tree import Tree, tree_of_nodes

COUNT = 12
NODES = Nodes(
    cell=np.arange(COUNT),
    downstream=np.array([2, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11, -1], np.int32),
    length_m=np.array([10.0] * (COUNT - 1) + [0.0]),
    easting_m=np.array([0.0, 0.0, *np.arange(1.0, COUNT - 1)]) * 10,
    northing_m=np.array([8.0, -8.0] + [0.0] * (COUNT - 2)),
    elevation_m=np.linspace(20, 5, COUNT),
    upstream_area_m2=np.array([900.0, 1100.0, *(2100.0 + 100 * np.arange(COUNT - 2))]),
    distance_to_outlet_m=np.array([100.0, 100.0, *(90 - 10.0 * np.arange(COUNT - 2))]),
    order=np.ones(COUNT, np.int32),
    reach=np.zeros(COUNT, np.int32),
)
SEEDS = st.integers(0, 2**32 - 1)
SETTINGS = SamplingSettings()


def drawn(seed: int, *, most: int = 14) -> Samples:
    """Samples of all sorts: layers, duplicates, traces, wet ones, named and not, near and far."""
    rng = np.random.default_rng(seed)
    count = int(rng.integers(1, most))
    top = np.where(rng.random(count) < 0.5, np.nan, rng.choice([0.0, 0.03, 0.06, 0.12], count))
    trace = rng.random(count) < 0.15
    return Samples(
        sample_id=np.array([f"s{k:02d}" for k in range(count)]),
        easting_m=rng.integers(0, 25, count) * 4.5,
        northing_m=rng.integers(-2, 3, count) * 4.0,
        accuracy_m=np.where(rng.random(count) < 0.3, np.nan, rng.integers(2, 9, count)),
        depth_top_m=top,
        depth_bottom_m=top + rng.choice([0.03, 0.05, 0.2], count),
        dry_mass_kg=np.where(rng.random(count) < 0.3, np.nan, rng.uniform(0.2, 2.0, count)),
        grade=np.where(trace, np.nan, rng.beta(1.0, 9.0, count)),
        trace=trace,
        day=np.array(["2025-10-04", "2025-11-01"], "M8[D]")[rng.integers(0, 2, count)],
        place=np.array(["", "", "bend", "fork"])[rng.integers(0, 4, count)],
        moisture=np.where(rng.random(count) < 0.7, np.nan, 0.05),
    )


def some(samples: Samples, order: np.ndarray) -> Samples:
    return Samples(**{name: getattr(samples, name)[order] for name in samples.__dataclass_fields__})


def same(one: Observations, other: Observations) -> None:
    assert one.sample_ids == other.sample_ids
    assert one.node.tolist() == other.node.tolist()
    np.testing.assert_allclose(one.value, other.value, rtol=1e-12)
    np.testing.assert_allclose(one.error_variance, other.error_variance, rtol=1e-12)
    assert (one.unplaced, one.left_out, one.split) == (other.unplaced, other.left_out, other.split)


@given(SEEDS)
@settings(max_examples=80, deadline=None)
def test_the_order_of_samples_does_not_matter(seed: int) -> None:
    samples = drawn(seed)
    turned = some(samples, np.random.default_rng(seed).permutation(len(samples)))
    same(observations(samples, SETTINGS, NODES), observations(turned, SETTINGS, NODES))
    assert [one.sentences for one in profiles(samples, SETTINGS)] == [
        one.sentences for one in profiles(turned, SETTINGS)
    ]
    np.testing.assert_equal(
        repeatability(samples, SETTINGS).relative_sd, repeatability(turned, SETTINGS).relative_sd
    )


@given(SEEDS, st.integers(-50, 50), st.integers(-50, 50))
@settings(max_examples=60, deadline=None)
def test_moving_the_origin_moves_nothing_else(seed: int, east: int, north: int) -> None:
    # By steps that a double holds exactly, so that no distance changes in its last digit.
    samples, step_m = drawn(seed), 2.0**12
    moved = replace(
        samples,
        easting_m=samples.easting_m + east * step_m,
        northing_m=samples.northing_m + north * step_m,
    )
    nodes = replace(
        NODES, easting_m=NODES.easting_m + east * step_m, northing_m=NODES.northing_m + north * step_m
    )
    same(observations(samples, SETTINGS, NODES), observations(moved, SETTINGS, nodes))


@given(SEEDS)
@settings(max_examples=60, deadline=None)
def test_every_layer_is_counted_once_or_told_why_not(seed: int) -> None:
    samples = drawn(seed)
    found = observations(samples, SETTINGS, NODES)
    told = [
        *sum(found.sample_ids, ()),
        *(one for one, _ in found.unplaced),
        *(one for one, _ in found.left_out),
    ]
    assert sorted(told) == samples.sample_id.tolist()
    assert np.all(found.error_variance > 0)
    assert np.all((found.covered > 0) & (found.covered <= 1))


@given(SEEDS, st.floats(0.05, 0.95))
@settings(max_examples=60, deadline=None)
def test_a_layer_split_in_two_of_the_same_grade_has_the_same_composite(seed: int, where: float) -> None:
    rng = np.random.default_rng(seed)
    grade, bottom = float(rng.uniform(0.01, 0.6)), float(rng.uniform(0.02, 0.1))
    below = float(rng.uniform(0.01, 0.6))

    def hole(edges: list[float], grades: list[float]) -> Observations:
        count = len(grades)
        return observations(
            Samples(
                sample_id=np.array([f"s{k}" for k in range(count)]),
                easting_m=np.zeros(count),
                northing_m=np.full(count, 8.0),
                accuracy_m=np.full(count, 3.0),
                depth_top_m=np.array(edges[:-1]),
                depth_bottom_m=np.array(edges[1:]),
                dry_mass_kg=np.full(count, 1.0),
                grade=np.array(grades),
                trace=np.zeros(count, bool),
                day=np.full(count, np.datetime64("2025-10-04")),
                place=np.full(count, "pit"),
            ),
            SETTINGS,
            NODES,
        )

    whole = hole([0.0, bottom, 0.1], [grade, below])
    halves = hole([0.0, where * bottom, bottom, 0.1], [grade, grade, below])
    assert halves.value == pytest.approx(whole.value, rel=1e-9)
    assert halves.covered == pytest.approx(whole.covered)
    # Two samples of the layer say more than one; a bite all covered has nothing unseen.
    assert halves.error_variance[0] <= whole.error_variance[0] * (1 + 1e-9)
    # A composite lies between its layers.
    low, high = sorted([grade, below])
    assert low * (1 - 1e-9) <= 1 / (1 + np.exp(-whole.value[0])) <= high * (1 + 1e-9)


def tree_and_readings(seed: int) -> tuple[Tree, np.ndarray, np.ndarray, np.ndarray]:
    rng = np.random.default_rng(seed)
    node = np.sort(rng.integers(0, COUNT, 7))
    node[3] = node[2]
    return tree_of_nodes(NODES), node, rng.normal(-2.5, 0.5, 7), rng.uniform(0.01, 0.3, 7)


@given(SEEDS)
@settings(max_examples=40, deadline=None)
def test_two_readings_of_a_place_are_one_of_their_pooled_value(seed: int) -> None:
    tree, node, value, error = tree_and_readings(seed)
    process = Process(up_variance=0.3, up_range_m=40.0, down_variance=0.2, down_range_m=90.0)
    prior = CoefficientPrior(mean=np.array([-2.5]), sd=np.array([1.2]))
    weight = 1 / error[2:4]
    merged = np.delete(np.arange(7), 3)
    pooled_value, pooled_error = value[merged].copy(), error[merged].copy()
    pooled_value[2] = weight @ value[2:4] / weight.sum()
    pooled_error[2] = 1 / weight.sum()
    ones = np.ones((COUNT, 1))
    for shared in (0.0, 0.1):
        apart, there = krige(
            tree, process, node=node, value=value, error_variance=error, regressors=ones, prior=prior,
            shared_variance=shared,
        )  # fmt: skip
        joined, here = krige(
            tree, process, node=node[merged], value=pooled_value, error_variance=pooled_error,
            regressors=ones, prior=prior, shared_variance=shared,
        )  # fmt: skip
        assert here.mean == pytest.approx(there.mean, abs=1e-10)
        assert here.variance == pytest.approx(there.variance, abs=1e-10)
        # The likelihoods differ by what the two say of each other, which no parameter of the field touches.
        between = value[2] - value[3]
        both = error[2] + error[3]
        of_each_other = -0.5 * (between**2 / both + np.log(2 * np.pi * both))
        assert apart.log_likelihood - joined.log_likelihood == pytest.approx(of_each_other, abs=1e-9)
        small = fit(
            tree, process, node=node[merged], value=pooled_value, error_variance=pooled_error,
            regressors=ones[merged], prior=prior, shared_variance=shared,
        )  # fmt: skip
        assert small.log_likelihood == pytest.approx(joined.log_likelihood, abs=1e-9)


def reading_of(node: np.ndarray, value: np.ndarray, error: np.ndarray) -> Observations:
    count = len(node)
    return Observations(
        node=node.astype(np.int32),
        value=value,
        error_variance=error,
        censored=np.zeros(count, bool),
        limit=np.full(count, -6.2),
        accuracy_m=np.full(count, 4.0),
        offset_m=np.zeros(count),
        covered=np.ones(count),
        day=np.full(count, np.datetime64("2025-10-04")),
        sample_ids=tuple((f"s{k}",) for k in range(count)),
        unplaced=(),
        left_out=(),
    )


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_merging_at_a_place_changes_no_average_where_scoops_do_not_differ(seed: int) -> None:
    """With a scoop's own scatter in doubt two scoops tell more than their mean; without, exactly the same."""
    tree, node, value, error = tree_and_readings(seed)
    weight = 1 / error[2:4]
    merged = np.delete(np.arange(7), 3)
    pooled_value, pooled_error = value[merged].copy(), error[merged].copy()
    pooled_value[2] = weight @ value[2:4] / weight.sum()
    pooled_error[2] = 1 / weight.sum()
    ones = np.ones((COUNT, 1))
    priors = Priors(scoop_share=0.0)
    two = average(readings(tree, reading_of(node, value, error), ones), priors)
    one = average(readings(tree, reading_of(node[merged], pooled_value, pooled_error), ones), priors)
    assert one.points == pytest.approx(two.points, rel=1e-9)
    assert one.columns == pytest.approx(two.columns, rel=1e-9)
    assert one.error_variance == pytest.approx(two.error_variance, rel=1e-9)
    assert one.step == pytest.approx(two.step, rel=1e-7, abs=1e-10)
    # The twin: where scoops differ by themselves, two of them say how much; far apart, it shows.
    value[3] = value[2] + 2.0
    pooled_value[2] = weight @ value[2:4] / weight.sum()
    apart = Priors(scoop_share=1.0)
    taught = average(readings(tree, reading_of(node, value, error), ones), apart)
    untaught = average(readings(tree, reading_of(node[merged], pooled_value, pooled_error), ones), apart)
    assert taught.quantities["local sd"].p50 > 1.2 * untaught.quantities["local sd"].p50
