"""What holds for every load, stock and ranking."""

import numpy as np
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from scipy.stats import beta

from washgrade.dig.load import Shovel, expected_load_kg, load_magnetics_kg
from washgrade.dig.rank import chance_top, rank_reaches, spread
from washgrade.dig.stock import StreakRule, reach_stock

grades = arrays(np.float64, st.tuples(st.integers(1, 20), st.integers(1, 12)), elements=st.floats(0, 1))


@given(st.floats(0, 1), st.floats(0, 1), st.floats(0.1, 20), st.floats(0, 0.9))
def test_a_richer_load_never_holds_less(one, other, litres, porosity):
    low, high = sorted((one, other))
    kg = load_magnetics_kg(np.array([low, high]), Shovel(shovel_litres=litres, porosity=porosity))
    assert kg[0] <= kg[1]


@given(grades, st.floats(0, 0.99), st.floats(0, 2))
def test_taken_and_left_make_what_was_held(draws, cutoff, share):
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
    taken = share * whole.loads_held
    after = reach_stock(
        length_m=length,
        bed_width_m=width,
        grade_draws=draws,
        shovel=Shovel(),
        streak=StreakRule(),
        cutoff_grade=cutoff,
        loads_taken=taken,
    )
    np.testing.assert_allclose(after.loads_left + np.minimum(taken, whole.loads_held), whole.loads_held)
    assert (after.stock_kg_draws <= whole.stock_kg_draws + 1e-9).all()
    if abs(share - 0.8) > 1e-9:
        assert (after.depleted == (share > 0.8)).all()


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
