"""Whether to believe the numbers: reasons, what was learnt, layers, where one more sample would help."""

from __future__ import annotations

import json
import shutil
from dataclasses import replace

import numpy as np
import pytest
from click.testing import CliRunner

from washgrade import survey
from washgrade.cli import main
from washgrade.errors import InputError
from washgrade.survey.belief import find_reach


@pytest.fixture(scope="module")
def site(tmp_path_factory):
    folder = tmp_path_factory.mktemp("belief") / "demo"
    survey.run_demo(folder)
    return folder


@pytest.fixture(scope="module")
def found(site):
    return survey.estimate(site)


def run(*words):
    return CliRunner().invoke(main, [str(word) for word in words])


def test_a_sampled_reach_rests_on_its_own_sample(found):
    reach = int(np.flatnonzero(found.grade.reach_support == "sampled")[0])
    told = survey.why(found)
    own = {
        one
        for ids, node in zip(found.grade.observations.sample_ids, found.grade.observations.node, strict=True)
        if found.channels.nodes.reach[node] == reach
        for one in ids
    }
    named = {told.sample_ids[place][0] for place in told.place[reach] if place >= 0}
    assert own & named
    assert "Samples that weigh most" in told.sentences(reach)[0]


def test_why_is_told_for_a_reach_and_an_unknown_one_is_asked_about(site, found):
    name = str(found.channels.reaches.reach_id[0])
    done = run("grade", site, "--why", name.lower())
    assert done.exit_code == 0, done.output
    assert done.output.startswith(f"Reach {name}: ")
    done = run("grade", site, "--why", "QQ99")
    assert done.exit_code == 2
    assert done.output.startswith("There is no reach 'QQ99'.")
    with pytest.raises(InputError):
        find_reach(found, "")


def test_the_table_shows_the_richest_and_says_how_to_see_all(site, found):
    count = len(found.channels.reaches)
    order = np.argsort(-found.grade.reach_mean, kind="stable")
    best, next_one = (str(found.channels.reaches.reach_id[order[k]]) for k in (0, 3))
    few = run("grade", site, "--top", "3")
    assert few.exit_code == 0, few.output
    named = [line.split()[1] for line in few.output.splitlines() if line.startswith("│")]
    assert len(named) == 3
    assert named[0] == best
    assert next_one not in named
    assert f"--top {count}" in few.output
    whole = run("grade", site, "--top", str(count))
    assert sum(line.startswith("│") for line in whole.output.splitlines()) == count
    assert "To see all" not in whole.output
    told = json.loads(run("grade", site, "--json").output)["reaches"]
    assert [row["reach"] for row in told] == [str(name) for name in found.channels.reaches.reach_id]
    assert len(json.loads(run("grade", site, "--json", "--top", "2").output)["reaches"]) == 2
    wrong = run("grade", site, "--top", "0")
    assert wrong.exit_code == 2
    assert "'top'" in wrong.output


def test_what_was_learnt_stands_beside_what_was_thought(site):
    done = run("grade", site, "--json")
    model = json.loads(done.stdout)["model"]
    assert set(model["numbers"]["local sd"]) == {"before", "now"}
    # Eighty readings narrow at least some of the ranges and variances.
    narrower = [
        one["now"]["p90"] / one["now"]["p10"] < one["before"]["p90"] / one["before"]["p10"]
        for one in model["numbers"].values()
    ]
    assert sum(narrower) >= 4
    assert {"slope break", "bend", "confluence"} <= set(model["effects"])
    held = json.loads(done.stdout)["held_by_the_others"]
    # A binomial number of 80 with a chance of 0.9 lies outside these bounds once in ten thousand.
    assert held["readings"] > 60
    assert 0.78 <= held["within_90"] <= 0.99
    assert json.loads(done.stdout)["duplicates"]["pairs"] >= 5
    shown = run("grade", site, "--learnt")
    assert shown.exit_code == 0, shown.output
    assert "Predicted from the others" in shown.output
    assert "Your duplicates differ by" in shown.output


def test_buried_streaks_of_the_pits_are_found(found):
    """The demo's pits a, c, e and g have their streak at 3 to 6 cm; b, d, f and h on top (demo_site)."""
    buried = {hole.place: [streak.top_m for streak in hole.buried] for hole in survey.holes(found)}
    for pit in "aceg":
        assert buried[f"pit {pit}"] == [pytest.approx(0.03)]
    for pit in "bdfh":
        assert buried[f"pit {pit}"] == []


def test_one_more_sample_where_it_is_told_settles_more_than_elsewhere(found, site, tmp_path):
    """Samples are really added, at the best place and at a poor one, and the doubt is weighed anew."""
    best = survey.next_samples(found, top=1)[0]
    nodes, cut = found.channels.nodes, 0.2
    sampled = int(np.flatnonzero(found.grade.node_support == 3)[0])
    doubt = {}
    for name, node in (("best", best.node), ("twin", sampled)):
        other = shutil.copytree(site, tmp_path / name)
        survey.enter(
            other,
            "samples",
            {
                "easting_m": float(nodes.easting_m[node]),
                "northing_m": float(nodes.northing_m[node]),
                "dry_mass_kg": 0.5,
                "grade": float(found.grade.node_p50[node]),
                "accuracy_m": 1.0,
                "time": "2025-12-01",
            },
        )
        grade = survey.estimate(other).grade
        near = np.argsort(found.grade.reach_mean)[::-1][:40]
        doubt[name] = float(np.sum((grade.reach_p90 - grade.reach_p10)[near]))
    assert doubt["best"] < doubt["twin"]
    assert 0.0 < best.gain_share < 1.0
    assert cut < found.grade.reach_mean.max()


def test_where_lists_places_apart_and_open(site, found):
    places = json.loads(run("where", site, "--json", "--top", "6").stdout)
    assert len(places) == 6
    gains = [place["gain_share"] for place in places]
    assert gains == sorted(gains, reverse=True)
    spots = np.array([(place["easting_m"], place["northing_m"]) for place in places])
    apart = np.hypot(*(spots[:, None] - spots[None, :]).transpose(2, 0, 1))
    assert apart[np.triu_indices(6, 1)].min() >= 80.0
    ranking = survey.rank(found)
    names = found.channels.reaches.reach_id.tolist()
    assert not any(ranking.closed[names.index(place["reach"])] for place in places)
    assert run("where", site, "--top", "0").exit_code == 2


def test_chances_that_one_reach_beats_another_add_up(site, found):
    ranking = survey.rank(found)
    order = np.argsort(ranking.rank)
    first, last = (str(found.channels.reaches.reach_id[order[k]]) for k in (0, 200))
    both = [survey.compare(found, ranking.per_load_draws, *pair) for pair in ((first, last), (last, first))]
    assert sum(both) == pytest.approx(1.0)
    assert both[0] > 0.8
    done = run("rank", site, "--compare", first, last)
    assert done.exit_code == 0
    assert f"{both[0]:.0%}".replace("%", " %") in done.output


def test_regret_falls_to_nothing_when_all_is_known(found):
    ranking = survey.rank(found)
    assert ranking.regret_kg > 0.0
    sure = replace(ranking, per_load_draws=np.tile(ranking.kg_per_load.mean, (10, 1)))
    assert sure.regret_kg == pytest.approx(0.0, abs=1e-12)
