"""Leaving readings out: equal to dense algebra, near to a fit without them, and honest about coverage."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.special import expit, ndtr
from scipy.stats import norm

from washgrade.land.channels import Channels, delineate
from washgrade.land.dem import Dem
from washgrade.land.flow import flow_directions, upstream_cells
from washgrade.sand.covariance import distances, tail_down_exponential, tail_up_exponential
from washgrade.sand.diagnosis import Diagnosis, LeftOut, diagnose, judge
from washgrade.sand.layers import Samples
from washgrade.sand.tails import along_doubt
from washgrade.sand.weighed import Weighed, weigh


@pytest.fixture(scope="module")
def channels() -> Channels:
    """Two washes that meet."""
    row, col = np.mgrid[0:33, 0:101]
    heights = 300 - 0.1 * col + 1.0 * np.minimum(abs(row - 12), abs(row - 20))
    heights[:, 70:] = 285 - 0.1 * col[:, 70:] + 0.5 * abs(row[:, 70:] - 16)
    dem = Dem(elevation_m=heights.astype(np.float32), cell_m=5, west_m=0, north_m=165, crs="EPSG:25830")
    ways = flow_directions(dem.elevation_m)
    return delineate(dem, dem.elevation_m, ways, upstream_cells(ways), channel_area_m2=1500)


def taken(
    channels: Channels, node: np.ndarray, logit: np.ndarray, *, trace: np.ndarray | None = None
) -> Samples:
    count = len(node)
    faint = np.zeros(count, bool) if trace is None else trace
    return Samples(
        sample_id=np.array([f"s{k:02d}" for k in range(count)]),
        easting_m=channels.nodes.easting_m[node],
        northing_m=channels.nodes.northing_m[node],
        accuracy_m=np.full(count, 6.0),
        depth_top_m=np.full(count, np.nan),
        depth_bottom_m=np.full(count, np.nan),
        dry_mass_kg=np.full(count, 0.5),
        grade=np.where(faint, np.nan, expit(logit)),
        trace=faint,
        day=np.full(count, np.datetime64("2025-03-04")),
        place=np.full(count, ""),
    )


NODE = np.array([3, 14, 14, 30, 47, 60, 60, 75, 90])
LOGIT = np.array([-2.0, -2.4, -2.1, -3.0, -2.8, -2.0, -1.7, -2.5, -2.2])


def one_part(weighed: Weighed, part: int) -> Weighed:
    """The model under one representative alone: nothing is mixed, so dense algebra must give the same."""
    averaged, some = weighed.averaged, slice(part, part + 1)
    names = ("points", "columns", "error_variance", "shared_variance", "step", "covariance")
    return replace(
        weighed, averaged=replace(averaged, **{name: getattr(averaged, name)[some] for name in names})
    )


@pytest.mark.parametrize("part", [0, 20, 47])
def test_each_reading_left_out_as_dense_algebra_does(channels: Channels, part: int) -> None:
    weighed = one_part(weigh(channels, taken(channels, NODE, LOGIT), planar=False), part)
    found = judge(weighed)
    seen, averaged = weighed.observations, weighed.averaged
    process, apart = averaged.process(0), distances(weighed.tree)
    field = tail_up_exponential(
        apart, variance=process.up_variance, range_m=process.up_range_m, mixing_share=process.mixing_share
    ) + tail_down_exponential(apart, variance=process.down_variance, range_m=process.down_range_m)
    at = weighed.regressors[seen.node]
    # How much covariates matter is averaged over: the representative's own scale, the intercept apart.
    prior_sd = weighed.prior.sd * np.where(
        np.arange(len(weighed.prior.sd)) > 0, np.exp(averaged.points[0, 6]), 1.0
    )
    shared = float(averaged.shared_variance[0])
    scoop = np.exp(2 * averaged.points[0, 4]) - shared
    here = np.exp(-process.mixing_share * weighed.tree.log_weight[seen.node])
    along = np.array([along_doubt(process.numbers, one, weighed.read.along_sd_m[0]) for one in here])
    same = seen.node[:, None] == seen.node[None, :]
    cover = (
        field[np.ix_(seen.node, seen.node)]
        + at @ np.diag(prior_sd**2) @ at.T
        + (shared + along[:, None]) * same
        + np.diag(seen.error_variance + scoop)
    )
    off = seen.value - at @ weighed.prior.mean - 0.5 * process.up_variance * (1 - here)
    for k in range(len(seen)):
        for left_out, keep in (
            (found.alone, np.arange(len(seen)) != k),
            (found.with_place, seen.node != seen.node[k]),
        ):
            gain = np.linalg.solve(cover[np.ix_(keep, keep)], cover[keep, k])
            mean = seen.value[k] - off[k] + gain @ off[keep]
            variance = cover[k, k] - gain @ cover[keep, k]
            assert left_out.mean[k] == pytest.approx(mean, rel=1e-6, abs=1e-6)
            assert left_out.sd[k] ** 2 == pytest.approx(variance, rel=1e-6)
            assert left_out.pit[k] == pytest.approx(
                ndtr((seen.value[k] - mean) / np.sqrt(variance)), abs=1e-6
            )
            assert left_out.log_density[k] == pytest.approx(
                norm.logpdf(seen.value[k], mean, np.sqrt(variance)), abs=1e-6
            )
    # A duplicate makes its twin surer, a place without one knows no difference.
    twins = np.array([1, 2, 5, 6])
    assert np.all(found.alone.sd[twins] < found.with_place.sd[twins])
    alone = np.setdiff1d(np.arange(len(seen)), twins)
    assert found.alone.mean[alone].tolist() == found.with_place.mean[alone].tolist()


def test_near_to_weighing_without_the_reading(channels: Channels) -> None:
    """The weights without a reading come from those with it; weighing anew gives nearly the same."""
    rng = np.random.default_rng(5)
    node = np.sort(rng.choice(len(channels.nodes), 14, replace=False))
    samples = taken(channels, node, -2.5 + 0.3 * rng.standard_normal(14))
    whole = weigh(channels, samples, planar=False)
    found = judge(whole)
    plain = judge_without_reweighing(whole)
    better = []
    for k in range(14):
        keep = np.arange(14) != k
        fewer = Samples(**{name: getattr(samples, name)[keep] for name in samples.__dataclass_fields__})
        anew = weigh(channels, fewer, planar=False)
        mean, sd = predicted(anew, whole, k)
        assert found.with_place.mean[k] == pytest.approx(mean, abs=0.1 * sd)
        assert found.with_place.sd[k] == pytest.approx(sd, rel=0.12)
        better.append(abs(found.with_place.sd[k] - sd) - abs(plain[k] - sd))
    assert np.mean(better) < 0


def predicted(anew: Weighed, whole: Weighed, k: int) -> tuple[float, float]:
    """Mean and sd of reading k of the whole under the model weighed without it, by its smoothing passes."""
    node = int(whole.observations.node[k])
    means, variances = [], []
    for there in anew.smoothed():
        part = there.part
        averaged = anew.averaged
        x = anew.regressors[node] - there.up[node, 1:] - there.down[node, 1:]
        means.append(
            anew.expected(part)[node]
            + there.up[node, 0] + there.down[node, 0] + x @ averaged.step[part]
        )  # fmt: skip
        variances.append(
            there.variance[node] @ [1.0, 2.0, 1.0]
            + x @ averaged.covariance[part] @ x
            + np.exp(2 * averaged.points[part, 4])
            + along_doubt(
                there.process,
                np.exp(-there.process[4] * anew.tree.log_weight[node]),
                whole.read.along_sd_m[0],
            )
            + whole.observations.error_variance[k]
        )
    return float(np.mean(means)), float(np.sqrt(np.mean(variances) + np.var(means)))


def judge_without_reweighing(weighed: Weighed) -> np.ndarray:
    """The wrong twin: every representative counts alike, the reading's own say included."""
    parts = [judge(one_part(weighed, part)).with_place for part in range(len(weighed.averaged.points))]
    means = np.array([part.mean for part in parts])
    return np.sqrt(np.mean([part.sd**2 for part in parts], axis=0) + means.var(axis=0))


def test_a_trace_is_held_against_its_limit(channels: Channels) -> None:
    trace = np.zeros(len(NODE), bool)
    trace[4] = True
    rich = diagnose(channels, taken(channels, NODE, LOGIT + 1.0, trace=trace))
    poor = diagnose(channels, taken(channels, NODE, LOGIT - 3.0, trace=trace))
    k = int(np.flatnonzero(rich.trace)[0])
    assert rich.with_place.score[k] < -2.0
    assert rich.with_place.score[k] + 1.0 < poor.with_place.score[k] <= 0.0
    assert rich.with_place.pit[k] == pytest.approx(ndtr(rich.with_place.score[k]))
    assert rich.with_place.log_density[k] < np.log(0.05)


def test_coverage_on_grounds_drawn_from_the_model(channels: Channels) -> None:
    """Readings drawn from a field of known ranges: left out, nine in ten intervals hold about nine in ten."""
    rng = np.random.default_rng(9)
    apart = None
    inside, scores = [], []
    for mixing in [0.0, 0.5] * 6:
        node = np.sort(rng.choice(len(channels.nodes), 25, replace=False))
        if apart is None:
            apart = distances(weigh(channels, taken(channels, NODE, LOGIT), planar=False).tree)
        field = tail_up_exponential(
            apart, variance=0.3, range_m=200.0, mixing_share=mixing
        ) + tail_down_exponential(apart, variance=0.3, range_m=600.0)
        cover = field[np.ix_(node, node)] + 0.06 * np.eye(25)
        logit = -2.5 + np.linalg.cholesky(cover) @ rng.standard_normal(25)
        found = diagnose(channels, taken(channels, node, logit))
        inside.append([found.coverage(share) for share in (0.5, 0.8, 0.9)])
        scores.append(found.with_place.score)
    assert np.mean(inside, axis=0) == pytest.approx([0.5, 0.8, 0.9], abs=0.07)
    assert np.std(np.concatenate(scores)) == pytest.approx(1.0, abs=0.15)


def made(pit: np.ndarray, *, trace: np.ndarray | None = None) -> Diagnosis:
    count = len(pit)
    out = LeftOut(
        mean=np.zeros(count), sd=np.ones(count), pit=pit, score=norm.ppf(pit), log_density=np.zeros(count)
    )
    faint = np.zeros(count, bool) if trace is None else trace
    return Diagnosis(
        sample_ids=tuple((f"s{k}",) for k in range(count)),
        node=np.arange(count, dtype=np.int32),
        value=np.where(faint, np.nan, norm.ppf(pit)),
        limit=np.full(count, -6.0),
        trace=faint,
        alone=out,
        with_place=out,
    )


def test_the_sentence_says_whether_intervals_are_honest() -> None:
    even = made((np.arange(20) + 0.5) / 20)
    assert even.coverage(0.9) == pytest.approx(0.9)
    assert even.sentence == (
        "Predicted from the others, 18 of 20 readings lie in the interval that should hold 90 %; 15 to 20 "
        "would be usual."
    )
    narrow = made(np.where(np.arange(20) % 2, 0.99, 0.5))
    assert narrow.sentence.endswith("The intervals are too narrow here: look at the readings that stand out.")
    wide = made(np.full(60, 0.5))
    assert wide.sentence.endswith("The intervals are wider than they need to be.")
    assert made(np.full(2, 0.5)).sentence.startswith("Fewer than three weighed readings")
    # Traces are not counted: whether they lie inside is not known.
    assert np.isnan(made(np.full(2, 0.5), trace=np.ones(2, bool)).coverage(0.9))


def test_the_chart_shows_what_lies_outside() -> None:
    drawn = made(np.array([0.5, 0.999, 0.4]), trace=np.array([False, False, True])).chart(40).splitlines()[1:]
    assert len(drawn) == 4
    assert "X" in drawn[1]
    assert drawn[1].endswith("+3.1 s1")
    assert "o" in drawn[3]
    assert sum("<" in line for line in drawn) == 1


def test_a_long_chart_keeps_what_is_farthest_off() -> None:
    pit = np.concatenate([np.full(60, 0.5), [0.999]])
    drawn = made(pit, trace=np.zeros(61, bool)).chart(40, most=10).splitlines()
    assert len(drawn) == 2 + 10 + 1
    assert "X" in drawn[2]
    assert drawn[-1] == "51 more, all nearer to what was expected."


def test_no_readings_at_all(channels: Channels) -> None:
    found = diagnose(channels, Samples.none())
    assert len(found.value) == 0
    assert found.chart() == "No readings."
