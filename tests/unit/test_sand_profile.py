"""Down a hole: buried streaks are found and sound holes are not, and stripping is worth what it is."""

from __future__ import annotations

import re

import numpy as np
import pytest

from washgrade.errors import InputError
from washgrade.sand.layers import Samples, SamplingSettings
from washgrade.sand.profile import Profile, profiles

SETTINGS = SamplingSettings()


def hole(*layers: tuple[float, float, float], place: str = "pit", mass_kg: float = 1.0) -> Samples:
    """Layers of (top in cm, bottom in cm, grade); a grade of NaN is a trace."""
    top, bottom, grade = np.array(layers).T
    count = len(layers)
    return Samples(
        sample_id=np.array([f"{place}{k}" for k in range(count)]),
        easting_m=np.arange(count, dtype=float),
        northing_m=np.zeros(count),
        accuracy_m=np.array([4.0, 3.0, 5.0, 5.0, 5.0][:count]),
        depth_top_m=top / 100,
        depth_bottom_m=bottom / 100,
        dry_mass_kg=np.full(count, mass_kg),
        grade=grade,
        trace=np.isnan(grade),
        day=np.full(count, np.datetime64("2025-10-04")),
        place=np.full(count, place),
    )


def one(*layers: tuple[float, float, float], **more: float) -> Profile:
    (found,) = profiles(hole(*layers), SETTINGS, **more)
    return found


def test_a_buried_streak_is_found_and_told() -> None:
    found = one((0, 3, 0.02), (3, 6, 0.20), (6, 10, 0.02))
    (streak,) = found.buried
    assert (streak.top_m, streak.bottom_m, streak.grade) == (0.03, 0.06, pytest.approx(0.20))
    assert streak.above_grade == pytest.approx(0.02)
    assert streak.chance > 0.999
    assert found.easting_m == 1.0
    assert found.sentences[0] == (
        "Place pit: a buried streak of 20.0 % lies 3 cm to 6 cm down, under sand of 2.0 % (a chance of 99 %)."
    )


@pytest.mark.parametrize(
    "layers",
    [
        ((0, 3, 0.20), (3, 6, 0.02), (6, 10, 0.02)),
        ((0, 3, 0.10), (3, 6, 0.12), (6, 10, 0.10)),
        ((0, 3, 0.05), (3, 6, np.nan), (6, 10, np.nan)),
    ],
)
def test_a_sound_hole_has_none(layers: tuple[tuple[float, float, float], ...]) -> None:
    assert one(*layers).buried == ()


def test_a_trace_above_makes_any_weighed_layer_richer() -> None:
    (streak,) = one((0, 5, np.nan), (5, 10, 0.05)).buried
    assert streak.above_grade < 0.002
    # But next to nothing beside nothing is no streak.
    assert one((0, 5, np.nan), (5, 10, 0.0011)).buried == ()


def test_layers_in_a_row_are_one_streak_and_two_floods_two() -> None:
    found = one((0, 3, 0.02), (3, 6, 0.10), (6, 9, 0.30), (9, 12, 0.01), (12, 15, 0.40))
    assert [(streak.top_m, streak.bottom_m) for streak in found.buried] == [(0.03, 0.09), (0.12, 0.15)]
    assert 0.10 < found.buried[0].grade < 0.30


def test_few_grains_and_a_rough_bed_make_slow_to_tell() -> None:
    sure = one((0, 3, 0.05), (3, 6, 0.08)).buried
    assert len(sure) == 1
    assert one((0, 3, 0.05), (3, 6, 0.08), scoop_sd=0.5).buried == ()
    (small,) = profiles(hole((0, 3, 0.05), (3, 6, 0.08), mass_kg=0.01), SETTINGS)
    assert small.buried == ()


def test_chance_is_that_of_drawn_layers() -> None:
    found = one((0, 4, 0.05), (4, 8, 0.075), scoop_sd=0.1)
    rng = np.random.default_rng(1)
    width = (
        np.log(found.high_grade / (1 - found.high_grade)) - np.log(found.grade / (1 - found.grade))
    ) / 1.2816
    drawn = np.log(found.grade / (1 - found.grade)) + width * rng.standard_normal((200_000, 2))
    assert found.buried[0].chance == pytest.approx((drawn[:, 1] > drawn[:, 0]).mean(), abs=0.003)


def test_stripping_by_hand() -> None:
    found = one((0, 3, 0.02), (3, 6, 0.20), (6, 10, 0.02))
    rich = 0.6 / (0.20 / 5180 + 0.80 / 2650)
    poor = 0.6 / (0.02 / 5180 + 0.98 / 2650)
    best = found.best
    assert (best.top_m, best.bottom_m) == (0.03, 0.06)
    assert best.waste_loads_per_m2 == pytest.approx(7.5)
    assert best.load_kg == pytest.approx(0.20 * rich * 0.004)
    assert best.worth_kg == pytest.approx(0.03 * rich * 0.20 / (7.5 + 0.3 * 7.5))
    assert best.load_low_kg < best.load_kg < best.load_high_kg
    assert found.bite is not None
    assert found.bite.load_kg == pytest.approx(0.004 * (0.03 * rich * 0.2 + 0.07 * poor * 0.02) / 0.1)
    assert found.sentences[1] == (
        "Place pit: throw 3 cm aside and dig to 6 cm: 1.4 kg a load, 1.2 kg to 1.7 kg, instead of 513 g from "
        "the top."
    )
    assert found.told("us")[1].startswith("Place pit: throw 1.2 in aside and dig to 2.4 in: 3.1 lb a load, ")


def test_throwing_aside_that_costs_as_much_is_never_worth_it() -> None:
    rng = np.random.default_rng(7)
    for _ in range(30):
        edges = np.cumsum(rng.uniform(2, 6, 5))
        layers = [
            (low, high, g)
            for low, high, g in zip([0, *edges[:-1]], edges, rng.uniform(0.01, 0.5, 5), strict=True)
        ]
        assert one(*layers, waste_factor=1.0).best.top_m == 0.0


def test_a_rich_top_alone_is_scraped() -> None:
    found = one((0, 3, 0.30), (3, 10, 0.02))
    assert (found.best.top_m, found.best.bottom_m) == (0.0, 0.03)
    assert found.sentences[0].startswith("Place pit: scrape only the top 3 cm: ")


def test_a_hole_below_the_bite_has_no_bite() -> None:
    found = one((20, 25, 0.02), (25, 30, 0.30))
    assert found.bite is None
    assert found.sentences[1].endswith(".")
    assert "instead" not in found.sentences[1]


def test_single_samples_have_no_profile_and_order_does_not_matter() -> None:
    assert profiles(hole((0, 10, 0.1)), SETTINGS) == ()
    rows = hole((0, 3, 0.02), (3, 6, 0.20), (6, 10, 0.02))
    turned = Samples(**{name: getattr(rows, name)[::-1] for name in rows.__dataclass_fields__})
    (first,), (second,) = profiles(rows, SETTINGS), profiles(turned, SETTINGS)
    assert first.sample_ids == second.sample_ids
    assert first.sentences == second.sentences


def test_faults_are_said() -> None:
    sentence = "Invalid 'waste_factor' of 0. It must be a finite number above 0 and of at most 1."
    with pytest.raises(InputError, match=f"^{re.escape(sentence)}$"):
        one((0, 3, 0.1), (3, 6, 0.1), waste_factor=0)
