"""Samples weighed on a ground: covariates of shape, known sources, likeness across the land, reasons."""

from __future__ import annotations

import importlib.util
import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from scipy.special import expit, logit

from washgrade.errors import InputError
from washgrade.land.channels import middle_nodes
from washgrade.land.shape import Shape
from washgrade.sand import mixture
from washgrade.sand.before import grade_before, ratio_before
from washgrade.sand.covariates import COVARIATES, SHAPE_COVARIATES, regressors
from washgrade.sand.dilution import diluted_grade
from washgrade.sand.grade import estimate_grade
from washgrade.sand.layers import SamplingSettings
from washgrade.sand.planar import planar_columns
from washgrade.sand.priors import Priors
from washgrade.sand.reasons import partial_effects, reasons
from washgrade.sand.tree import tree_of_nodes
from washgrade.sand.weighed import SOURCES, Weighed, weigh


def beside(name: str):
    """A module of this folder: the tests' import mode knows no neighbours."""
    spec = importlib.util.spec_from_file_location(name, Path(__file__).with_name(f"{name}.py"))
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


made = beside("test_sand_grade")
GROUND, MANY, CELL_M, channels, samples = made.GROUND, made.MANY, made.CELL_M, made.channels, made.samples
COUNT = len(GROUND.nodes)
# Places known exactly, so that samples a cell apart are not taken for scoops of one hole.
SURE = SamplingSettings(typical_accuracy_m=0)


def shape(rng: np.random.Generator) -> Shape:
    """Any shape: what matters is how it is used."""
    return Shape(
        width_m=np.where(rng.random(COUNT) < 0.2, np.nan, rng.uniform(1, 5, COUNT)),
        width_from=np.ones(COUNT, np.uint8),
        valley_m=rng.uniform(5, 50, COUNT),
        is_open=np.zeros(COUNT, bool),
        confinement=np.where(rng.random(COUNT) < 0.2, np.nan, rng.uniform(1, 30, COUNT)),
        curvature_per_m=rng.normal(size=COUNT),
        radius_over_width=np.where(rng.random(COUNT) < 0.3, np.inf, rng.uniform(0.5, 10, COUNT)),
        inner_side=np.zeros(COUNT, np.int8),
        slope=rng.uniform(0, 0.1, COUNT),
        slope_break=np.where(rng.random(COUNT) < 0.1, np.nan, rng.normal(0, 2, COUNT)),
        expansion=rng.normal(size=COUNT),
        below_confluence_m=np.where(rng.random(COUNT) < 0.3, np.inf, rng.uniform(0, 200, COUNT)),
        area_ratio=rng.random(COUNT),
        stream_power_w_m2_per_m3_s=rng.uniform(1, 1000, COUNT),
    )


def mean_logit(model: Weighed, part: int) -> np.ndarray:
    """Posterior mean at every node under one representative, the place effect left out."""
    there = next(model.smoothed(np.array([part])))
    mean, spread = np.empty(COUNT), np.empty(COUNT)
    mixture.latent_moments(
        there.up, there.down, there.variance, model.regressors, model.expected(part),
        model.averaged.step[part], model.averaged.covariance[part], np.full(COUNT, -1, np.int32),
        model.read.loading, model.averaged.columns[part], model.averaged.error_variance[part], 0.0, mean,
        spread,
    )  # fmt: skip
    return mean


def test_covariates_of_shape_come_with_a_shape_and_are_standard() -> None:
    assert regressors(GROUND)[0] == ("intercept", *COVARIATES)
    measured = shape(np.random.default_rng(1))
    names, columns = regressors(GROUND, measured)
    assert names == ("intercept", *COVARIATES, *SHAPE_COVARIATES)
    assert np.isfinite(columns).all()
    for name, function in SHAPE_COVARIATES.items():
        raw, column = function(measured), columns[:, names.index(name)]
        known = np.isfinite(raw)
        # What is not known is the mean: 0.
        assert np.all(column[~known] == 0.0)
        assert column[known].mean() == pytest.approx(0.0, abs=1e-12)
        assert column[known].std() == pytest.approx(1.0)
        assert np.corrcoef(column[known], raw[known])[0, 1] == pytest.approx(1.0)


def test_a_shape_of_which_nothing_is_known_changes_nothing() -> None:
    unknown = np.full(COUNT, np.nan)
    blind = replace(
        shape(np.random.default_rng(1)), width_m=unknown, confinement=unknown, radius_over_width=unknown,
        slope_break=unknown, expansion=unknown, area_ratio=np.zeros(COUNT), slope=unknown,
    )  # fmt: skip
    assert np.all(regressors(GROUND, blind)[1][:, 3:] == 0.0)


def test_few_samples_leave_covariates_at_their_mean_and_many_find_them() -> None:
    rng = np.random.default_rng(4)
    measured = shape(rng)
    names, columns = regressors(GROUND, measured)
    effect = 0.6 * columns[:, names.index("slope break")]
    z = -2.5 + effect + rng.normal(0, 0.1, COUNT)
    found = {}
    for count in (4, 120):
        node = np.sort(rng.choice(COUNT, count, replace=False))
        model = weigh(GROUND, samples(node.tolist(), expit(z[node]).tolist()), shape=measured, settings=SURE)
        found[count] = partial_effects(model)
    assert set(found[4]) == {*COVARIATES, *SHAPE_COVARIATES}
    # Four samples: every interval holds "no effect", and none says more than half as much again.
    for one in found[4].values():
        assert one.p10 < 1.0 < one.p90
        assert abs(np.log(one.p50)) < np.log(1.5)
    many = found[120]["slope break"]
    assert many.p50 == pytest.approx(np.exp(0.6), rel=0.1)
    assert many.p10 > 1.5
    assert found[120]["confluence"].p10 < 1.0 < found[120]["confluence"].p90


def test_known_sources_are_the_mean_where_the_residual_is_zero() -> None:
    source = np.where(np.arange(COUNT) < 40, 0.2, 0.02)
    tree = tree_of_nodes(GROUND.nodes)
    model = weigh(GROUND, samples([], []), source_grade=source)
    assert model.names[-1] == SOURCES
    assert expit(model.regressors @ model.prior_mean) == pytest.approx(diluted_grade(tree, source), rel=1e-9)
    # Without sources the mean is one number.
    plain = weigh(GROUND, samples([], []))
    assert np.ptp(plain.regressors @ plain.prior_mean) == pytest.approx(0.0, abs=1e-12)


def test_dilution_conserves_what_sources_give() -> None:
    rng = np.random.default_rng(2)
    tree = tree_of_nodes(GROUND.nodes)
    source = rng.uniform(0, 0.3, COUNT)
    own = tree.weight.copy()
    linked = tree.downstream >= 0
    np.subtract.at(own, tree.downstream[linked], tree.weight[linked])
    outlets = ~linked
    assert np.sum(diluted_grade(tree, source)[outlets] * tree.weight[outlets]) == pytest.approx(own @ source)
    with pytest.raises(
        InputError, match=r"^Invalid grade of a source\. It must be a number between 0 and 1\.$"
    ):
        diluted_grade(tree, source - 1)
    sentence = f"Invalid sources of shape (2,). There must be one per node, {COUNT}."
    with pytest.raises(InputError, match="^" + re.escape(sentence) + "$"):
        diluted_grade(tree, np.zeros(2))


def test_planar_columns_show_most_of_an_exponential_field() -> None:
    rng = np.random.default_rng(5)
    east, north = rng.uniform(0, 2000, 300), rng.uniform(0, 1500, 300)
    plane = planar_columns(easting_m=east, northing_m=north)
    apart = np.hypot(east[:, None] - east, north[:, None] - north)
    off = []
    for share in (0.25, 1.0):
        variance = plane.variances_at(np.log(share))
        shown = (plane.columns * variance) @ plane.columns.T
        assert np.diag(shown).mean() == pytest.approx(1.0, abs=0.15)
        wanted = np.exp(-apart / (share * plane.diameter_m))
        off.append(np.sqrt(np.mean((shown - wanted) ** 2)))
    assert off[0] < 0.12
    # Farther from the range that shaped the columns they show it less well.
    assert off[1] < 0.17
    # The wrong twin: the variances of a short range do not show a long one.
    short = (plane.columns * plane.variances_at(np.log(0.03))) @ plane.columns.T
    assert np.sqrt(np.mean((short - np.exp(-apart / plane.diameter_m)) ** 2)) > 0.2


def test_moving_the_origin_changes_nothing() -> None:
    nodes = replace(
        GROUND.nodes, easting_m=GROUND.nodes.easting_m + 4.0e5, northing_m=GROUND.nodes.northing_m + 4.0e6
    )
    moved = replace(GROUND, nodes=nodes)
    here = samples(*MANY)
    there = replace(here, easting_m=here.easting_m + 4.0e5, northing_m=here.northing_m + 4.0e6)
    one = estimate_grade(GROUND, here, rng=np.random.default_rng(1), cutoff_grade=0.05, draws=50)
    two = estimate_grade(moved, there, rng=np.random.default_rng(1), cutoff_grade=0.05, draws=50)
    assert two.node_mean == pytest.approx(one.node_mean, rel=1e-5)
    assert two.node_p90 == pytest.approx(one.node_p90, rel=1e-5)


def test_the_order_of_samples_changes_nothing() -> None:
    here = samples(*MANY)
    order = np.random.default_rng(3).permutation(len(here))
    mixed = replace(here, **{name: getattr(here, name)[order] for name in here.__dataclass_fields__})
    one = estimate_grade(GROUND, here, rng=np.random.default_rng(1), cutoff_grade=0.05, draws=50)
    two = estimate_grade(GROUND, mixed, rng=np.random.default_rng(1), cutoff_grade=0.05, draws=50)
    assert two.node_mean == pytest.approx(one.node_mean, rel=1e-12)


def test_rock_shared_by_two_outlets_is_seen_only_across_the_land() -> None:
    # Two trees side by side: the west of both is rich, and only the first is sampled.
    pair = channels()
    easting_m = np.where(pair.nodes.easting_m > 5000, pair.nodes.easting_m - 9990.0, pair.nodes.easting_m)
    northing_m = np.where(pair.nodes.easting_m > 5000, pair.nodes.northing_m + 8.0, pair.nodes.northing_m)
    side = replace(pair, nodes=replace(pair.nodes, easting_m=easting_m, northing_m=northing_m))
    node = np.arange(0, 140, 4)
    grade = expit(-3.0 - 0.01 * side.nodes.easting_m[node])
    taken = replace(
        samples(node.tolist(), grade.tolist()), easting_m=easting_m[node], northing_m=northing_m[node],
        accuracy_m=np.zeros(len(node)),
    )  # fmt: skip
    gap = {}
    for planar in (False, True):
        found = estimate_grade(
            side, taken, rng=np.random.default_rng(1), cutoff_grade=0.05, draws=50, planar=planar
        )
        west = 140 + np.flatnonzero(easting_m[140:] < -100)
        east = 140 + np.flatnonzero(easting_m[140:] > 100)
        gap[planar] = logit(found.node_p50[west]).mean() - logit(found.node_p50[east]).mean()
    assert gap[True] > 0.8
    assert gap[False] < 0.5 * gap[True]


def test_reasons_add_up_to_the_estimate() -> None:
    model = weigh(GROUND, samples(*MANY))
    told = reasons(GROUND, model, few=len(MANY[0]), parts=1)
    expected = mean_logit(model, 0)
    middle = middle_nodes(GROUND)
    off = model.averaged.columns[0][:, 0]
    summed = model.expected(0)[middle] + np.sum(told.weight * off[told.place], axis=1)
    # What mixing does is told beside the covariates: it lifts the middle where much ground mixes.
    process, area_m2 = model.averaged.process(0), GROUND.nodes.upstream_area_m2[middle]
    usual_m2 = np.exp(np.log(GROUND.nodes.upstream_area_m2).mean())
    lifted = 0.5 * process.up_variance * (1.0 - (area_m2 / usual_m2) ** -process.mixing_share)
    assert told.names[-1] == "sand mixed from above"
    assert told.trend[:, -1] == pytest.approx(lifted, abs=1e-12)
    assert lifted.min() < 0.0 < lifted.max()
    assert summed == pytest.approx(expected[middle], abs=1e-9)
    assert told.rest == pytest.approx(np.zeros(len(middle)), abs=1e-9)
    # The sample on the reach weighs most there, and names itself.
    assert told.sample_ids[told.place[0, 0]] == ("s00",)
    assert told.nearest_m[0] < 10 * CELL_M
    assert np.isinf(told.nearest_m[14:]).all()
    assert told.sentences(0)[0].startswith("Samples that weigh most: s00 (")
    assert told.sentences(20)[-1] == "No sample lies on its network."


def test_fewer_names_are_the_heaviest_ones() -> None:
    model = weigh(GROUND, samples(*MANY))
    whole, few = reasons(GROUND, model, few=8), reasons(GROUND, model, few=2)
    assert few.place.tolist() == whole.place[:, :2].tolist()
    assert few.rest == pytest.approx(whole.weight[:, 2:].sum(axis=1), abs=1e-12)


def test_without_samples_there_is_no_reason() -> None:
    told = reasons(GROUND, weigh(GROUND, samples([], [])))
    assert told.place.shape == (len(GROUND.reaches), 0)
    assert told.sentences(0)[0] == "No sample weighs much here: this is what one would think beforehand."


def test_what_is_expected_before_any_sample_equals_plain_draws() -> None:
    priors, rng = Priors(), np.random.default_rng(8)
    points = priors.points(rng.random((200_000, 9)))
    total, planar, up = np.exp(2 * points[:, 0]), expit(points[:, 7]), expit(points[:, 1])
    place = 0.5 * np.exp(2 * points[:, 4])
    covariates = 2 * (0.1 * np.exp(points[:, 6])) ** 2
    z = logit(0.05) + np.sqrt(1.0 + covariates + total + place) * rng.normal(size=len(points))
    found = grade_before(priors)
    assert found.mean == pytest.approx(expit(z).mean(), rel=0.02)
    assert [found.p10, found.p50, found.p90] == pytest.approx(
        np.quantile(expit(z), (0.1, 0.5, 0.9)), rel=0.03
    )
    tree = total * (1 - planar)
    variance = place + tree * up * -np.expm1(-100 / np.exp(points[:, 2]))
    variance += tree * (1 - up) * -np.expm1(-100 / np.exp(points[:, 3]))
    variance += total * planar * -np.expm1(-100 / (3000 * np.exp(points[:, 8])))
    ratio = np.exp(np.abs(np.sqrt(2 * variance) * rng.normal(size=len(points))))
    near = ratio_before(priors, apart_m=100.0)
    assert [near.p10, near.p50, near.p90] == pytest.approx(np.quantile(ratio, (0.1, 0.5, 0.9)), rel=0.03)
    # Judgement that the priors must keep: places 100 m apart seldom differ fivefold, at 1 km some do.
    assert near.p90 < 5.0 < ratio_before(priors, apart_m=1000.0).p90 * 2


def test_ranges_grow_with_the_root_of_the_ground() -> None:
    assert Priors().on_ground(3000.0) == Priors()
    large = Priors().on_ground(12000.0)
    assert (large.up_range_m, large.down_range_m) == pytest.approx((500.0, 2000.0))
