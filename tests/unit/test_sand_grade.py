"""The estimate as a whole: what it says with no, one and many samples, and its parts against plain twins."""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pytest

from washgrade.errors import GroundError, InputError, WashgradeWarning
from washgrade.land.channels import Channels, Nodes, Reaches
from washgrade.sand import hyper, mixture, solver
from washgrade.sand.covariance import distances, tail_down_exponential, tail_up_exponential
from washgrade.sand.covariates import COVARIATES, regressors
from washgrade.sand.grade import GradeEstimate, estimate_grade
from washgrade.sand.inference import Process, deviations
from washgrade.sand.sample import Samples, SamplingSettings, observations
from washgrade.sand.tree import Tree, tree_of_nodes

CELL_M = 5.0


def channels(*, arms: int = 40, trunk: int = 60, trees: int = 2) -> Channels:
    """Y-shaped trees far apart; reaches of ten nodes, cut at the confluence."""
    downstream, reach, easting, northing, height, area = [], [], [], [], [], []
    for tree in range(trees):
        base = len(downstream)
        for arm in range(2):
            for i in range(arms):
                here = base + arm * arms + i
                downstream.append(base + 2 * arms if i == arms - 1 else here + 1)
                easting.append(10000.0 * tree + (1 - 2 * arm) * CELL_M * (arms - i))
                northing.append(CELL_M * (trunk + arms - i))
                height.append(50 + 0.2 * (trunk + arms - i))
                area.append(25.0 * (40 + (2 - arm) * 20 * (i + 1)))
        below = 25.0 * (2 * 40 + 60 * arms)
        for i in range(trunk):
            downstream.append(-1 if i == trunk - 1 else base + 2 * arms + i + 1)
            easting.append(10000.0 * tree)
            northing.append(CELL_M * (trunk - i))
            height.append(50 + 0.1 * (trunk - i))
            area.append(below + 25.0 * 30 * (i + 1))
    count = len(downstream)
    per_tree = count // trees
    for i in range(count):
        reach.append(i // 10)  # arms and trunk are multiples of ten
    down = np.array(downstream, np.int32)
    first = np.arange(0, count, 10, dtype=np.int32)
    last = first + 9
    below_reach = np.where(down[last] >= 0, np.maximum(down[last], 0) // 10, -1).astype(np.int32)
    length = np.where(down >= 0, CELL_M, 0.0)
    elevation = np.array(height)
    drop = elevation[first] - elevation[last]
    reach_m = np.bincount(reach, weights=length)
    assert per_tree % 10 == 0
    return Channels(
        nodes=Nodes(
            cell=np.arange(count),
            downstream=down,
            length_m=length,
            easting_m=np.array(easting),
            northing_m=np.array(northing),
            elevation_m=elevation,
            upstream_area_m2=np.array(area),
            distance_to_outlet_m=np.zeros(count),
            order=np.ones(count, np.int32),
            reach=np.array(reach, np.int32),
        ),
        reaches=Reaches(
            reach_id=np.array([f"A{k}" for k in range(len(first))]),
            first_node=first,
            last_node=last,
            downstream=below_reach,
            length_m=reach_m,
            drop_m=drop,
            slope=drop / reach_m,
            upstream_area_m2=np.array(area)[last],
            order=np.ones(len(first), np.int32),
        ),
        channel_area_m2=1000.0,
    )


GROUND = channels()


def samples(node: list[int], grade: list[float], *, trace: list[bool] | None = None) -> Samples:
    count = len(node)
    unknown = np.full(count, np.nan)
    faint = np.zeros(count, bool) if trace is None else np.array(trace)
    return Samples(
        sample_id=np.array([f"s{k:02d}" for k in range(count)]),
        easting_m=GROUND.nodes.easting_m[node],
        northing_m=GROUND.nodes.northing_m[node],
        accuracy_m=unknown,
        depth_top_m=unknown,
        depth_bottom_m=unknown,
        dry_mass_kg=np.full(count, 0.5),
        grade=np.where(faint, np.nan, np.array(grade)),
        trace=faint,
        day=np.full(count, np.datetime64("2025-10-04")),
        place=np.full(count, ""),
    )


def estimate(node: list[int], grade: list[float], **more: object) -> GradeEstimate:
    trace = more.pop("trace", None)
    more = {"cutoff_grade": 0.05, **more}
    return estimate_grade(GROUND, samples(node, grade, trace=trace), rng=np.random.default_rng(1), **more)


MANY = ([3, 25, 44, 70, 85, 100, 120, 135], [0.20, 0.15, 0.02, 0.03, 0.09, 0.08, 0.06, 0.07])


@pytest.fixture(scope="module")
def many() -> GradeEstimate:
    return estimate(*MANY, draws=2000)


def test_without_samples_all_is_prior() -> None:
    found = estimate_grade(GROUND, Samples.none(), rng=np.random.default_rng(1), cutoff_grade=0.05)
    assert set(found.reach_support.tolist()) == {"prior"}
    assert np.isinf(found.nearest_sample_m).all()
    # The middle of the prior lies at a grade of 5 % where covariates are average.
    assert np.median(found.node_p50) == pytest.approx(0.05, rel=0.3)
    assert np.all(found.node_p90 > 3 * found.node_p50)


def test_one_sample_moves_its_tree_and_a_little_the_other() -> None:
    none = estimate_grade(GROUND, Samples.none(), rng=np.random.default_rng(1), cutoff_grade=0.05)
    one = estimate([100], [0.25])
    assert one.reach_support[10] == "sampled"
    assert one.reach_support[9] == "near"
    assert set(one.reach_support[14:]) == {"prior"}
    here = one.node_p50[100] - none.node_p50[100]
    other = one.node_p50[240] - none.node_p50[240]
    assert here > other > 0
    assert 0.1 < one.node_p50[100] < 0.25


def test_quantiles_are_ordered_and_chances_are_chances(many: GradeEstimate) -> None:
    for low, middle, high in (
        (many.node_p10, many.node_p50, many.node_p90),
        (many.reach_p10, many.reach_p50, many.reach_p90),
    ):
        assert np.all((low > 0) & (low < middle) & (middle < high) & (high < 1))
    for chance in (many.node_chance_above_cutoff, many.reach_chance_above_cutoff):
        assert np.all((chance >= 0) & (chance <= 1))
    assert many.reach_draws.shape == (2000, len(GROUND.reaches))
    assert many.reach_draws.dtype == np.float32


def test_draws_and_exact_means_agree(many: GradeEstimate) -> None:
    error = many.reach_draws.std(axis=0) / np.sqrt(2000)
    assert np.all(np.abs(many.reach_draws.mean(axis=0) - many.reach_mean) < 5 * error)


def test_support_and_distances(many: GradeEstimate) -> None:
    assert many.node_support[3] == 3
    assert many.node_support[4] == 2
    assert set(many.node_support[140:].tolist()) == {0}
    assert many.nearest_sample_m[0] == 0.0
    # From node 19, the last of the second reach, to the sample on node 25.
    assert many.nearest_sample_m[1] == pytest.approx(6 * CELL_M)


def test_a_rich_arm_is_rich_and_the_confluence_lies_between(many: GradeEstimate) -> None:
    assert many.reach_mean[0] > many.reach_mean[8] > many.reach_mean[5]


def test_same_random_state_same_numbers() -> None:
    one, two = estimate(*MANY), estimate(*MANY)
    assert np.array_equal(one.reach_draws, two.reach_draws)
    assert np.array_equal(one.node_p90, two.node_p90)


def test_a_trace_lowers_the_grade_dropping_it_does_not() -> None:
    dropped = estimate([3, 25, 100], [0.10, 0.12, 0.08])
    kept = estimate([3, 25, 100, 70], [0.10, 0.12, 0.08, 0.0], trace=[False, False, False, True])
    assert kept.node_p50[70] < 0.5 * dropped.node_p50[70]
    assert kept.node_p50[70] < 0.02
    assert kept.node_mean[60] < dropped.node_mean[60]


def test_a_far_sample_changes_nothing_but_is_told() -> None:
    near = samples(*MANY)
    far = samples([*MANY[0], 5], [*MANY[1], 0.9])
    shifted = far.northing_m.copy()
    shifted[-1] += 5000.0
    parts = {name: getattr(far, name) for name in far.__dataclass_fields__}
    one = estimate_grade(GROUND, near, rng=np.random.default_rng(1), cutoff_grade=0.05)
    two = estimate_grade(
        GROUND, Samples(**{**parts, "northing_m": shifted}), rng=np.random.default_rng(1), cutoff_grade=0.05
    )
    assert np.array_equal(one.node_mean, two.node_mean)
    assert [name for name, _ in two.observations.unplaced] == ["s08"]


def test_progress_rises_to_one() -> None:
    heard: list[float] = []
    estimate([3], [0.1], progress=heard.append)
    assert heard == sorted(heard)
    assert heard[-1] == 1.0


def test_what_cannot_be_is_refused() -> None:
    with pytest.raises(
        InputError,
        match="^"
        + re.escape("Invalid 'cutoff_grade' of 5. It must be a finite number above 0 and below 1.")
        + "$",
    ):
        estimate([3], [0.1], cutoff_grade=5)
    with pytest.raises(
        InputError, match=r"^Invalid 'draws' of 0\. It must be a whole number of at least 1\.$"
    ):
        estimate([3], [0.1], draws=0)


def test_weights_that_grow_from_nothing_are_refused() -> None:
    sentence = (
        "Invalid weights at node 2: branches bring 5, 4 flows on. "
        "The branches must bring no more than what flows on."
    )
    with pytest.raises(GroundError, match="^" + re.escape(sentence) + "$"):
        Tree(downstream=np.array([2, 2, -1], np.int32), length_m=np.ones(3), weight=np.array([3.0, 2.0, 4.0]))
    with pytest.raises(
        GroundError, match=r"^Invalid order of nodes\. Every node must come before the next one downstream\.$"
    ):
        Tree(downstream=np.array([-1, 0], np.int32), length_m=np.ones(2), weight=np.ones(2))


def test_covariates_are_standard(many: GradeEstimate) -> None:
    names, columns = regressors(GROUND)
    assert names == ("intercept", *COVARIATES)
    assert columns[:, 1:].mean(axis=0) == pytest.approx(0, abs=1e-12)
    assert columns[:, 1:].std(axis=0) == pytest.approx(1)
    assert set(many.hyper.coefficients) == set(names)


def test_every_node_equals_dense_algebra_place_effect_and_all() -> None:
    # One representative: mean and variance at all nodes against the full covariance matrix.
    priors = hyper.Priors()
    tree = tree_of_nodes(GROUND.nodes)
    names, columns = regressors(GROUND)
    seen = observations(samples([*MANY[0], 100], [*MANY[1], 0.12]), SamplingSettings(), GROUND.nodes)
    read = hyper.readings(tree, seen, columns)
    averaged = hyper.average(read, priors)
    process, shared = averaged.process(7), averaged.shared_variance[7]
    means, variances = moments(tree, read, averaged, 7, columns, priors)

    apart = distances(tree)
    field = tail_up_exponential(
        apart, variance=process.up_variance, range_m=process.up_range_m, mixing_share=process.mixing_share
    ) + tail_down_exponential(apart, variance=process.down_variance, range_m=process.down_range_m)
    prior = priors.coefficients(len(names))
    # How much covariates matter at all is one of the numbers averaged over.
    prior.sd[1:] *= np.exp(averaged.points[7, 6])
    whole = field + shared * np.eye(len(tree)) + columns @ np.diag(prior.sd**2) @ columns.T
    at = read.node
    cover = whole[np.ix_(at, at)] + np.diag(averaged.error_variance[7] - shared)
    off = averaged.columns[7][:, 0]
    gain = whole[:, at] @ np.linalg.inv(cover)
    # Lognormal grades of one mean: the middle moves by half of what the variance falls by.
    middle = columns @ prior.mean + 0.5 * (process.up_variance - np.diag(field) + process.down_variance)
    assert means == pytest.approx(middle + gain @ off, abs=1e-8)
    assert variances == pytest.approx(np.diag(whole) - np.einsum("ij,ij->i", gain, whole[:, at]), abs=1e-8)


def moments(
    tree: Tree,
    read: hyper.Readings,
    averaged: hyper.Averaged,
    part: int,
    columns: np.ndarray,
    priors: hyper.Priors,
) -> tuple[np.ndarray, np.ndarray]:
    up, down, variance, place = smooth(tree, read, averaged, part, columns)
    means, variances = np.empty(len(tree)), np.empty(len(tree))
    process = averaged.process(part)
    mixture.latent_moments(
        up,
        down,
        variance,
        columns,
        columns @ priors.coefficients(columns.shape[1]).mean
        + solver.middle_of_mixture(process.up_variance, np.exp(-process.mixing_share * tree.log_weight)),
        averaged.step[part],
        averaged.covariance[part],
        place,
        read.loading,
        averaged.columns[part],
        averaged.error_variance[part],
        averaged.shared_variance[part],
        means,
        variances,
    )
    return means, variances


def smooth(
    tree: Tree, read: hyper.Readings, averaged: hyper.Averaged, part: int, columns: np.ndarray
) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    count, cols = len(tree), 1 + columns.shape[1]
    place = np.full(count, -1, np.int32)
    place[read.node] = np.arange(len(read.node))
    b, eta, up, down = (np.empty((count, cols)) for _ in range(4))
    c, v, lam = (np.empty(count) for _ in range(3))
    variance = np.empty((count, 3))
    problem = (
        tree.downstream,
        tree.length_m,
        tree.log_weight,
        place,
        read.older,
        read.loading,
        averaged.columns[part],
        averaged.error_variance[part],
        averaged.process(part).numbers,
        b,
        c,
        v,
        lam,
        eta,
    )
    solver.pass_up(*problem, np.empty((cols, cols)))
    solver.pass_down(*problem, up, down, variance)
    return up, down, variance, place


def test_reach_sums_equal_a_plain_loop() -> None:
    rng = np.random.default_rng(9)
    count, draws, size, reaches = 12, 3, 2, 4
    up, down = rng.normal(size=(count, 1 + size)), rng.normal(size=(count, 1 + size))
    off_up, off_down = rng.normal(size=(count, draws)), rng.normal(size=(count, draws))
    local, x = rng.normal(size=(count, draws)), rng.normal(size=(count, size))
    mean, beta = rng.normal(size=size), rng.normal(size=(size, draws))
    place = np.full(count, -1, np.int32)
    place[[2, 7]] = [0, 1]
    columns, error, shared = rng.normal(size=(2, 1 + size)), np.array([0.5, 0.9]), 0.3
    # The second place was read before a flood.
    loading = np.array([1.0, 0.6])
    reach = rng.integers(0, reaches, count).astype(np.int32)
    total = np.zeros((reaches, draws), np.float32)
    mixture.add_reach_grades(
        up,
        down,
        off_up,
        off_down,
        local,
        x,
        x @ mean,
        beta,
        place,
        loading,
        columns,
        error,
        shared,
        reach,
        total,
    )
    plain = np.zeros((reaches, draws))
    for i in range(count):
        for d in range(draws):
            z = (
                up[i, 0]
                + down[i, 0]
                + (x[i] - up[i, 1:] - down[i, 1:]) @ beta[:, d]
                + off_up[i, d]
                + off_down[i, d]
            )
            if place[i] >= 0:
                kept = loading[place[i]]
                own = kept * shared / error[place[i]]
                moving = up[i, 0] - up[i, 1:] @ beta[:, d] + off_up[i, d]
                off = columns[place[i], 0] - (z - (1 - kept) * moving)
                z += own * off + np.sqrt(shared * (1 - own * kept)) * local[i, d]
            else:
                z += np.sqrt(shared) * local[i, d]
            plain[reach[i], d] += 1 / (1 + np.exp(-(z + x[i] @ mean)))
    assert total == pytest.approx(plain, rel=1e-5)


def reach_coverage(assumed: hyper.Priors, *, rounds: int) -> float:
    """Share of reaches whose true mean grade lies in the 90 % interval; truth from the default prior."""
    truth = hyper.Priors()
    rng = np.random.default_rng(12)
    tree = tree_of_nodes(GROUND.nodes)
    count = len(tree)
    columns = regressors(GROUND)[1]
    prior = truth.coefficients(columns.shape[1])
    held = []
    for _ in range(rounds):
        sd, odds, up_m, down_m, local, mixed = np.exp(truth.points(rng.random((1, 6)))[0])
        process = Process(
            up_variance=sd**2 * odds / (1 + odds),
            up_range_m=up_m,
            down_variance=sd**2 / (1 + odds),
            down_range_m=down_m,
            mixing_share=mixed / (1 + mixed),
        )
        nothing = {"node": np.empty(0, int), "error_variance": np.empty(0)}
        up, down = deviations(tree, process, noise=rng.standard_normal((count, 3, 1)), **nothing)
        place_sd = local * np.sqrt(1 - truth.scoop_share)
        share = np.exp(-process.mixing_share * tree.log_weight)
        z = columns @ rng.normal(prior.mean, prior.sd) + 0.5 * process.up_variance * (1 - share)
        z += (up + down)[:, 0] + rng.normal(0, place_sd, count)
        node = rng.choice(count, 10, replace=False).tolist()
        scooped = z[node] + rng.normal(0, local * np.sqrt(truth.scoop_share), len(node))
        grade = 1 / (1 + np.exp(-scooped))
        found = estimate_grade(
            GROUND,
            samples(node, grade.tolist()),
            rng=rng,
            cutoff_grade=0.05,
            priors=assumed,
            settings=SamplingSettings(typical_accuracy_m=0),
            draws=400,
        )
        low, high = np.quantile(found.reach_draws, (0.05, 0.95), axis=0)
        true = np.bincount(GROUND.nodes.reach, weights=1 / (1 + np.exp(-z))) / 10
        held.append(np.mean((low < true) & (true < high)))
    return float(np.mean(held))


def test_intervals_cover_what_they_say() -> None:
    # Truth drawn from the prior must be covered as stated; 60 grounds leave about 0.02 of chance.
    assert 0.85 < reach_coverage(hyper.Priors(), rounds=60) < 0.95
    # The wrong twin believes that grade hardly varies.
    assert reach_coverage(hyper.Priors(total_sd=0.1, total_sd_log_sd=0.1), rounds=20) < 0.8


def test_traces_that_did_not_settle_are_told(monkeypatch: pytest.MonkeyPatch) -> None:
    averaged = hyper.average
    monkeypatch.setattr(
        "washgrade.sand.weighed.average",
        lambda read, priors, **more: replace(averaged(read, priors, **more), unsettled_share=0.2),
    )
    sentence = (
        "The traces could not be weighed well: at 20 % of what the samples allow, their stand-ins did not "
        "settle. It should be 1 % at most. Take the grades near them as rough."
    )
    with pytest.warns(WashgradeWarning, match="^" + re.escape(sentence) + "$"):
        found = estimate([20, 21], [0.0, 0.0], trace=[True, True])
    assert found.hyper.unsettled_share == 0.2
