"""Laws of what the reaches hold: floods keep the balance, readings move draws as conditioning would."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from washgrade.dig.choose import learning_gain_kg
from washgrade.dig.holding import HoldingRule, after_dig, after_flood, after_sample, begin_holding
from washgrade.storm.learn import Prior
from washgrade.storm.refill import TRAVEL_M, steady_supply_kg, travel_share
from washgrade.storm.season import order_events, replay

SEEDS = st.integers(0, 2**32 - 1)
# Floods and beds as if they were known; the prior allows no zero.
SURE = HoldingRule(
    prior=Prior(severity_log_sd=1e-12, refill_log_sd=1e-12, storm_log_sd=1e-12),
    fresh_log_sd=0.0, place_log_sd=0.0, travel_log_sd=0.0, within_log_sd=0.0, recovery_log_sd=0.0,
)  # fmt: skip


@given(SEEDS)
@settings(max_examples=30, deadline=None)
def test_a_flood_without_doubt_is_the_ledgers(seed: int) -> None:
    rng = np.random.default_rng(seed)
    count = int(rng.integers(2, 20))
    downstream = np.array(
        [-1 if i == count - 1 or rng.random() < 0.1 else min(count - 1, i + int(rng.geometric(0.5)))
         for i in range(count)], np.int32,
    )  # fmt: skip
    loads, length_m = rng.uniform(50, 900, count), rng.uniform(5, 80, count)
    fresh_kg, scour = rng.uniform(0.1, 2.0, count), rng.uniform(0, 3, count)
    wetted, left = rng.uniform(0, 1, count), rng.uniform(0, 1, count)
    holding = begin_holding(np.repeat(fresh_kg[None, :], 12, axis=0), loads, rng=rng, rule=SURE)
    holding = replace(holding, now_kg=holding.now_kg * left)
    found = after_flood(
        holding, downstream=downstream, length_m=length_m, scour_bites=scour, wetted_share=wetted, rng=rng
    )
    renewed, travels = wetted * -np.expm1(-scour), travel_share(length_m, travel_m=TRAVEL_M)
    held = fresh_kg * loads
    plain = replay(
        downstream=downstream, held_kg=held, stock_kg=held * left, renewed_share=renewed[None, :],
        events=order_events(flood_day=[1], dig_day=[], dig_reach=[], dig_kg=[]), travels=travels,
        supply_kg=steady_supply_kg(
            downstream=downstream, held_kg=held, renewed_share=renewed, travels=travels
        ),
    )  # fmt: skip
    np.testing.assert_allclose(
        found.now_kg * loads, np.repeat(plain.stock_kg[None, :], 12, axis=0), rtol=1e-6
    )
    # Untouched, it stays as it is on the mean.
    whole = after_flood(
        replace(holding, now_kg=holding.fresh_kg), downstream=downstream, length_m=length_m,
        scour_bites=scour, wetted_share=wetted, rng=rng,
    )  # fmt: skip
    np.testing.assert_allclose(whole.now_kg, holding.fresh_kg, rtol=1e-6)


@given(SEEDS, st.floats(0.05, 1.5))
@settings(max_examples=20, deadline=None)
def test_a_reading_moves_the_draws_as_conditioning_does(seed: int, error_sd: float) -> None:
    # The oracle is dense algebra on normal logarithms with the draws' own moments.
    rng = np.random.default_rng(seed)
    root = rng.normal(0, 0.5, (3, 3))
    log = rng.normal(0, 1, (4000, 3)) @ root.T
    holding = begin_holding(np.exp(log), [300.0] * 3, rng=rng, rule=SURE)
    seen = float(rng.normal(0, 1))
    found = np.log(after_sample(holding, reach=0, load_kg=float(np.exp(seen)), log_sd=error_sd).now_kg)
    covariance, middle = np.cov(log.T), log.mean(axis=0)
    gain = covariance[:, 0] / (covariance[0, 0] + error_sd**2)
    exact = covariance - np.outer(gain, covariance[0])
    surprise = seen - middle[0]
    # The sampled reach exactly; the others but for the weak likeness that chance may have made.
    assert np.mean(found[:, 0]) == pytest.approx(middle[0] + gain[0] * surprise, abs=1e-9)
    assert np.var(found[:, 0], ddof=1) == pytest.approx(exact[0, 0], rel=1e-9)
    slack = 0.07 * np.sqrt(np.diag(covariance) / (covariance[0, 0] + error_sd**2)) * abs(surprise) + 1e-9
    assert (np.abs(found.mean(axis=0) - middle - gain * surprise) <= slack).all()
    np.testing.assert_allclose(np.cov(found.T), exact, atol=0.08 * float(np.diag(covariance).max()))


def test_a_wrong_gain_would_be_seen() -> None:
    rng = np.random.default_rng(4)
    log = rng.normal(0, 0.6, (4000, 2))
    holding = begin_holding(np.exp(log), [300.0, 300.0], rng=rng, rule=SURE)
    found = np.log(after_sample(holding, reach=0, load_kg=3.0, log_sd=0.3).now_kg[:, 0])
    right = float(np.var(log[:, 0], ddof=1))
    assert np.var(found, ddof=1) == pytest.approx(right * 0.09 / (right + 0.09))
    # With the mean's gain for the deviations too, the draws would be surer than they may be.
    assert np.var(found, ddof=1) > 1.5 * right * (0.09 / (right + 0.09)) ** 2
    # Reaches that are not alike stay as they were.
    far = np.log(after_sample(holding, reach=0, load_kg=3.0, log_sd=0.3).now_kg[:, 1])
    np.testing.assert_allclose(far, log[:, 1], atol=0.05)


@given(SEEDS)
@settings(max_examples=20, deadline=None)
def test_digs_lower_and_never_empty(seed: int) -> None:
    rng = np.random.default_rng(seed)
    holding = begin_holding(np.exp(rng.normal(-1, 0.5, (200, 2))), [400.0, 90.0], rng=rng)
    for _ in range(6):
        before = holding.day_kg(60)
        holding = after_dig(holding, reach=1, loads=60)
        assert (holding.day_kg(60)[:, 1] < before[:, 1]).all()
        assert (holding.day_kg(60)[:, 0] == before[:, 0]).all()
        assert (holding.now_kg > 0).all()


def test_a_poor_day_after_a_flood_teaches_that_floods_bring_little() -> None:
    rng = np.random.default_rng(2)
    holding = begin_holding(np.exp(rng.normal(0, 0.1, (2000, 1))), [200.0], rng=rng)
    for _ in range(3):
        holding = after_dig(holding, reach=0, loads=60)
    holding = after_flood(
        holding, downstream=np.array([-1], np.int32), length_m=[50.0], scour_bites=[1.0],
        rng=np.random.default_rng(5),
    )  # fmt: skip
    foretold = float(np.median(holding.day_kg(60)[:, 0]))
    poor, rich = (
        after_dig(holding, reach=0, loads=60, product_kg=factor * foretold).log_numbers.mean(axis=0)
        for factor in (0.5, 1.8)
    )
    # Severity up or refill scale down mean more refill; so does a longer way of the sand.
    assert rich[0] > poor[0]
    assert rich[1] < poor[1]
    assert rich[2] > poor[2]


@given(SEEDS)
@settings(max_examples=12, deadline=None)
def test_gain_of_a_look_is_that_of_playing_it(seed: int) -> None:
    # The slow twin draws what the look would show and picks the best places again.
    rng = np.random.default_rng(seed)
    mean, sd, error = rng.uniform(2, 10, 6), rng.uniform(0.05, 0.9, 6), float(rng.uniform(0.1, 0.8))
    places = int(rng.integers(1, 5))
    found = learning_gain_kg(mean, sd, error_log_sd=error, places=places)
    for reach in range(6):
        truth = rng.normal(np.log(mean[reach]) - sd[reach] ** 2 / 2, sd[reach], 200_000)
        seen = truth + rng.normal(0, error, len(truth))
        share = sd[reach] ** 2 / (sd[reach] ** 2 + error**2)
        middle = np.log(mean[reach]) - sd[reach] ** 2 / 2
        after = np.exp(middle + share * (seen - middle) + 0.5 * sd[reach] ** 2 * (1 - share))
        others = np.sort(np.delete(mean, reach))[::-1]
        # Best places again: the surest of the others, and this one if it passes the last of them.
        with_look = others[: places - 1].sum() + np.maximum(after, others[places - 1])
        without = np.sort(mean)[::-1][:places].sum()
        miss = with_look.std() / np.sqrt(len(after))
        assert found[reach] == pytest.approx(float(with_look.mean()) - without, abs=5 * miss + 1e-4)


@given(SEEDS, st.floats(0.1, 50.0))
@settings(max_examples=40, deadline=None)
def test_gain_grows_with_doubt_and_with_the_scale(seed: int, factor: float) -> None:
    rng = np.random.default_rng(seed)
    mean, sd = rng.uniform(1, 10, 8), rng.uniform(0, 1, 8)
    gain = learning_gain_kg(mean, sd, error_log_sd=0.3)
    assert (gain >= 0).all()
    assert (learning_gain_kg(mean, sd + 0.2, error_log_sd=0.3) >= gain - 1e-12).all()
    assert (learning_gain_kg(mean, sd, error_log_sd=0.6) <= gain + 1e-12).all()
    np.testing.assert_allclose(
        learning_gain_kg(factor * mean, sd, error_log_sd=0.3), factor * gain, rtol=1e-6, atol=1e-9
    )
