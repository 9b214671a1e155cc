"""What readings of dug reaches tell: held to finite differences and to dense algebra."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import multivariate_normal

from washgrade.dig.refound import (
    LEDGER_SD,
    ledger_covariance,
    left_after_readings,
    repeats_log_likelihood,
)
from washgrade.dig.returns import dug_share_of, taken_share


def played(shares, kept, off):
    """Depletion just before each event and today: digs whose effect is off by so much, floods between."""
    gone, before, after = 0.0, [], []
    for share, stays, error in zip(shares, kept, off, strict=True):
        gone *= stays
        before.append(gone)
        if share > 0:
            dug = float(taken_share(min(float(dug_share_of(gone)) + share, 1.0)))
            effect = np.log1p(-dug) - np.log1p(-gone)
            gone = -np.expm1(np.log1p(-gone) + effect * (1.0 + error))
        after.append(gone)
    return np.array(before), np.array(after)


def test_errors_of_the_ledger_spread_as_finite_differences_say():
    # Dig, flood, reading, dig (its product read), flood, reading, flood, today.
    shares = np.array([0.3, 0.0, 0.25, 0.0, 0.0])
    kept = np.array([1.0, 0.7, 1.0, 0.5, 0.8])
    before, after = played(shares, kept, np.zeros(5))
    told = np.array([False, True, True, True])
    step, columns = 1e-5, []
    for dig in (0, 2):
        off = np.zeros(5)
        off[dig] = step
        moved = np.log1p(-played(shares, kept, off)[0]) - np.log1p(-before)
        columns.append(LEDGER_SD * moved[[1, 2, 3, 4]] / step)
    found = ledger_covariance(
        depletion=before[:4],
        dug_to=np.where(shares[:4] > 0, after[:4], np.nan),
        is_reading=told,
        kept_log=np.log(np.cumprod(kept)),
    )
    # A later dig starts where the first one's error has led: its effect changes with it, which to first order
    # in the share dug is left out.
    plain = np.array(columns)
    np.testing.assert_allclose(found[:2, :2], plain[0][:2, None] * plain[0][:2], rtol=1e-3)
    np.testing.assert_allclose(found, plain.T @ plain, rtol=0.35, atol=1e-3)
    assert (np.linalg.eigvalsh(found) > -1e-12).all()


def test_readings_correct_the_ledger_as_dense_algebra_does():
    rng = np.random.default_rng(4)
    ways, draws = 4000, 4000
    root = np.array([[0.3, 0.0, 0.0], [0.2, 0.2, 0.0], [0.25, 0.1, 0.1]])
    drawn = rng.standard_normal((3, ways))
    drawn -= drawn.mean(axis=1, keepdims=True)
    state = root @ drawn - 2.0
    ledger = np.array([[0.04, 0.02, 0.02], [0.02, 0.05, 0.03], [0.02, 0.03, 0.06]])
    error = np.array([0.09, 0.16])
    reading = np.array([-4.5, -4.7])
    found = np.log(
        left_after_readings(
            foretold=state[:2], now=state[2], ledger=ledger, reading=reading, error_variance=error,
            fresh=np.full(draws, -3.0), rng=rng,
        )
    )  # fmt: skip
    joint = np.cov(state) + ledger
    gain = np.linalg.solve(joint[:2, :2] + np.diag(error), joint[:2, 2])
    mean = -2.0 + gain @ (reading + 3.0 + 2.0)
    variance = joint[2, 2] - gain @ joint[:2, 2]
    assert found.mean() == pytest.approx(mean, abs=0.02)
    assert found.var() == pytest.approx(variance, rel=0.08)
    # The wrong twin, which leaves the ledger as it is, would be seen.
    assert abs(mean + 2.0) > 0.15
    assert variance < 0.8 * joint[2, 2]


def test_a_bed_found_richer_than_fresh_is_whole_and_no_more():
    found = left_after_readings(
        foretold=np.full((1, 24), -0.5), now=np.full(24, -0.5), ledger=np.full((2, 2), 0.1),
        reading=np.array([0.0]), error_variance=np.array([0.05]), fresh=np.full(240, -3.0),
        rng=np.random.default_rng(1),
    )  # fmt: skip
    assert (found == 1.0).all()


def test_how_likely_repeats_are_as_scipy_says():
    """SciPy's multivariate normal, pace by pace and share by share."""
    rng = np.random.default_rng(8)
    value, error = rng.normal(-2.5, 0.5, 4), rng.uniform(0.05, 0.3, 4)
    foretold, kept_log = rng.normal(-0.3, 0.2, (3, 4)), -np.sort(rng.uniform(0, 2, (3, 4)))
    unmoved = np.exp(-np.abs(kept_log[:, :, None] - kept_log[:, None, :]))
    root = rng.normal(0, 0.2, (4, 4))
    ledger, share = root @ root.T, np.array([0.1, 0.5, 0.9])
    given = {
        "value": value, "error_variance": error, "foretold": foretold, "unmoved": unmoved, "ledger": ledger,
        "lasting_share": share, "middle_logit": -3.0, "still_variance": 1.1, "moving_variance": 0.4,
    }  # fmt: skip
    found = repeats_log_likelihood(**given)
    for step in range(3):
        for k in range(3):
            alike = share[k] + (1 - share[k]) * unmoved[step]
            law = multivariate_normal(-3.0 + foretold[step], 1.1 + 0.4 * alike + ledger + np.diag(error))
            assert found[step, k] == pytest.approx(law.logpdf(value), rel=1e-9)
    # The wrong twins, the bed renewed and the share, would be seen.
    for wrong in ({"unmoved": 1 - unmoved + np.eye(4)}, {"lasting_share": 1 - share}):
        assert np.abs(repeats_log_likelihood(**(given | wrong)) - found).max() > 0.01
