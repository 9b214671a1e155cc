"""What floods and digs did on the demo site, held against the truth that its script knows.

The script's floods and digging are not of washgrade's forms (demo_site/make_demo_site.py): gamma depths of
scour, flow a power of area and rain, strips dug the richest first.
"""

from __future__ import annotations

import csv
import json
import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner
from scipy.spatial import cKDTree

from washgrade import survey
from washgrade.cli import main

ROOT = Path(__file__).resolve().parents[2]
DAY = "2026-03-01"


@pytest.fixture(scope="module")
def site(tmp_path_factory):
    folder = tmp_path_factory.mktemp("past") / "demo"
    survey.run_demo(folder)
    return folder


@pytest.fixture(scope="module")
def ranking(site):
    return survey.rank(survey.estimate(site, on=DAY))


@pytest.fixture(scope="module")
def truth(ranking):
    """True means over the nodes of each reach, by column of truth.csv."""
    with (ROOT / "demo_site" / "truth.csv").open(encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    nodes, count = ranking.estimate.channels.nodes, len(ranking)
    place = np.array([(float(row["easting_m"]), float(row["northing_m"])) for row in rows])
    away_m, nearest = cKDTree(place).query(np.column_stack([nodes.easting_m, nodes.northing_m]))
    known = away_m <= 8.0
    number = np.bincount(nodes.reach[known], minlength=count)

    def means(name):
        value = np.array([float(row[name]) for row in rows])[nearest[known]]
        total = np.bincount(nodes.reach[known], weights=value, minlength=count)
        return np.where(number > 0, total / np.maximum(number, 1), np.nan)

    return {name: means(name) for name in ("grade", "left_share", "fresh_share")}


def run(*words):
    done = CliRunner().invoke(main, [str(word) for word in words])
    assert done.exit_code == 0, done.output
    return done.stdout


def test_what_was_dug_out_is_found_so(ranking, truth):
    """Where little is left in truth, little is reckoned: and all else is reckoned whole."""
    left = 1.0 - ranking.remains.depletion
    dug = np.unique([part.reach for part in ranking.estimate.past.dug])
    assert 3 <= len(dug) <= 6
    poor = truth["left_share"] < 0.75
    assert poor.any()
    far = np.ones(len(left), bool)
    far[dug] = False
    assert left[dug].max() < 0.8
    # Reaches just below a dug one lack what it does not hand down; all others are whole.
    assert np.quantile(left[far], 0.02) > 0.9
    # A dug stretch of the truth reaches over the ends of the reach that the notebook knows, so the truth is
    # less dug there on the mean.
    assert np.abs(left[dug] - truth["left_share"][dug]).mean() < 0.3


def test_fresh_beds_are_found_where_the_last_storm_laid_them(ranking, truth):
    fresh, true = ranking.estimate.past.fresh_share, truth["fresh_share"]
    known = np.isfinite(true)
    assert np.corrcoef(fresh[known], true[known])[0, 1] > 0.2
    # The mean is within a factor of two: it hangs on the severity, which the record has taught.
    assert 0.5 < fresh[known].mean() / true[known].mean() < 2.0


def test_the_record_teaches_the_severity(ranking):
    learnt = ranking.estimate.past.learnt
    assert learnt.records > 10

    def spread(prior):
        return np.log(learnt.severity(0.9, prior=prior) / learnt.severity(0.1, prior=prior))

    assert spread(False) < 0.7 * spread(True)


def test_heeding_floods_beats_taking_all_samples_as_of_today(ranking, truth):
    """The twin on purpose wrong takes every reading as of today's bed and no dig as dug."""
    from washgrade.sand.grade import grades
    from washgrade.sand.weighed import weigh

    found = ranking.estimate
    known = np.isfinite(truth["grade"])
    logit = np.log(truth["grade"][known] / (1 - truth["grade"][known]))

    def score(draws):
        """Log density of the truth under a normal of the draws' logits: high if near and honest."""
        z = np.log(draws[:, known] / (1 - draws[:, known]))
        return float(np.mean(-0.5 * ((logit - z.mean(axis=0)) / z.std(axis=0)) ** 2 - np.log(z.std(axis=0))))

    seen = found.past.readings
    heedless = weigh(
        found.channels,
        replace(seen, carried=np.ones(len(seen))),
        shape=found.layers.shape,
        settings=found.settings.sampling,
    )
    blind = grades(found.channels, heedless, rng=np.random.default_rng(1), cutoff_grade=0.1)
    assert score(found.grade.reach_draws) > score(blind.reach_draws)


def test_the_ranking_says_what_is_left_and_what_would_refill_it(site, ranking):
    told = json.loads(run("rank", site, "--on", DAY, "--json"))["reaches"]
    dug = [row for row in told if any("Dug last on" in note for note in row["notes"])]
    assert dug
    for row in dug:
        assert row["loads_left"] < row["loads_held"]
        assert set(row["stock_kg"]) == {"mean", "p10", "p50", "p90"}
    # The truth has 47 % of its magnetics left where least is: poor, and not yet worked out.
    least = min(dug, key=lambda row: row["loads_left"] / row["loads_held"])
    assert 0.2 < least["loads_left"] / least["loads_held"] < 0.4
    assert any(row["refill"] is not None for row in dug)
    # A reach that nobody dug lacks what those above it did not hand down, and says so.
    for row in told:
        if row["refill"] is not None and row not in dug:
            assert any("Reaches above it were dug" in note for note in row["notes"])
    assert all(row["refill"] is None for row in told if row["loads_left"] > 0.95 * row["loads_held"])
    assert [row["rank"] for row in told] == list(range(1, len(told) + 1))


def test_worked_out_reaches_rank_behind_all_that_are_open(ranking):
    found = ranking.estimate
    strict = replace(found, settings=replace(found.settings, depleted_share=0.4))
    told = survey.rank(strict).as_json()["reaches"]
    worst = max(row["rank"] for row in told if not row["depleted"] and "no-go" not in " ".join(row["notes"]))
    assert min(row["rank"] for row in told if row["depleted"]) > 0.5 * worst


def test_the_ranking_says_what_to_do_first(site, ranking):
    """The plain twin looks at all reaches, not at the richest alone."""
    from washgrade.dig.choose import next_step
    from washgrade.survey.firststep import first_step

    step = first_step(ranking)
    seen, nodes = ranking.estimate.past.readings, ranking.estimate.channels.nodes
    today = nodes.reach[seen.node[seen.day == np.datetime64(DAY)]]
    plain = next_step(
        ranking.stock.standing().chosen_by_eye(ranking.estimate.settings.found_by_eye),
        open_reach=~ranking.closed & ~ranking.stock.depleted,
        looked=np.isin(np.arange(len(ranking)), today),
    )
    assert (step.reach, step.look_first) == (plain.reach, plain.look_first)
    assert step.gain_kg == pytest.approx(plain.gain_kg)
    # Fewer days to come make samples pay less, and the settings say how many.
    found = ranking.estimate
    last = replace(ranking, estimate=replace(found, settings=replace(found.settings, days_to_come=1)))
    assert first_step(last).gain_kg < step.gain_kg or not step.look_first
    name = str(ranking.estimate.channels.reaches.reach_id[step.reach])
    said = f"A sample in {name} first: " if step.look_first else f"bring most in {name}: "
    told = run("rank", site, "--on", DAY)
    assert said in told
    assert said in run("where", site, "--on", DAY)
    gain = re.search(r"expected to bring ([0-9.]+) kg of magnetics more", told)
    assert (gain is not None) == step.look_first
    if gain:
        assert float(gain[1]) == pytest.approx(step.gain_kg, rel=0.05)
    first = json.loads(run("rank", site, "--on", DAY, "--json", "--top", 1))["first"]
    assert first == {
        "reach": name, "sample": step.look_first, "gain_kg": pytest.approx(step.gain_kg),
        "day_kg": pytest.approx(step.day_kg),
    }  # fmt: skip


def test_storms_are_told_as_a_table_and_by_reach(site):
    text = run("storm", site, "--on", DAY)
    assert "7 storms up to 2026-03-01" in text
    assert "flood mark" in text
    assert "did not run" in text
    assert "The mark tells of" in text
    assert "beforehand" in text
    told = json.loads(run("storm", site, "--on", DAY, "--json"))
    assert [one["source"] for one in told["storms"]] == [
        "rain",
        "none",
        "rain",
        "mark",
        "mark",
        "rain",
        "rain",
    ]
    for one in told["storms"]:
        assert all(0.0 <= row["share_reworked"]["mean"] <= 1.0 for row in one["reaches"])
    assert all(row["discharge_m3_s"] == 0.0 for row in told["storms"][1]["reaches"])
    assert json.loads(run("storm", site, "--on", "2025-01-01", "--json"))["storms"][-1]["day"] == "2024-12-03"
    assert "Only what" in CliRunner().invoke(main, ["storm", "--help"]).output
    assert "8 times in 10" in run("storm", site, "--on", DAY, "--learnt")


def test_a_history_shows_digging_and_refill(site, ranking):
    reach = max(
        {part.reach for part in ranking.estimate.past.dug},
        key=lambda one: sum(part.reach == one for part in ranking.estimate.past.dug),
    )
    name = str(ranking.estimate.channels.reaches.reach_id[reach])
    told = json.loads(run("history", site, name, "--on", DAY, "--json"))
    kinds = {one["kind"] for one in told["happenings"]}
    assert kinds >= {"storm", "dig"}
    left = [row["left_share"]["mean"] for row in told["days"]]
    assert left[0] == 1.0
    assert min(left) < 0.8
    # A flood brings something back.
    assert max(np.diff(left)) > 0.02
    assert all(
        row["left_share"]["p10"] <= row["left_share"]["mean"] + 1e-9 <= row["left_share"]["p90"] + 0.2
        for row in told["days"]
    )
    text = run("history", site, name, "--on", DAY)
    assert "#" in text
    assert "dig: " in text
    done = CliRunner().invoke(main, ["history", str(site), "QQ9"])
    assert done.exit_code == 2


def test_the_page_has_the_last_storm_and_the_day_before(ranking):
    from washgrade.survey.pageview import page_view

    view = page_view(ranking)
    assert view.storm is not None
    assert view.storm.day == "2026-01-22"
    assert view.other is not None
    assert view.other.day == "2026-01-21"
    assert view.history is not None
    assert view.history.days[-1] == DAY
    assert view.fresh_share is not None
    assert view.left_share is not None
    assert view.left_share.min() < 0.6
