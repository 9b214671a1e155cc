"""Duplicates: which samples are, how far they differ, and the sentence about it."""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pytest

from washgrade.errors import InputError
from washgrade.sand.layers import Samples, SamplingSettings
from washgrade.sand.repeat import control, duplicate_sets, repeatability, sd_line

SETTINGS = SamplingSettings()


def samples(grade: list[float], east_m: list[float], **more: object) -> Samples:
    count = len(grade)
    plain = {
        "sample_id": np.array([f"s{k:02d}" for k in range(count)]),
        "easting_m": np.array(east_m),
        "northing_m": np.zeros(count),
        "accuracy_m": np.full(count, 4.0),
        "depth_top_m": np.full(count, np.nan),
        "depth_bottom_m": np.full(count, np.nan),
        "dry_mass_kg": np.full(count, 1.0),
        "grade": np.array(grade),
        "trace": np.isnan(np.array(grade)),
        "day": np.full(count, np.datetime64("2025-10-04")),
        "place": np.full(count, "", dtype="<U9"),
    }
    return Samples(**{**plain, **more})


def test_beside_each_other_at_one_depth_on_one_day() -> None:
    found = samples([0.1, 0.2, 0.1, 0.3], [0.0, 5.0, 50.0, 100.0])
    assert duplicate_sets(found, SETTINGS) == [[0, 1]]
    later = replace(found, day=np.array(["2025-10-04", "2025-10-05", "2025-10-04", "2025-10-04"], "M8[D]"))
    assert duplicate_sets(later, SETTINGS) == []
    top, bottom = np.array([0.0, 0.1, 0.0, 0.0]), np.array([0.1, 0.2, 0.1, 0.1])
    assert duplicate_sets(replace(found, depth_top_m=top, depth_bottom_m=bottom), SETTINGS) == []
    named = replace(found, place=np.array(["bend", "", "", "bend"]))
    assert duplicate_sets(named, replace(SETTINGS, snap_max_m=200.0)) == [[0, 3]]


def test_the_order_does_not_matter() -> None:
    rng = np.random.default_rng(2)
    found = samples(rng.uniform(0.02, 0.3, 30).tolist(), (rng.integers(0, 12, 30) * 7.0).tolist())
    one = repeatability(found, SETTINGS)
    order = rng.permutation(30)
    two = repeatability(
        Samples(**{name: getattr(found, name)[order] for name in found.__dataclass_fields__}), SETTINGS
    )
    assert one == two
    assert one.pairs > 5


def test_numbers_by_hand() -> None:
    found = repeatability(samples([0.10, 0.12, 0.05, 0.05], [0.0, 1.0, 100.0, 101.0]), SETTINGS)
    assert found.pairs == 2
    assert found.relative_sd == pytest.approx(np.sqrt(((0.02 / 0.11) ** 2 / 2) / 2))
    assert found.robust_sd == pytest.approx(1.0484 * np.median([0.02 / 0.11, 0.0]), rel=1e-4)
    apart = np.log(0.12 / 0.88) - np.log(0.10 / 0.90)
    assert found.logit_sd == pytest.approx(np.sqrt(apart**2 / 2 / 2))
    assert found.logit_sd_low < found.logit_sd < found.logit_sd_high
    assert 0 < found.scoop_sd < found.logit_sd
    assert np.isnan(found.slope)
    assert found.sentence == (
        "Your duplicates differ by 9 % of the grade (2 pairs; standard deviation of one scoop). The true "
        "figure may well be 5 % to 40 %. Take more of them: few pairs tell it poorly."
    )


def test_interval_holds_the_truth_nine_times_in_ten() -> None:
    rng = np.random.default_rng(6)
    held = []
    for _ in range(300):
        logit = -2.0 + 0.2 * rng.standard_normal((8, 2))
        found = repeatability(
            samples((1 / (1 + np.exp(-logit))).ravel().tolist(), (np.arange(16) // 2 * 50.0).tolist()),
            replace(SETTINGS, weighing_sd_kg=0.0),
        )
        held.append(found.logit_sd_low <= 0.2 <= found.logit_sd_high)
    assert np.mean(held) == pytest.approx(0.9, abs=0.05)


def test_three_scoops_are_two_pairs_and_a_trace_is_told() -> None:
    found = repeatability(samples([0.1, 0.2, 0.3, np.nan], [0.0, 1.0, 2.0, 3.0]), SETTINGS)
    assert found.sample_ids == (("s00", "s01", "s02"),)
    assert found.pairs == 2
    assert found.traces == 1
    assert found.relative_sd == pytest.approx(np.std([0.1, 0.2, 0.3], ddof=1) / 0.2)


def test_one_wild_pair_is_pointed_at() -> None:
    found = repeatability(
        samples([0.10, 0.11] * 4 + [0.02, 0.4], [50.0 * (k // 2) for k in range(10)]), SETTINGS
    )
    assert found.robust_sd == pytest.approx(0.0998, abs=1e-3)
    assert found.relative_sd > 3 * found.robust_sd
    assert found.sentence.endswith("Most differ by only 10 %: look at the few pairs that differ most.")


def test_no_duplicates_says_so() -> None:
    found = repeatability(samples([0.1, 0.2], [0.0, 100.0]), SETTINGS)
    assert found.pairs == 0
    assert np.isnan(found.relative_sd)
    assert found.sentence == (
        "No duplicates: how far one scoop differs from the next is not known here. Take a second scoop "
        "beside the first at a few places."
    )


def test_fifty_pairs_give_a_line() -> None:
    rng = np.random.default_rng(8)
    true = np.repeat(rng.uniform(0.05, 0.4, 66), 2)
    grade = true * (1 + 0.1 * rng.standard_normal(len(true)))
    found = repeatability(samples(grade.tolist(), (np.arange(132) // 2 * 50.0).tolist()), SETTINGS)
    assert found.constant_grade + found.slope * 0.2 == pytest.approx(0.02, rel=0.4)


def test_a_line_never_slopes_down_or_starts_below_nothing() -> None:
    size = np.linspace(1.0, 2.0, 44)
    assert sd_line(size + 0.1 / size, size - 0.1 / size)[1] == 0.0
    constant, slope = sd_line(size + 0.1 * size**3, size - 0.1 * size**3)
    assert constant == 0.0
    assert slope > 0


def test_faults_are_said() -> None:
    few = np.ones(21)
    sentence = "Invalid number of pairs of 21. There must be at least 22, two groups of 11."
    with pytest.raises(InputError, match=f"^{re.escape(sentence)}$"):
        sd_line(few, few)
    sentence = "Invalid 'relative_sd' of 0. It must be above 0, or 'constant_sd' must be."
    with pytest.raises(InputError, match=f"^{re.escape(sentence)}$"):
        control(few, few, relative_sd=0.0)
