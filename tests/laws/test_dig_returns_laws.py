"""Laws of decreasing returns: taken and left is what was there, and no load beats the last."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import norm

from washgrade.dig.returns import Standing, dug_share_of, left_factor, taken_share

SHARES = st.floats(0.0, 1.0)
SPREADS = st.floats(0.0, 1.5)


@given(SHARES, SPREADS)
@settings(max_examples=60, deadline=None)
def test_taken_share_is_the_rich_end_of_a_lognormal(share: float, spread: float) -> None:
    # The plain twin sums the yields of loads, the richest first.
    z = np.linspace(min(max(float(norm.isf(share)), -10.0), 12.0), 12.0, 40_001)
    below = np.trapezoid(norm.pdf(z) * np.exp(spread * z - spread**2 / 2), z)
    assert float(taken_share(share, within_sd=spread)) == pytest.approx(below, abs=1e-5)


@given(st.floats(1e-6, 1 - 1e-6), SPREADS)
@settings(max_examples=60, deadline=None)
def test_dug_share_is_the_inverse(share: float, spread: float) -> None:
    assert float(taken_share(dug_share_of(share, within_sd=spread), within_sd=spread)) == pytest.approx(share)
    loads_left = 1.0 - float(dug_share_of(share, within_sd=spread))
    assert float(left_factor(share, within_sd=spread)) * loads_left == pytest.approx(1.0 - share)


@given(st.floats(0.0, 0.99), st.lists(st.floats(0.0, 60.0), min_size=2, max_size=6), SPREADS)
@settings(max_examples=60, deadline=None)
def test_digging_in_parts_brings_what_digging_at_once_brings(
    depletion: float, parts: list[float], spread: float
) -> None:
    held = 100.0

    def standing(gone: float) -> Standing:
        return Standing(
            fresh_load_kg=np.array([[0.5]]),
            loads_held=np.array([held]),
            depletion=np.array([gone]),
            within_sd=spread,
        )

    gone, brought = depletion, 0.0
    for loads in parts:
        some = float(standing(gone).brings_kg([loads])[0, 0])
        brought += some
        gone = min(gone + some / (0.5 * held), 1.0)
    assert brought == pytest.approx(float(standing(depletion).brings_kg([sum(parts)])[0, 0]), abs=1e-6)
    assert brought + 0.5 * held * (1 - gone) == pytest.approx(float(standing(depletion).stock_kg[0, 0]))
    # Concave: the second half of any number of loads brings no more than the first.
    half, whole = (float(standing(depletion).brings_kg([n])[0, 0]) for n in (10.0, 20.0))
    assert whole - half <= half + 1e-9


@given(st.integers(0, 2**32 - 1), st.floats(0.0, 0.8), st.booleans())
@settings(max_examples=40, deadline=None)
def test_what_is_expected_is_the_mean_of_what_the_draws_bring(seed, within_sd, by_draw):
    rng = np.random.default_rng(seed)
    shape = (7, 3)
    standing = Standing(
        fresh_load_kg=rng.lognormal(size=shape),
        loads_held=rng.uniform(0.5, 40.0, shape if by_draw else 3),
        depletion=rng.uniform(0, 1, shape if by_draw else 3) * (rng.random(3) < 0.5),
        within_sd=within_sd,
    )
    expected_kg = standing.expected_kg(50)
    for loads in (0, 1, 2, 7, 50):
        plain = standing.brings_kg(np.full(3, loads)).mean(axis=0)
        assert expected_kg[:, loads] == pytest.approx(plain, rel=1e-6, abs=1e-6)
    some = standing.at(np.array([2, 0]))
    assert some.expected_kg(4) == pytest.approx(expected_kg[[2, 0], :5])


@pytest.mark.parametrize("found_by_eye", [0.0, 0.5, 0.9])
def test_loads_chosen_by_a_mark_that_tells_half_bring_what_is_said(found_by_eye):
    """A million loads drawn one by one, ranked by what is seen of them."""
    rng = np.random.default_rng(3)
    true = rng.standard_normal(1_000_000)
    seen = found_by_eye * true + np.sqrt(1.0 - found_by_eye**2) * rng.standard_normal(len(true))
    load_kg = np.exp(0.6 * true)
    load_kg /= load_kg.mean()
    first = load_kg[np.argsort(-seen)].cumsum() / len(load_kg)
    standing = Standing(
        fresh_load_kg=np.ones((1, 1)), loads_held=np.array([1000.0]), depletion=np.zeros(1), within_sd=0.6
    )
    for loads in (50, 200, 600):
        brought_kg = standing.chosen_by_eye(found_by_eye).brings_kg([loads])[0, 0]
        assert brought_kg == pytest.approx(1000.0 * first[1000 * loads - 1], rel=5e-3)
    if found_by_eye < 0.8:
        # Whoever saw all would bring more.
        assert standing.brings_kg([200])[0, 0] > 1.1 * standing.chosen_by_eye(found_by_eye).brings_kg([200])
