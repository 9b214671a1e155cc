"""What holds for every load, stock and ranking."""

import numpy as np
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from scipy.stats import beta

from washgrade.dig.load import Shovel, expected_load_kg, load_magnetics_kg
from washgrade.dig.rank import chance_top, rank_reaches, spread
from washgrade.dig.returns import Bed, dug_share_of
from washgrade.dig.stock import StreakRule, StreakSeen, reach_stock

grades = arrays(np.float64, st.tuples(st.integers(1, 20), st.integers(1, 12)), elements=st.floats(0, 1))


@given(st.floats(0, 1), st.floats(0, 1), st.floats(0.1, 20), st.floats(0, 0.9))
def test_a_richer_load_never_holds_less(one, other, litres, porosity):
    low, high = sorted((one, other))
    kg = load_magnetics_kg(np.array([low, high]), Shovel(shovel_litres=litres, porosity=porosity))
    assert kg[0] <= kg[1]


@given(grades, st.floats(0, 0.99), st.floats(0, 1))
def test_taken_and_left_make_what_was_held(draws, cutoff, gone):
    length = np.linspace(10, 50, draws.shape[1])
    width = np.linspace(1, 4, draws.shape[1])
    whole = reach_stock(
        length_m=length,
        bed_width_m=width,
        grade_draws=draws,
        shovel=Shovel(),
        streak=StreakRule(),
        cutoff_grade=cutoff,
    )
    after = reach_stock(
        length_m=length,
        bed_width_m=width,
        grade_draws=draws,
        shovel=Shovel(),
        streak=StreakRule(),
        cutoff_grade=cutoff,
        bed=Bed.dug(np.full((1, len(length)), gone)),
    )
    dug = float(dug_share_of(gone))
    np.testing.assert_allclose(after.loads_left, whole.loads_held * (1 - dug), atol=1e-9)
    # Kilograms taken and left make what was held, draw by draw.
    np.testing.assert_allclose(after.worth_kg(), whole.worth_kg() * (1 - gone), atol=1e-9)
    if abs(dug - 0.8) > 1e-9:
        assert (after.depleted == (dug > 0.8)).all()


@given(grades)
def test_a_reach_draws_the_same_whichever_others_are_asked_for(draws):
    count = draws.shape[1]
    found = reach_stock(
        length_m=np.linspace(10, 50, count),
        bed_width_m=np.ones(count),
        grade_draws=draws,
        shovel=Shovel(),
        streak=StreakRule(),
        cutoff_grade=0.05,
        seen=StreakSeen(reach=np.array([count - 1]), found=np.array([False]), kept=np.array([1.0])),
    )
    whole = found.standing()
    for one in range(count):
        alone = found.standing([one])
        np.testing.assert_array_equal(alone.stock_kg[:, 0], whole.stock_kg[:, one])


def test_a_look_that_finds_a_streak_raises_the_stock_and_one_that_finds_none_lowers_it():
    given_ = {
        "length_m": np.full(3, 50.0),
        "bed_width_m": np.full(3, 3.0),
        "grade_draws": np.full((2000, 3), 0.2),
        "shovel": Shovel(),
        "streak": StreakRule(),
        "cutoff_grade": 0.05,
    }

    def looked(kept):
        seen = StreakSeen(reach=np.array([0, 2]), found=np.array([True, False]), kept=np.full(2, kept))
        return reach_stock(**given_, seen=seen)

    found, plain = looked(1.0), reach_stock(**given_)
    assert found.loads_held[0] > plain.loads_held[0] > found.loads_held[2]
    assert found.loads_held[1] == plain.loads_held[1]
    # A full rework since leaves nothing of the look; part of one leaves part of it. The grid of 401 steps
    # has the mean of the lognormal to a thousandth.
    np.testing.assert_allclose(looked(0.0).loads_held, plain.loads_held, rtol=1e-3)
    assert plain.loads_held[2] > looked(0.5).loads_held[2] > found.loads_held[2]
    # The draws have the expected mean: 2000 of a relative sd of 0.5 are good to 1.2 %, four times that here.
    mean = found.standing().loads_held.mean(axis=0)
    np.testing.assert_allclose(mean, found.loads_held, rtol=0.05)


@given(grades, st.integers(1, 15))
def test_chances_to_be_among_the_best_sum_to_the_places(draws, top):
    chance = chance_top(draws, top)
    np.testing.assert_allclose(chance.sum(), min(top, draws.shape[1]))
    assert ((chance >= 0) & (chance <= 1)).all()


def test_the_expected_load_hardly_hangs_on_the_draws():
    """Against fine quadrature of a beta distribution: at most a third of the plain mean's error."""
    grade = beta(3, 12)
    exact = load_magnetics_kg(grade.ppf((np.arange(20000) + 0.5) / 20000), Shovel()).mean()
    draws = grade.rvs((1000, 200), random_state=1)
    plain = load_magnetics_kg(draws, Shovel()).mean(axis=0)
    found = expected_load_kg(draws, np.full(200, grade.mean()), Shovel())
    assert np.sqrt(np.mean((found - exact) ** 2)) < np.sqrt(np.mean((plain - exact) ** 2)) / 3


@given(grades)
def test_ranks_are_a_permutation_in_falling_order(draws):
    value = spread(draws).mean
    rank = rank_reaches(value)
    assert sorted(rank) == list(range(1, len(value) + 1))
    assert (np.diff(value[np.argsort(rank)]) <= 0).all()


@given(grades, st.randoms(use_true_random=False))
def test_the_order_of_draws_is_irrelevant(draws, random):
    order = list(range(len(draws)))
    random.shuffle(order)
    one, other = spread(draws), spread(draws[order])
    np.testing.assert_allclose(one.mean, other.mean)
    np.testing.assert_array_equal(one.p50, other.p50)
