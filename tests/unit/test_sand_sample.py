"""From layers to readings: holes, duplicates, composites, traces, and what is left out."""

from __future__ import annotations

import re
from types import SimpleNamespace

import numpy as np
import pytest

from washgrade.errors import InputError, RecordError
from washgrade.land.channels import Nodes
from washgrade.sand.along import nearest_along_m, snap
from washgrade.sand.covariance import distances
from washgrade.sand.sample import Observations, Samples, SamplingSettings, observations
from washgrade.sand.tree import Tree

COUNT = 6
NODES = Nodes(
    cell=np.arange(COUNT),
    downstream=np.array([1, 2, 3, 4, 5, -1], np.int32),
    length_m=np.array([10.0] * 5 + [0.0]),
    easting_m=500000 + 10.0 * np.arange(COUNT),
    northing_m=np.full(COUNT, 4100000.0),
    elevation_m=np.linspace(10, 5, COUNT),
    upstream_area_m2=1000.0 + 100 * np.arange(COUNT),
    distance_to_outlet_m=50 - 10.0 * np.arange(COUNT),
    order=np.ones(COUNT, np.int32),
    reach=np.zeros(COUNT, np.int32),
)
NAN = np.nan


def layers(*rows: dict[str, object]) -> Samples:
    """One layer per dict of what differs from a plain sample at node 0."""
    plain = {
        "sample_id": "",
        "easting_m": 500000.0,
        "northing_m": 4100000.0,
        "accuracy_m": NAN,
        "depth_top_m": NAN,
        "depth_bottom_m": NAN,
        "dry_mass_kg": 0.5,
        "grade": 0.05,
        "trace": False,
        "day": "2025-10-04",
        "place": "",
        "moisture": NAN,
        "below": NAN,
    }
    filled = [{**plain, "sample_id": f"s{k}", **row} for k, row in enumerate(rows)]
    kinds = {"sample_id": str, "place": str, "trace": bool, "day": "datetime64[D]"}
    return Samples(
        **{name: np.array([row[name] for row in filled], dtype=kinds.get(name, float)) for name in plain}
    )


def read(*rows: dict[str, object], settings: SamplingSettings | None = None) -> Observations:
    return observations(layers(*rows), settings or SamplingSettings(), NODES)


def grade(found: Observations) -> np.ndarray:
    return 1 / (1 + np.exp(-found.value))


def test_a_plain_sample_stands_for_the_bite() -> None:
    found = read({"easting_m": 500021.0, "northing_m": 4100004.0, "grade": 0.08})
    assert found.node.tolist() == [2]
    assert grade(found) == pytest.approx([0.08])
    assert found.offset_m == pytest.approx([17**0.5])
    assert found.accuracy_m.tolist() == [5.0]
    assert found.covered.tolist() == [1.0]
    assert not found.censored[0]


def test_a_far_sample_is_kept_and_reported() -> None:
    found = read({"northing_m": 4100031.0}, {"northing_m": 4100029.0})
    assert found.unplaced == (("s0", 31.0),)
    assert found.sample_ids == (("s1",),)


def test_layers_of_one_hole_are_weighted_by_length_and_density() -> None:
    found = read(
        {"depth_top_m": 0.0, "depth_bottom_m": 0.02, "grade": 0.40},
        {"depth_top_m": 0.02, "depth_bottom_m": 0.30, "grade": 0.02},
    )
    rich, poor = 0.02 / (0.4 / 5180 + 0.6 / 2650), 0.08 / (0.02 / 5180 + 0.98 / 2650)
    assert grade(found) == pytest.approx([(0.40 * rich + 0.02 * poor) / (rich + poor)])
    # The wrong twin weighs by length alone.
    assert grade(found) != pytest.approx([0.2 * 0.40 + 0.8 * 0.02], rel=1e-2)
    assert found.sample_ids == (("s0", "s1"),)


def test_a_name_joins_layers_whose_fixes_differ() -> None:
    upper = {"depth_top_m": 0.0, "depth_bottom_m": 0.05, "place": "bend", "accuracy_m": 9.0}
    lower = {
        "depth_top_m": 0.05,
        "depth_bottom_m": 0.1,
        "place": "bend",
        "accuracy_m": 3.0,
        "easting_m": 500020.0,
    }
    found = read(upper, lower)
    assert len(found) == 1
    assert found.node.tolist() == [2]
    assert found.accuracy_m.tolist() == [3.0]
    assert len(read(upper, {**lower, "place": "island"})) == 2
    assert len(read(upper, {**lower, "day": "2025-10-05"})) == 2


def test_a_name_does_not_join_what_lies_far_apart() -> None:
    upper = {"depth_top_m": 0.0, "depth_bottom_m": 0.05, "place": "bend", "accuracy_m": 4.0, "grade": 0.02}
    lower = {"depth_top_m": 0.05, "depth_bottom_m": 0.1, "place": "bend", "accuracy_m": 5.0, "grade": 0.2}
    far = read(upper, {**lower, "easting_m": 500031.0})
    assert far.node.tolist() == [0, 3]
    assert grade(far) == pytest.approx([0.02, 0.2])
    assert far.covered == pytest.approx([0.5, 0.5])
    assert far.split == (("bend", 31.0),)
    # Within the snapping distance, or within three times the poorer accuracy, it is one hole.
    for near in ({"easting_m": 500029.0}, {"easting_m": 500031.0, "accuracy_m": 11.0}):
        found = read(upper, {**lower, **near})
        assert len(found) == 1
        assert found.split == ()
    # On another day it is another hole anyway, and nothing to ask about.
    assert read(upper, {**lower, "easting_m": 500031.0, "day": "2025-10-05"}).split == ()


def test_parting_does_not_depend_on_the_order() -> None:
    rows = [
        {"sample_id": f"s{k}", "depth_top_m": 0.02 * k, "depth_bottom_m": 0.02 * k + 0.02, "place": "bend",
         "accuracy_m": 3.0, "easting_m": 500000.0 + 12.5 * k}
        for k in range(5)
    ]  # fmt: skip
    one, other = read(*rows), read(*rows[::-1])
    assert one.sample_ids == other.sample_ids == (("s0", "s1", "s2"), ("s3", "s4"))
    assert one.split == other.split == (("bend", 37.5),)


def test_equal_depths_are_duplicates() -> None:
    found = read({"grade": 0.04}, {"grade": 0.06})
    assert grade(found) == pytest.approx([0.04, 0.06])
    assert found.node.tolist() == [0, 0]


def test_two_holes_with_two_layers_each() -> None:
    top = {"depth_top_m": 0.0, "depth_bottom_m": 0.05}
    low = {"depth_top_m": 0.05, "depth_bottom_m": 0.10}
    found = read(top, low, top, low)
    assert sorted(found.sample_ids) == [("s0", "s1"), ("s2", "s3")]


def test_a_part_of_the_bite_stands_for_it_and_says_so() -> None:
    found = read({"depth_top_m": 0.0, "depth_bottom_m": 0.04, "grade": 0.1})
    assert grade(found) == pytest.approx([0.1])
    assert found.covered == pytest.approx([0.4])


def test_what_the_layers_do_not_tell_of_the_bite_widens_its_doubt() -> None:
    whole = read({"depth_top_m": 0.0, "depth_bottom_m": 0.1, "grade": 0.1})
    part = read({"depth_top_m": 0.0, "depth_bottom_m": 0.04, "grade": 0.1})
    assert part.error_variance[0] - whole.error_variance[0] == pytest.approx((0.6 * 0.8) ** 2)
    # A layer that reaches far below tells only its mean: two thirds of it lie outside.
    deep = read({"depth_top_m": 0.0, "depth_bottom_m": 0.3, "grade": 0.1})
    assert deep.error_variance[0] - whole.error_variance[0] == pytest.approx((2 / 3 * 0.8) ** 2)
    assert deep.covered.tolist() == [1.0]
    # And a trace that covers a part rules out less.
    faint = read({"trace": True, "grade": NAN, "depth_top_m": 0.0, "depth_bottom_m": 0.04})
    plain = read({"trace": True, "grade": NAN})
    assert faint.error_variance[0] - plain.error_variance[0] == pytest.approx((0.6 * 0.8) ** 2)
    # The wrong twin says nothing of it.
    alike = SamplingSettings(layer_sd=0.0)
    blind = read({"depth_top_m": 0.0, "depth_bottom_m": 0.04, "grade": 0.1}, settings=alike)
    assert blind.error_variance[0] == pytest.approx(whole.error_variance[0])


def test_a_moisture_makes_its_sample_less_sure() -> None:
    weighed, made = read({"grade": 0.2}), read({"grade": 0.2, "moisture": 0.06})
    # Drawn out: the dry mass that a moisture of 6 +- 1 % gives, and the grade over it.
    moisture = np.random.default_rng(5).normal(0.06, 0.01, 200_000)
    one = 0.2 * 0.94 / (1 - moisture)
    drawn = np.var(np.log(one / (1 - one)))
    assert made.error_variance[0] - weighed.error_variance[0] == pytest.approx(drawn, rel=0.02)
    assert grade(made) == pytest.approx(grade(weighed))


def test_splitting_and_locked_grains_count() -> None:
    plain = read({"grade": 0.1}).error_variance[0]
    coned = read({"grade": 0.1}, settings=SamplingSettings(splitting_sd=0.068)).error_variance[0]
    assert coned - plain == pytest.approx((0.068 / 0.9) ** 2)
    exact = SamplingSettings(weighing_sd_kg=0.0)
    locked = SamplingSettings(weighing_sd_kg=0.0, liberation_factor=0.1)
    free = read({"grade": 0.1}, settings=exact).error_variance[0]
    assert read({"grade": 0.1}, settings=locked).error_variance[0] == pytest.approx(0.1 * free)


def test_two_scoops_beside_each_other_share_the_surest_place() -> None:
    found = read(
        {"grade": 0.04, "accuracy_m": 6.0},
        {"grade": 0.06, "accuracy_m": 4.0, "easting_m": 500007.0},
    )
    assert found.node.tolist() == [1, 1]
    assert found.accuracy_m.tolist() == [4.0, 4.0]
    # Not on another day, not when the fixes are too good to lie so far apart, not beyond 8 m.
    for other in (
        {"day": "2025-10-05"},
        {"accuracy_m": 3.0, "easting_m": 500006.1},
        {"easting_m": 500008.1, "accuracy_m": 50.0},
    ):
        one = {"grade": 0.04, "accuracy_m": 3.0}
        apart = read(one, {"grade": 0.06, "accuracy_m": 3.0, "easting_m": 500007.0, **other})
        assert apart.node.tolist() == [0, 1], other


def test_nearness_does_not_join_branches_that_have_not_met() -> None:
    fork = Nodes(
        cell=np.arange(4),
        downstream=np.array([2, 2, 3, -1], np.int32),
        length_m=np.array([9.0, 9.0, 9.0, 0.0]),
        easting_m=500000.0 + np.array([0.0, 0.0, 8.0, 17.0]),
        northing_m=4100000.0 + np.array([3.0, -3.0, 0.0, 0.0]),
        elevation_m=np.array([12.0, 12.0, 11.0, 10.0]),
        upstream_area_m2=np.array([1000.0, 1000.0, 2100.0, 2200.0]),
        distance_to_outlet_m=np.array([18.0, 18.0, 9.0, 0.0]),
        order=np.ones(4, np.int32),
        reach=np.zeros(4, np.int32),
    )
    rows = layers({"northing_m": 4100003.0}, {"northing_m": 4099997.0})
    assert observations(rows, SamplingSettings(), fork).node.tolist() == [0, 1]
    named = layers({"northing_m": 4100003.0, "place": "fork"}, {"northing_m": 4099997.0, "place": "fork"})
    assert observations(named, SamplingSettings(), fork).node.tolist() == [0, 0]
    along = layers({"northing_m": 4100003.0}, {"northing_m": 4100001.0, "easting_m": 500005.0})
    assert observations(along, SamplingSettings(), fork).node.tolist() == [0, 0]


def test_a_deep_layer_alone_is_left_out() -> None:
    found = read({"depth_top_m": 0.1, "depth_bottom_m": 0.2})
    assert len(found) == 0
    assert found.left_out == (("s0", "deeper than the bite of 0.1 m"),)


def test_a_trace_is_censored_not_dropped() -> None:
    found = read({"trace": True, "grade": NAN}, {"grade": 0.0, "easting_m": 500010.0})
    assert found.censored.tolist() == [True, True]
    assert found.limit == pytest.approx(np.log(0.002 / 0.998))
    assert np.isnan(found.value).all()
    assert np.all(found.error_variance > 0)


def test_a_faint_layer_beside_a_rich_one() -> None:
    found = read(
        {"depth_top_m": 0.0, "depth_bottom_m": 0.05, "trace": True, "grade": NAN},
        {"depth_top_m": 0.05, "depth_bottom_m": 0.10, "grade": 0.10},
    )
    assert not found.censored[0]
    assert 0.05 < grade(found)[0] < 0.053


def test_more_mass_is_surer_and_magnetics_alone_have_a_logit() -> None:
    found = read({"dry_mass_kg": 0.2}, {"dry_mass_kg": 2.0}, {"dry_mass_kg": NAN}, {"grade": 1.0})
    small, large, typical = found.error_variance[:3]
    assert large < typical < small
    assert np.isfinite(found.value).all()


def test_no_sample_gives_no_reading() -> None:
    found = observations(Samples.none(), SamplingSettings(), NODES)
    assert len(found) == 0
    assert found.unplaced == found.left_out == found.sample_ids == ()


def test_the_order_of_samples_does_not_matter() -> None:
    rows = [
        {"sample_id": "a", "depth_top_m": 0.0, "depth_bottom_m": 0.05, "grade": 0.03},
        {"sample_id": "b", "depth_top_m": 0.0, "depth_bottom_m": 0.05, "grade": 0.07},
        {"sample_id": "c", "depth_top_m": 0.05, "depth_bottom_m": 0.2, "grade": 0.02},
        {"sample_id": "d", "easting_m": 500040.0, "place": "bend"},
        {"sample_id": "e", "easting_m": 500030.0, "place": "bend"},
    ]
    one = read(*rows)
    for order in ([4, 3, 2, 1, 0], [2, 0, 4, 1, 3]):
        two = read(*(rows[k] for k in order))
        assert two.sample_ids == one.sample_ids
        assert two.value.tolist() == one.value.tolist()


@pytest.mark.parametrize(
    ("row", "sentence"),
    [
        ({"grade": 1.2}, "Sample s0: Invalid grade. It must lie from 0 to 1, or be a trace."),
        ({"grade": NAN}, "Sample s0: Invalid grade. It must lie from 0 to 1, or be a trace."),
        (
            {"depth_top_m": 0.1, "depth_bottom_m": 0.1},
            "Sample s0: Invalid depth interval. The top must be at least 0 and the bottom deeper than "
            "the top, or both unknown.",
        ),
        ({"dry_mass_kg": 0.0}, "Sample s0: Invalid dry mass. It must be above 0 kg, or unknown."),
        ({"accuracy_m": -1.0}, "Sample s0: Invalid accuracy. It must be at least 0 m, or unknown."),
        (
            {"moisture": 1.0},
            "Sample s0: Invalid moisture. It must lie from 0 to below 1, or be unknown.",
        ),
        ({"easting_m": NAN}, "Sample s0: Invalid place. It must be a finite easting and northing in metres."),
    ],
)
def test_a_bad_layer_is_named(row: dict[str, object], sentence: str) -> None:
    with pytest.raises(RecordError, match="^" + re.escape(sentence) + "$"):
        layers(row)


def test_uneven_arrays_are_refused() -> None:
    good = layers({}, {})
    parts = {name: getattr(good, name) for name in good.__dataclass_fields__}
    with pytest.raises(
        RecordError, match=r"^Invalid 'grade' of 1 entries\. There must be 2, one per layer\.$"
    ):
        Samples(**{**parts, "grade": good.grade[:1]})


def test_settings_are_checked() -> None:
    with pytest.raises(InputError, match=r"^Invalid 'bite_m' of 0\. It must be a finite number above 0\.$"):
        SamplingSettings(bite_m=0)
    with pytest.raises(
        InputError,
        match=r"^Invalid 'detection_grade' of 0\.5\. It must be a finite number above 0 and below 0\.5\.$",
    ):
        SamplingSettings(detection_grade=0.5)


def test_snap_to_the_nearest_node() -> None:
    node, offset_m = snap(
        NODES, easting_m=np.array([500014.0, 0.0]), northing_m=np.array([4100003.0, 4100000.0])
    )
    assert node.tolist() == [1, 0]
    assert offset_m == pytest.approx([5.0, 500000.0])


def test_snap_equals_a_look_at_all_nodes() -> None:
    rng = np.random.default_rng(8)
    # On a grid, so that many nodes are equally far, and far outside it.
    place = rng.integers(0, 12, (90, 2)).astype(float)
    nodes = SimpleNamespace(easting_m=place[:, 0], northing_m=place[:, 1])
    asked = np.vstack([rng.integers(-2, 14, (200, 2)) / 2.0, [[500.0, -70.0], [-300.0, 4.0]]])
    node, offset_m = snap(nodes, easting_m=asked[:, 0], northing_m=asked[:, 1])  # type: ignore[arg-type]
    away_m = np.hypot(asked[:, :1] - place[:, 0], asked[:, 1:] - place[:, 1])
    assert np.array_equal(node, np.argmin(away_m**2, axis=1))
    assert offset_m == pytest.approx(away_m.min(axis=1))


def test_snap_without_nodes_or_places() -> None:
    none = SimpleNamespace(easting_m=np.zeros(0), northing_m=np.zeros(0))
    node, offset_m = snap(none, easting_m=np.array([1.0]), northing_m=np.array([2.0]))  # type: ignore[arg-type]
    assert node.tolist() == [-1]
    assert np.isinf(offset_m).all()
    assert len(snap(NODES, easting_m=np.zeros(0), northing_m=np.zeros(0))[0]) == 0


def test_nearest_along_equals_all_pairs() -> None:
    rng = np.random.default_rng(3)
    count = 80
    downstream = np.minimum(np.arange(count) + rng.geometric(0.4, count), count - 1).astype(np.int32)
    downstream[[30, count - 1]] = -1
    weight = np.ones(count)
    for i in range(count):
        if downstream[i] >= 0:
            weight[downstream[i]] += weight[i]
    tree = Tree(downstream=downstream, length_m=rng.uniform(1, 9, count), weight=weight)
    some = np.array([3, 17, 52])
    assert nearest_along_m(tree, some) == pytest.approx(distances(tree).along_m[:, some].min(axis=1))
    assert np.isinf(nearest_along_m(tree, np.array([], dtype=int))).all()


def test_a_trace_says_what_its_mass_lets_it_say() -> None:
    # One gram in half a kilogram: two kilograms would have shown four times less, 100 g five times more.
    found = read(
        {"trace": True, "grade": NAN, "dry_mass_kg": 2.0},
        {"trace": True, "grade": NAN, "dry_mass_kg": 0.1, "easting_m": 500020.0},
        {"trace": True, "grade": NAN, "dry_mass_kg": NAN, "easting_m": 500040.0},
        {"trace": True, "grade": NAN, "below": 0.03, "easting_m": 500050.0},
    )
    assert 1 / (1 + np.exp(-found.limit)) == pytest.approx([0.0005, 0.01, 0.002, 0.03])
    # Weighed below it is no better than a trace; above it is weighed.
    small = read({"grade": 0.005, "dry_mass_kg": 0.1}, {"grade": 0.001, "dry_mass_kg": 2.0})
    assert sorted(small.censored.tolist()) == [False, True]
    with pytest.raises(RecordError, match=r"^Sample s0: Invalid limit of a trace\. It must lie between"):
        layers({"trace": True, "grade": NAN, "below": 0.0})
