"""Where to go this morning: digging or looking, held to closed forms and to brute force."""

from __future__ import annotations

import re
from dataclasses import replace
from statistics import NormalDist

import numpy as np
import pytest

from washgrade.dig.choose import learning_gain_kg, next_step
from washgrade.dig.returns import Standing
from washgrade.errors import InputError

NORMAL = NormalDist()


def says(sentence):
    return pytest.raises(InputError, match=f"^{re.escape(sentence)}$")


def standing(sd=(0.05, 0.05, 0.9, 0.05)):
    rng = np.random.default_rng(3)
    return Standing(
        fresh_load_kg=np.exp(rng.normal(0, sd, (800, 4))) * [0.5, 0.45, 0.3, 0.25],
        loads_held=np.full(4, 300.0),
        depletion=np.zeros(4),
    )


def even_normals(count, reaches, seed):
    """Draws whose means, variances and correlations are exactly those of independent standard normals."""
    drawn = np.random.default_rng(seed).standard_normal((count, reaches))
    drawn -= drawn.mean(axis=0)
    return drawn @ np.linalg.inv(np.linalg.cholesky(drawn.T @ drawn / count)).T


def test_the_gain_of_a_look_is_the_closed_form_of_one_choice_between_two():
    """E max(m', b) - max(m, b), m' lognormal: m N(d) - b N(d - s) (Black 1976, J. Financial Economics 3)."""
    count, error = 200_000, 0.35
    log = even_normals(count, 2, 1) * [0.7, 1e-9]
    day = np.exp(log) * [6.0, 9.0]
    found = learning_gain_kg(day[None], log, error_log_sd=error, days=1)
    mean, other = day.mean(axis=0)
    moves = 0.7**2 / (0.7**2 + error**2) ** 0.5
    d = np.log(mean / other) / moves + moves / 2
    expected = mean * NORMAL.cdf(d) - other * NORMAL.cdf(d - moves)
    assert found[0] == pytest.approx(expected, rel=0.01)
    assert found[1] == pytest.approx(0.0, abs=1e-6)


@pytest.mark.parametrize("days", [1, 2, 4])
def test_the_gain_of_a_look_is_that_of_brute_force(days):
    """For every outcome of a look the draws are weighed by how well they foretell it."""
    rng = np.random.default_rng(5)
    count, error = 40_000, 0.4
    # Three reaches: the first two are alike, the third stands alone and is better known.
    shared = rng.standard_normal(count)
    log = np.column_stack([
        0.6 * shared + 0.2 * rng.standard_normal(count), 0.6 * shared + 0.3 * rng.standard_normal(count),
        0.2 * rng.standard_normal(count),
    ])  # fmt: skip
    first = np.exp(log) * [6.0, 7.0, 9.0]
    day = np.stack([first, 0.7 * first])
    found = learning_gain_kg(day, log, error_log_sd=error, days=days)

    def best(means):
        return np.sort(means.ravel())[::-1][:days].sum()

    now = best(day.mean(axis=1))
    for reach in range(3):
        outcome = np.linspace(-4.5, 4.5, 181)
        looks = log[:, reach].mean() + np.hypot(log[:, reach].std(), error) * outcome
        chance = np.exp(-0.5 * outcome**2)
        expected = -now
        for look, part in zip(looks, chance / chance.sum(), strict=True):
            weight = np.exp(-0.5 * ((look - log[:, reach]) / error) ** 2)
            expected += part * best(np.einsum("tdr,d->tr", day, weight / weight.sum()))
        assert found[reach] == pytest.approx(expected, rel=0.03, abs=0.01)
        if reach == 0:
            # The wrong twin, to which a look tells of no other reach, would be seen.
            alone = day.mean(axis=1)[:, None, :].repeat(count, axis=1)
            alone[:, :, reach] = day[:, :, reach]
            wrong = learning_gain_kg(alone, log, error_log_sd=error, days=days)[reach]
            assert abs(wrong / expected - 1) > 0.1


def test_looks_go_where_they_may_change_the_choice():
    step = next_step(standing(), days=3)
    assert (step.reach, step.look_first) == (2, True)
    assert step.gain_kg > 0


def test_the_step_is_the_gain_less_the_loads_that_the_look_costs():
    told = next_step(standing(), days=3)
    # By hand: so many of 300 loads, the richest first, is on the Lorenz curve of a lognormal with sd 0.4,
    # Phi(Phi^-1(q) + 0.4); days of 60 loads, 57 with a sample.
    part = {loads: NORMAL.cdf(NORMAL.inv_cdf(loads / 300) + 0.4) for loads in (57, 60, 120, 180)}
    load_kg = standing().fresh_load_kg
    day_kg = 300.0 * load_kg * np.diff([0.0, part[60], part[120], part[180]])[:, None, None]
    gain = learning_gain_kg(day_kg, np.log(load_kg), error_log_sd=0.35, days=3)
    cost = 300.0 * load_kg[:, 0].mean() * (part[60] - part[57])
    assert told.gain_kg == pytest.approx(gain[2] - cost)
    assert told.day_kg == pytest.approx(day_kg[0][:, 0].mean())


def test_looks_of_the_day_are_paid_from_its_loads():
    """Two samples of 3 loads leave 54 of the day: the third costs the last 3 of those, the dearer ones."""
    looked = np.array([False, True, False, True])
    told = next_step(standing(), days=3, looked=looked)
    part = {loads: NORMAL.cdf(NORMAL.inv_cdf(loads / 300) + 0.4) for loads in (51, 54, 57, 60, 120, 180)}
    load_kg = standing().fresh_load_kg
    assert told.look_first
    assert told.day_loads == 54.0
    assert told.day_kg == pytest.approx(300.0 * load_kg[:, 0].mean() * part[54])
    day_kg = 300.0 * load_kg * np.diff([0.0, part[60], part[120], part[180]])[:, None, None]
    gain = learning_gain_kg(day_kg, np.log(load_kg), error_log_sd=0.35, days=3)
    assert told.gain_kg == pytest.approx(gain[2] - 300.0 * load_kg[:, 0].mean() * (part[54] - part[51]))
    assert part[54] - part[51] > part[60] - part[57]


def test_looks_end_when_half_of_the_day_is_gone():
    cheap = {"days": 10, "sample_loads": 14}
    one, two = np.array([False, True, False, False]), np.array([False, True, False, True])
    assert next_step(standing(), looked=one, **cheap).look_first
    told = next_step(standing(), looked=two, **cheap)
    assert (told.look_first, told.reach) == (False, 0)


def test_days_to_come_count_up_to_fifteen():
    steps = [next_step(standing(), days=days) for days in (3, 6, 15, 100)]
    gains = [step.gain_kg for step in steps if step.look_first]
    assert len(gains) == 4
    assert gains[0] != gains[1] != gains[2] == gains[3]
    # The last day by itself: by hand, as in `test_the_step_is_the_gain_less_the_loads_that_the_look_costs`.
    part = {loads: NORMAL.cdf(NORMAL.inv_cdf(loads / 300) + 0.4) for loads in (57, 60)}
    load_kg = standing().fresh_load_kg
    gain = learning_gain_kg(300.0 * load_kg[None] * part[60], np.log(load_kg), error_log_sd=0.35, days=1)
    cost = 300.0 * load_kg[:, 0].mean() * (part[60] - part[57])
    last = next_step(standing(), days=1)
    assert last.look_first == (gain[2] > cost)
    assert last.gain_kg == pytest.approx(max(gain.max() - cost, 0.0))


def test_a_dear_or_useless_look_is_not_taken():
    dear = next_step(standing(), days=3, sample_loads=59)
    assert (dear.reach, dear.look_first, dear.gain_kg) == (0, False, 0.0)
    assert not next_step(standing(), days=3, error_log_sd=30.0).look_first


def test_closed_looked_and_dug_reaches_are_passed_over():
    looked = np.array([False, False, True, False])
    assert not next_step(standing(), days=3, looked=looked).look_first
    closed = np.array([False, True, False, True])
    step = next_step(standing(), days=3, open_reach=closed)
    assert (step.reach, step.look_first) == (1, False)
    alone = next_step(standing(), sample_loads=0, open_reach=looked)
    assert (alone.reach, alone.look_first) == (2, False)
    gone = replace(standing(), depletion=np.array([0.99, 0.0, 0.0, 0.0]))
    assert next_step(gone, looked=np.ones(4, bool)).reach != 0


def test_wrong_input_is_named():
    with says("Invalid 'open_reach'. At least one reach must be open."):
        next_step(standing(), open_reach=np.zeros(4, bool))
    with says("Invalid 'sample_loads' of 60. It must be a finite number of at least 0 and below 60."):
        next_step(standing(), sample_loads=60)
    with says(
        "Invalid 'day_kg' and 'reading_log' of shapes (1, 5, 2) and (5, 3). They must be times by draws by "
        "reaches, and as many draws, at least 2, by reaches."
    ):
        learning_gain_kg(np.ones((1, 5, 2)), np.zeros((5, 3)), error_log_sd=0.3)
