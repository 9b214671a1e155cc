"""Memory, stock and learning: fast equals plain, known answers, and what is said of wrong input."""

from __future__ import annotations

import re

import numpy as np
import pytest
from scipy.stats import beta, norm

from washgrade.errors import InputError
from washgrade.sand.covariance import distances, tail_down_exponential, tail_up_exponential
from washgrade.sand.tree import Tree
from washgrade.storm.learn import LASTING_A, LASTING_B, Looks, Prior, Repeats, lasting_shares, learn
from washgrade.storm.memory import carried_share, carry_extra_variance, network_memory
from washgrade.storm.refill import new_sand_share, reach_mean, refill_wanted, settle_share, travel_share
from washgrade.storm.season import order_events, replay


def says(sentence):
    return pytest.raises(InputError, match=f"^{re.escape(sentence)}$")


# Memory


def test_memory_of_a_network():
    assert network_memory(np.zeros(5)) == 1.0
    assert network_memory(np.ones(5)) == 0.0
    assert network_memory([0.2, 0.8], [3.0, 1.0]) == pytest.approx(0.65)
    with says("Invalid 'share_reworked' of 1.5. It must be a finite number of at least 0 and of at most 1."):
        network_memory([1.5])
    with says("Invalid 'length_m'. The network must have a length above 0."):
        network_memory([0.5], [0.0])


def test_carried_share_equals_a_plain_loop():
    rng = np.random.default_rng(1)
    floods, memory = rng.integers(0, 30, 25).astype(float), rng.uniform(0, 1, 25)
    memory[3] = 0.0
    samples = rng.integers(0, 21, 40).astype(float)
    found = carried_share(sample_day=samples, flood_day=floods, memory=memory, on_day=20)
    plain = [
        np.prod([k for day, k in zip(floods, memory, strict=True) if one < day <= 20]) for one in samples
    ]
    np.testing.assert_allclose(found, plain)


def test_what_lasts_is_never_forgotten():
    few = {"sample_day": [1, 5], "flood_day": [3, 7], "memory": [0.0, 0.5], "on_day": 9}
    assert carried_share(**few, lasting_share=0.4).tolist() == [0.4, pytest.approx(0.7)]
    space = np.array([[1.0, 0.8], [0.8, 1.0]])
    time = 0.4 + 0.6 * chain_covariance([1.0, 5.0, 9.0], [3.0, 7.0], [0.0, 0.5])
    assert np.linalg.eigvalsh(np.kron(time, space)).min() > 0
    with says("Invalid 'lasting_share' of 2. It must be a finite number of at least 0 and of at most 1."):
        carried_share(**few, lasting_share=2)


def test_each_place_may_have_its_own_memory():
    own = np.array([[0.5, 0.9], [0.8, 0.1]])
    found = carried_share(sample_day=[1, 6], flood_day=[5, 7], memory=own, on_day=9)
    np.testing.assert_allclose(found, [0.4, 0.1])
    # Told backwards, field and readings together stay positive definite whatever the loadings.
    field = np.array([[1.0, 0.9], [0.9, 1.0]])
    loading = np.diag(found)
    noise = np.diag(carry_extra_variance(found, 1.0))
    joint = np.block([[field, field @ loading], [loading @ field, loading @ field @ loading + noise]])
    assert np.linalg.eigvalsh(joint).min() > 0
    # Without the extra noise the readings would be the field itself.
    joint[2:, 2:] -= noise
    assert np.linalg.eigvalsh(joint).min() < 1e-12


def test_same_day_and_no_flood_leave_a_sample_whole():
    assert carried_share(sample_day=[5], flood_day=[5], memory=[0.0], on_day=5).tolist() == [1.0]
    assert carried_share(sample_day=[5], flood_day=[], memory=[], on_day=900).tolist() == [1.0]
    assert carried_share(sample_day=[5], flood_day=[9], memory=[0.3], on_day=8).tolist() == [1.0]
    with says("Invalid 'sample_day'. No sample may be later than the day asked for."):
        carried_share(sample_day=[5], flood_day=[], memory=[], on_day=4)
    with says(
        "Invalid 'memory' of shape (0,). It must have one value for each of the 1 floods, or one for each "
        "flood and sample."
    ):
        carried_share(sample_day=[5], flood_day=[1], memory=[], on_day=5)


def chain_covariance(days, floods, memory):
    """Product of the kappas between each two days."""
    return np.array([
        [carried_share(sample_day=[min(a, b)], flood_day=floods, memory=memory, on_day=max(a, b))[0] for a in
        days] for b in days
    ])  # fmt: skip


def test_space_and_time_together_are_positive_definite():
    """Tail-up covariance times the chain's; a memory for every node would change T's covariance."""
    tree = Tree(
        downstream=np.array([2, 2, 4, 4, -1], np.int32),
        length_m=np.array([30.0, 50, 40, 20, 0]),
        weight=np.array([1.0, 2, 3.5, 1, 5]),
    )
    space = tail_up_exponential(distances(tree), variance=1.0, range_m=100.0)
    days = [0.0, 3.0, 8.0, 20.0]
    time = chain_covariance(days, [2.0, 5.0, 9.0], [0.7, 0.0, 0.4])
    joint = np.kron(time, space)
    assert np.linalg.eigvalsh(joint).min() > -1e-12
    np.testing.assert_allclose(time, time.T)
    # A wrong product (1 + kappa off the diagonal, as by forgetting a flood on the way back) has a negative
    # direction.
    assert np.linalg.eigvalsh(np.kron(2 * time - np.eye(4), space)).min() < -0.1
    # With a memory for every node the field after a flood is no longer T: its covariance has changed.
    own = np.array([0.9, 0.1, 0.5, 0.8, 0.2])
    after = np.outer(own, own) * space + np.diag(1 - own**2)
    assert np.abs(after - space).max() > 0.1
    one = 0.5
    np.testing.assert_allclose(one**2 * space + (1 - one**2) * space, space)


def test_old_samples_are_nearly_as_good_as_the_exact_model_makes_them():
    """Dense, 12 random networks: the true error is within 2 % of the least possible, and told within 5 %."""
    rng = np.random.default_rng(0)
    variance, error, count, readings = 0.32, 0.15, 40, 20
    ratios = []
    for _ in range(12):
        downstream = np.array([min(count - 1, i + int(rng.geometric(0.4))) for i in range(count)], np.int32)
        downstream[-1] = -1
        weight = rng.uniform(0.2, 1, count)
        for i in range(count - 1):
            weight[downstream[i]] += weight[i]
        length = np.where(downstream < 0, 0.0, rng.uniform(20, 80, count))
        apart = distances(Tree(downstream=downstream, length_m=length, weight=weight))
        moving = tail_up_exponential(apart, variance=variance, range_m=300.0)
        lasting = tail_down_exponential(apart, variance=variance, range_m=1200.0)
        node, day = rng.integers(0, count, readings), rng.integers(0, 3, readings)
        floods, memory = [0.5, 1.5], rng.uniform(0.3, 0.95, 2)
        at = np.ix_(node, node)
        own = carried_share(sample_day=day, flood_day=floods, memory=memory, on_day=2)
        exact = chain_covariance(day, floods, memory) * moving[at] + lasting[at] + error * np.eye(readings)
        with_age = np.outer(own, own) * moving[at] + lasting[at]
        with_age += np.diag(error + carry_extra_variance(own, variance))
        ageless = moving[at] + lasting[at] + error * np.eye(readings)
        to_today = own * moving[:, node] + lasting[:, node]
        row = []
        for taken_for, across in (
            (exact, to_today),
            (with_age, to_today),
            (ageless, moving[:, node] + lasting[:, node]),
        ):
            gain = np.linalg.solve(taken_for, across.T).T
            true = 2 * variance - 2 * np.sum(gain * to_today, 1) + np.sum((gain @ exact) * gain, 1)
            row += [np.sqrt(true), np.sqrt(2 * variance - np.sum(gain * across, 1))]
        ratios.append([np.mean(row[2] / row[0]), np.mean(row[3] / row[2]), np.mean(row[5] / row[4])])
    worse, told, told_ageless = np.mean(ratios, axis=0)
    assert 1 <= worse < 1.02
    assert told == pytest.approx(1, abs=0.05)
    assert told_ageless < 0.92


def test_the_memory_keeps_the_mean_squared_change():
    rng = np.random.default_rng(5)
    own = rng.uniform(0, 1, 50)
    # Each node keeps the share 1 - R of T: E(T' - T)^2 = 2 var R.
    assert 2 * (1 - network_memory(own)) == pytest.approx(np.mean(2 * own))


def test_extra_variance_makes_up_what_is_lost():
    share = np.array([1.0, 0.6, 0.0])
    np.testing.assert_allclose(share**2 * 0.5 + carry_extra_variance(share, 0.5), 0.5)


# Stock


def plain_replay(downstream, held, events, renewed, travels, settles, new):
    """The ledger as one would keep it on paper, beside one of the same network that nobody digs."""
    stock = held.astype(float).copy()
    taken = np.zeros(len(held))
    left = brought = 0.0
    for flood, reach, kilograms in zip(events.flood, events.reach, events.taken_kg, strict=True):
        if flood < 0:
            took = min(kilograms, stock[reach])
            stock[reach] -= took
            taken[reach] += took
            continue
        coming, usual = np.zeros(len(held)), np.zeros(len(held))
        for i in range(len(held)):
            lost = renewed[flood, i] * travels * held[i]
            old = (1.0 - new) * lost
            settled = min(old, settles * usual[i])
            missing = 1.0 - stock[i] / held[i]
            from_above = settled * coming[i] / usual[i] if usual[i] > 0 else 0.0
            from_slopes = new * lost + (old - settled) * (1.0 - missing)
            goes = renewed[flood, i] * travels * stock[i]
            stock[i] += from_above + from_slopes - goes
            brought += from_slopes
            left += new * goes
            if downstream[i] < 0:
                left += coming[i] - from_above + (1.0 - new) * goes
            else:
                coming[downstream[i]] += coming[i] - from_above + (1.0 - new) * goes
                usual[downstream[i]] += usual[i] - settled + old
    return stock, taken, left, brought


def season(seed, reaches=30, floods=6, digs=40):
    rng = np.random.default_rng(seed)
    downstream = np.array(
        [-1 if rng.random() < 0.1 else min(reaches - 1, i + int(rng.geometric(0.5))) for i in range(reaches)],
        np.int32,
    )
    downstream[-1] = -1
    downstream[downstream == np.arange(reaches)] = -1
    held = rng.uniform(0, 100, reaches)
    events = order_events(
        flood_day=rng.integers(0, 50, floods),
        dig_day=rng.integers(0, 50, digs),
        dig_reach=rng.integers(0, reaches, digs),
        dig_kg=rng.uniform(0, 60, digs),
    )
    return (
        downstream,
        held,
        events,
        rng.uniform(0, 1, (floods, reaches)),
    )


@pytest.mark.parametrize("seed", range(4))
def test_the_ledger_equals_paper(seed):
    downstream, held, events, renewed = season(seed)
    found = replay(
        downstream=downstream,
        held_kg=held,
        events=events,
        renewed_share=renewed,
        travels=0.6,
        settles=0.3,
        new_share=0.7,
    )
    stock, taken, left, brought = plain_replay(downstream, held, events, renewed, 0.6, 0.3, 0.7)
    np.testing.assert_allclose(found.stock_kg, stock, atol=1e-9)
    np.testing.assert_allclose(found.taken_kg, taken)
    assert found.left_kg == pytest.approx(left)
    assert found.supplied_kg.sum() == pytest.approx(brought)
    dug = np.bincount(
        events.reach[events.flood < 0], weights=events.taken_kg[events.flood < 0], minlength=len(held)
    )
    np.testing.assert_allclose(found.taken_kg + found.missing_kg, dug)


def test_a_dug_head_of_a_wash_refills_by_the_rule():
    """d <- 1 - (1 - d)(1 - q) for a dig; then d <- d (1 - R t n), n the share of new sand."""
    events = order_events(flood_day=[2, 4], dig_day=[1], dig_reach=[0], dig_kg=[70.0])
    for travels in (0.0, 0.3, 1.0):
        for new in (0.0, 0.5, 1.0):
            ledger = replay(
                downstream=np.array([-1], np.int32), held_kg=[100.0], events=events, settles=0.4,
                renewed_share=[[0.4], [0.5]], travels=travels, new_share=new, watch=[0],
            )  # fmt: skip
            falls = 0.7 * np.cumprod([1.0, 1 - 0.4 * travels * new, 1 - 0.5 * travels * new])
            np.testing.assert_allclose(ledger.history.ravel(), falls)


def test_a_reach_below_takes_what_comes_as_rich_as_it_comes():
    events = order_events(flood_day=[2], dig_day=[1, 1], dig_reach=[0, 1], dig_kg=[20.0, 100.0])
    ledger = replay(
        downstream=np.array([1, -1], np.int32), held_kg=[50.0, 100.0], events=events,
        renewed_share=[[0.5, 0.9]], travels=0.4, settles=0.5, new_share=0.5,
    )  # fmt: skip
    # Untouched, the upper reach loses and gains 10 kg, half of it new. With 30 of its 50 kg left it gives 6
    # up, 3 of them for good; it gets 5 kg of new sand and of its own 5 kg times 0.6. The lower reach would
    # lose 36 kg, 18 to new sand, and take of the other 18 half of the 5 that pass: it gets the 18, half of
    # the 3 that do pass, and of its own nothing, being empty.
    np.testing.assert_allclose(ledger.stock_kg, [32.0, 19.5])
    np.testing.assert_allclose(ledger.supplied_kg, [8.0, 18.0])
    assert ledger.left_kg == pytest.approx(3.0 + 1.5)


def test_sand_settles_after_ways_distributed_exponentially():
    """Far down a long channel what an emptied reach does not give is missing below by exp(-way / l)."""
    reaches, length_m, travel_m = 120, 40.0, 100.0
    settles = float(settle_share(length_m, travel_m=travel_m))
    empty = 80
    few = {
        "downstream": np.append(np.arange(1, reaches), -1).astype(np.int32), "held_kg": 1.0,
        "renewed_share": np.ones((1, reaches)), "settles": settles,
        "travels": float(travel_share(length_m, travel_m=travel_m)),
    }  # fmt: skip
    events = order_events(flood_day=[2], dig_day=[1], dig_reach=[empty], dig_kg=[1.0])
    missing = replay(**few, events=events).depletion[empty + 1 : empty + 20]
    np.testing.assert_allclose(missing[1:] / missing[:-1], np.exp(-length_m / travel_m), rtol=1e-9)
    # All the old sand that was not given is missing somewhere below; the new half comes all the same.
    assert missing.sum() == pytest.approx(0.5 * few["travels"], rel=1e-3)


def test_an_untouched_network_stays_as_it_is():
    downstream, held, _, renewed = season(9)
    events = order_events(flood_day=np.arange(6), dig_day=[], dig_reach=[], dig_kg=[])
    for new in (0.0, 0.6):
        kept = replay(
            downstream=downstream, held_kg=held, events=events, renewed_share=renewed, travels=0.6,
            settles=0.2, new_share=new,
        )  # fmt: skip
        np.testing.assert_allclose(kept.stock_kg, held, rtol=1e-12)
        assert kept.left_kg == pytest.approx(kept.supplied_kg.sum())


def test_the_share_of_new_sand_is_what_the_ledger_comes_to():
    downstream, held, _, _ = season(3)
    few = {"downstream": downstream, "held_kg": held, "travels": 0.7, "settles": 0.3, "new_share": 0.4}
    fresh = new_sand_share(**few)
    for reach in range(len(held)):
        events = order_events(flood_day=[2], dig_day=[1], dig_reach=[reach], dig_kg=[0.6 * held[reach]])
        after = replay(**few, events=events, renewed_share=np.full((1, len(held)), 0.5), watch=[reach])
        np.testing.assert_allclose(after.history.ravel(), [0.6, 0.6 * (1 - 0.5 * fresh[reach])])


def test_the_order_of_import_is_irrelevant():
    few = {"flood_day": [3, 1], "dig_day": [1, 3, 3], "dig_reach": [2, 1, 0], "dig_kg": [1.0, 2.0, 3.0]}
    one = order_events(**few)
    assert one.flood.tolist() == [1, -1, 0, -1, -1]
    assert one.reach.tolist() == [-1, 2, -1, 0, 1]
    other = order_events(flood_day=[3, 1], dig_day=[3, 1, 3], dig_reach=[0, 2, 1], dig_kg=[3.0, 1.0, 2.0])
    np.testing.assert_array_equal(one.reach, other.reach)
    np.testing.assert_array_equal(one.taken_kg, other.taken_kg)


def test_wrong_seasons():
    events = order_events(flood_day=[1], dig_day=[1], dig_reach=[5], dig_kg=[1.0])
    few = {"downstream": np.array([1, -1], np.int32), "held_kg": 1.0, "travels": 0.5, "settles": 0.5}
    with says("Invalid 'reach' of an event. It must be between 0 and 1."):
        replay(**few, events=events, renewed_share=np.zeros((1, 2)))
    with says("Invalid 'renewed_share' of shape (1, 3). It must be floods by 2 reaches."):
        replay(**few, events=events, renewed_share=np.zeros((1, 3)))
    with says("Invalid 'stock_kg'. No reach may start with more than 'held_kg'."):
        replay(**few, events=events, renewed_share=np.zeros((1, 2)), stock_kg=2.0)
    with says("Invalid 'settles' of shape (3,). It must fit 1 floods by 2 reaches."):
        replay(**few | {"settles": np.zeros(3)}, events=order_events(flood_day=[1], dig_day=[],
        dig_reach=[], dig_kg=[]),
               renewed_share=np.zeros((1, 2)))  # fmt: skip
    with says("Invalid 'held_kg' of shape (3,). It must be one value, or one for each of the 2 reaches."):
        replay(**few | {"held_kg": np.ones(3)}, events=events, renewed_share=np.zeros((1, 2)))
    with says("Invalid digs of 2 days, 1 reaches and 1 weights. There must be as many of each."):
        order_events(flood_day=[], dig_day=[1, 2], dig_reach=[0], dig_kg=[1.0])


def test_travel_and_means():
    """Against a Monte Carlo of exponential ways that begin anywhere in the reach."""
    rng = np.random.default_rng(0)
    begin, way = rng.uniform(0, 60, 200_000), rng.exponential(100, 200_000)
    assert travel_share([60.0])[0] == pytest.approx(np.mean(begin + way > 60), abs=0.004)
    assert reach_mean(np.array([1.0, 3.0, 5.0]), np.array([1, 1, 2], np.int32), 4).tolist() == [0, 2, 5, 0]
    assert refill_wanted(0.0) == 0
    assert refill_wanted(1.0, fresh=0.5, refilled_at=0.2) == pytest.approx(1.6)
    assert refill_wanted(1.0, refilled_at=0.1) == pytest.approx(0.9)


# Learning


def test_without_records_the_prior_stays():
    learnt = learn()
    np.testing.assert_allclose(learnt.posterior_weights, learnt.prior_weights)
    assert learnt.records == 0
    for probability in (0.05, 0.5, 0.9):
        assert learnt.severity(probability) == pytest.approx(np.exp(0.7 * norm.ppf(probability)), rel=0.01)
        assert learnt.refill_scale(probability) == pytest.approx(
            np.exp(0.8 * norm.ppf(probability)), rel=0.01
        )


def test_marks_give_the_conjugate_answer():
    ratio, sd = np.array([1.0, 0.4, 1.3]), np.array([0.3, 0.5, 0.4])
    learnt = learn(mark_log_ratio=ratio, mark_log_sd=sd)
    weight = 1 / (sd**2 + 0.5**2)
    variance = 1 / (weight.sum() + 1 / 0.7**2)
    mean = variance * (weight * ratio).sum()
    for probability in (0.1, 0.5, 0.9):
        expected = np.exp(mean + variance**0.5 * norm.ppf(probability))
        assert learnt.severity(probability) == pytest.approx(expected, rel=0.01)
        # The refill rate hears nothing of marks.
        assert learnt.refill_scale(probability) == pytest.approx(learnt.refill_scale(probability, prior=True))


def test_looks_move_the_severity_their_way():
    few = {"scour_m": np.full(6, 0.05), "wetted_share": np.ones(6), "depth_m": np.full(6, 0.1)}
    moved = learn(looks=Looks(**few, moved=np.ones(6, bool)))
    still = learn(looks=Looks(**few, moved=np.zeros(6, bool)))
    assert still.severity(0.5) < 1 < moved.severity(0.5)


def test_lasting_shares_stand_for_their_beta_distribution():
    """Moments of the beta distribution, from SciPy."""
    share, weight = lasting_shares()
    for power in range(1, 15):
        assert weight @ share**power == pytest.approx(beta(LASTING_A, LASTING_B).moment(power), rel=1e-9)
    learnt = learn()
    assert learnt.lasting_share == pytest.approx(LASTING_A / (LASTING_A + LASTING_B))
    for probability in (0.1, 0.5, 0.9):
        assert learnt.lasting(probability) == pytest.approx(learnt.lasting(probability, prior=True))
        assert learnt.lasting(probability) == pytest.approx(
            beta(LASTING_A, LASTING_B).ppf(probability), abs=0.04
        )


def test_repeats_give_the_conjugate_answers():
    """A normal likelihood of the pace and a binomial one of the lasting share: closed forms."""
    pace, share = np.linspace(-4, 4, 801), lasting_shares()[0]
    of_pace = -0.5 * ((pace + 1.2) / 0.3) ** 2
    of_share = 4 * np.log(share) + 3 * np.log(1 - share)
    repeats = Repeats(strength_log=pace, log_likelihood=of_pace[:, None] + of_share, records=7)
    learnt = learn(repeats=repeats, prior=Prior(severity_log_sd=0.001))
    assert learnt.records == 7
    # The pace is that of the severity, here 1, less that of S0: normal times normal.
    variance = 1 / (1 / 0.8**2 + 1 / 0.3**2)
    for probability in (0.1, 0.5, 0.9):
        expected = np.exp(variance * 1.2 / 0.3**2 + variance**0.5 * norm.ppf(probability))
        assert learnt.refill_scale(probability) == pytest.approx(expected, rel=0.02)
    assert learnt.lasting_share == pytest.approx((LASTING_A + 4) / (LASTING_A + LASTING_B + 7), rel=1e-9)
    # The wrong twin, severity and refill the other way round, would be seen.
    assert abs(np.log(learnt.refill_scale(0.5))) > 1.0


def test_nine_in_ten_intervals_hold_nine_in_ten_times():
    """Severity drawn from the prior, marks from the model: the 80 % interval holds it about as often."""
    rng = np.random.default_rng(11)
    inside = 0
    for _ in range(300):
        true = rng.normal(0, 0.7)
        ratio = true + rng.normal(0, np.hypot(0.5, 0.3), 4)
        learnt = learn(mark_log_ratio=ratio, mark_log_sd=np.full(4, 0.3))
        inside += learnt.severity(0.1) <= np.exp(true) <= learnt.severity(0.9)
    # Binomial standard error 2.3 %.
    assert inside / 300 == pytest.approx(0.8, abs=0.07)


def test_wrong_records_to_learn_from():
    with says("Invalid marks with columns of 2, 1 values. They must be equally long."):
        learn(mark_log_ratio=[1, 2], mark_log_sd=[1])
    with says("Invalid looks with columns of 1, 0, 0, 0 values. They must be equally long."):
        learn(looks=Looks(scour_m=np.array([0.1])))
    with says("Invalid 'log_likelihood' of shape (2, 3). It must be 2 steps by 8 lasting shares."):
        learn(repeats=Repeats(strength_log=np.array([0.0, 1.0]), log_likelihood=np.zeros((2, 3))))
    with says("Invalid 'storm_log_sd' of 0. It must be a finite number above 0."):
        Prior(storm_log_sd=0)
