"""The digging day and the clean-up on the demo's ground."""

from __future__ import annotations

import json
import shutil
from pathlib import Path
from xml.etree import ElementTree

import numpy as np
import pytest
import shapely
from click.testing import CliRunner

from washgrade import survey
from washgrade.cli import main
from washgrade.errors import InputError
from washgrade.files.groundstore import load_shapes
from washgrade.survey.daygiven import hauls_from

ROOT = Path(__file__).resolve().parents[2]
SCHEMA = ROOT.parent / "shared" / "reference" / "gpx-1.1.xsd"
ON = "2026-03-20"


@pytest.fixture(scope="module")
def site(tmp_path_factory):
    folder = tmp_path_factory.mktemp("day") / "demo"
    survey.run_demo(folder)
    return folder


@pytest.fixture(scope="module")
def ranking(site):
    return survey.rank(survey.estimate(site, on=ON))


@pytest.fixture(scope="module")
def plan(ranking):
    return survey.plan_digging_day(ranking, hours=6.0)


def run(*words):
    return CliRunner().invoke(main, [str(word) for word in words])


def test_it_keeps_to_the_hours_and_adds_up(plan):
    assert 5.0 < plan.field_hours <= 6.0
    assert sum(plan.hours.values()) == pytest.approx(plan.field_hours + plan.home_hours)
    assert sum(dug.loads for dug in plan.dug) == plan.loads
    assert sum(sum(carry.loads) for carry in plan.carries) == pytest.approx(plan.loads)
    assert sum(dug.wet_kg for dug in plan.dug) == pytest.approx(plan.wet_kg, rel=1e-6)
    assert sum(dug.product_kg for dug in plan.dug) == pytest.approx(plan.day.expected_kg)
    # What the knapsack counts is what the clean-up makes of the sand, draw by draw; in a draw whose richest
    # loads come near pure magnetics the two part in the third or fourth digit.
    apart = np.abs(plan.day.kg_draws / plan.cleaned.product.dry_kg - 1.0)
    assert np.quantile(apart, 0.99) < 1e-3
    assert apart.max() < 3e-3


def test_nobody_carries_more_than_the_limit(plan):
    heaviest = max(
        dug.wet_kg / dug.loads * max(sum(c.loads) for c in plan.carries if dug.reach in c.reaches)
        for dug in plan.dug
    )
    assert heaviest <= plan.settings.carry_limit_kg * (1 + 1e-9)
    assert plan.wet_kg / plan.buckets <= plan.settings.carry_limit_kg


def test_no_way_leaves_the_property_or_enters_a_no_go_area(plan):
    site = plan.estimate.site
    own = shapely.union_all([shape.geometry for shape in load_shapes(site, "property")])
    closed = shapely.union_all([shape.geometry for shape in load_shapes(site, "no_go")])
    from washgrade.files.places import to_grid

    for dug in plan.dug:
        east, north = to_grid(plan.estimate.facts.crs, dug.way_lonlat[:, 0], dug.way_lonlat[:, 1])
        way = shapely.LineString(np.column_stack([east, north]))
        assert own.contains(way)
        assert not closed.intersects(way)
        assert not plan.ranking.closed[dug.place]


def test_the_same_product_takes_no_more_time(plan, ranking):
    again = survey.plan_digging_day(ranking, product_kg=plan.day.expected_kg * (1 - 1e-9))
    assert again.day.expected_kg >= plan.day.expected_kg * (1 - 1e-6)
    assert again.field_hours <= plan.field_hours + 0.01


def test_a_sure_day_is_surer(plan, ranking):
    sure = survey.plan_digging_day(ranking, hours=6.0, sure=True)
    assert sure.day.p10_kg >= plan.day.p10_kg
    assert sure.field_hours <= 6.0


def test_digging_what_ranks_first_alone_would_bring_less(plan, ranking):
    """The twin: all hours at the reach that is ranked first, if one can get there."""
    best = int(np.argmin(ranking.rank))
    only = [dug for dug in plan.dug if dug.place == best]
    assert len(plan.dug) > 1
    assert sum(dug.product_kg for dug in only) < plan.day.expected_kg


def test_daylight_cuts_the_day(ranking):
    long = survey.plan_digging_day(ranking, hours=20.0)
    # Civil daylight at 36 degrees north at the equinox is 12 h and twice a half of twilight.
    assert 12.7 < long.daylight_hours < 13.2
    assert long.field_hours <= long.daylight_hours - 0.5
    assert long.sentences("metric")[0].startswith("Cut to the daylight: of 20 hours asked for only 12.")
    told = survey.plan_digging_day(ranking, hours=6.0, daylight_hours=3.0)
    assert told.field_hours <= 2.5
    with pytest.raises(InputError, match=r"^100,000 kg of product cannot be had in one day: within the 12\."):
        survey.plan_digging_day(ranking, product_kg=1e5)


def test_what_must_be_known_is_said(plan):
    for units in ("us", "metric"):
        text = " ".join(plan.sentences(units))
        for word in ("rain is forecast", "Lifting", "bank", "drink", "pacemakers", "permission", "cut-off"):
            assert word in text
    assert "50.7 lb" in " ".join(plan.sentences("us"))


def test_a_steep_country_says_what_cannot_be_reached(plan):
    assert plan.unreachable > 0
    assert any("cannot be reached on open ground" in one for one in plan.sentences())


def test_the_command_line_tells_it_and_writes_it(site, tmp_path):
    gpx = tmp_path / "day.gpx"
    done = run("day", site, "--hours", "5", "--on", ON, "--gpx", gpx, "--json")
    assert done.exit_code == 0, done.output
    told = json.loads(done.stdout)
    assert told["field_hours"] <= 5.0
    assert told["product_kg"]["p10"] < told["product_kg"]["mean"] < told["product_kg"]["p90"]
    assert told["product_kg"]["mean"] <= told["bound_product_kg"]
    assert 0.85 < told["purity"]["mean"] < 1.0
    tree = ElementTree.parse(gpx)  # noqa: S314 - our own file
    space = {"g": "http://www.topografix.com/GPX/1/1"}
    assert len(tree.findall("g:wpt", space)) == len(told["reaches"]) + 1
    assert len(tree.findall("g:trk", space)) == len(told["reaches"])
    if SCHEMA.exists():
        import xmlschema

        xmlschema.validate(str(gpx), str(SCHEMA))
    for more in ([], ["--sure"], ["--units", "us"]):
        done = run("day", site, "--hours", "4", "--on", ON, *more)
        assert done.exit_code == 0, done.output
        assert "clean product" in done.output
    done = run("day", site, "--product", "60 lb", "--on", ON)
    assert "Clean product expected" in done.output


@pytest.mark.parametrize(
    ("words", "says"),
    [
        ([], "Give either the hours or the product wanted: exactly one of them."),
        (
            ["--hours", "5", "--product-kg", "5"],
            "Give either the hours or the product wanted: exactly one of",
        ),
        (["--hours", "0"], "Invalid 'hours' of 0.0. It must be a finite number above 0."),
        (["--product-kg", "-3"], "Invalid 'product_kg' of -3.0. It must be a finite number above 0."),
        (["--hours", "5", "--from", "the moon"], "Invalid start of 'the moon'."),
    ],
)
def test_a_wrong_word_is_told(site, words, says):
    done = run("day", site, *words)
    assert done.exit_code == 2
    assert done.output.startswith(says)


def test_no_reach_above_the_cut_off_is_an_empty_day(site, tmp_path):
    other = shutil.copytree(site, tmp_path / "other")
    text = (other / "site.toml").read_text()
    (other / "site.toml").write_text(text.replace("cutoff_grade = 0.1\n", "cutoff_grade = 0.9\n"))
    done = run("day", other, "--hours", "5")
    assert done.exit_code == 0, done.output
    assert "Nothing to dig within the time" in done.output
    assert "Flood" in done.output


def test_a_barrow_brings_no_less(site, tmp_path, plan):
    other = shutil.copytree(site, tmp_path / "other")
    text = (other / "site.toml").read_text()
    (other / "site.toml").write_text(text.replace("barrow_kg = 0.0\n", "barrow_kg = 60.0\n"))
    rolling = survey.plan_digging_day(survey.rank(survey.estimate(other, on=ON)), hours=6.0)
    assert rolling.day.expected_kg >= plan.day.expected_kg * (1 - 1e-9)


def test_the_clean_up_of_a_heap(site, tmp_path):
    done = run("cleanup", site, "--buckets", "10", "--grade", "20", "--json")
    assert done.exit_code == 0, done.output
    told = json.loads(done.stdout)
    out = sum(told["streams"][name]["dry_kg"] for name in ("oversize", "product", "tailings"))
    assert out == pytest.approx(told["streams"]["feed"]["dry_kg"], rel=1e-9)
    assert told["purity"] > 0.9
    own = tmp_path / "own.csv"
    own.write_text(
        "pass,concentrate_kg,tailings_kg,concentrate_grade,tailings_grade\nfirst,2.3,7.7,0.8,0.05\n"
    )
    done = run("cleanup", site, "--mass", "300 lb", "--grade", "20", "--weighings", own)
    assert done.exit_code == 0, done.output
    assert "By one weighing the first pass takes 82.7 % of the magnetics" in done.output
    fitted = run("cleanup", site, "--buckets", "10", "--grade", "20", "--weighings", own, "--json")
    assert json.loads(fitted.stdout)["recovery"] < told["recovery"]
    done = run("cleanup", site, "--grade", "20")
    assert done.exit_code == 2
    assert done.output.startswith("Give either the mass of the sand or the number of buckets")


def test_the_page_carries_the_day(plan):
    from washgrade.survey.planviews import day_view

    view = day_view(plan)
    assert [stop.reach for stop in view.stops] == [dug.reach for dug in plan.dug]
    assert len(view.lon) == 2 * sum(len(dug.way_lonlat) for dug in plan.dug)
    assert len(view.sentences) == 2


def test_carries_played_one_by_one_bring_as_much_in_an_hour(ranking):
    found = survey.per_hour(ranking)
    chosen = ranking.estimate.settings
    hauled = hauls_from(ranking, None).hauled
    there = np.flatnonzero(np.isfinite(found.load_minutes))
    assert 50 < len(there) < len(ranking)
    for reach in there[:: len(there) // 20]:
        best_kg = 0.0
        for kind in range(len(hauled.ways)):
            minutes, loads = 0.0, 0.0
            while minutes < 6000.0:
                minutes += hauled.out_minutes[kind, reach] + hauled.back_minutes[kind, reach]
                minutes += hauled.loads[kind, reach] * chosen.dig_minutes + chosen.haul.unload_minutes
                loads += hauled.loads[kind, reach]
            on_the_clock_h = minutes / (60.0 - chosen.haul.rest_minutes)
            best_kg = max(best_kg, loads * ranking.kg_per_load.mean[reach] / on_the_clock_h)
        assert found.kg_per_hour.mean[reach] == pytest.approx(best_kg)


def test_no_hour_brings_more_than_digging_without_a_walk(ranking):
    found, chosen = survey.per_hour(ranking), ranking.estimate.settings
    most = ranking.kg_per_load.mean * (60.0 - chosen.haul.rest_minutes) / chosen.dig_minutes
    assert (found.kg_per_hour.mean <= most).all()
    nowhere = ~np.isfinite(found.load_minutes)
    assert (found.kg_per_hour.mean[nowhere] == 0.0).all()
    assert (found.kg_per_hour.p90[nowhere] == 0.0).all()


def test_who_starts_at_a_reach_ranks_it_higher(ranking):
    gate = survey.per_hour(ranking)
    far = int(np.argmax(np.where(np.isfinite(gate.load_minutes) & ~ranking.closed, gate.load_minutes, 0.0)))
    here = survey.per_hour(ranking, start=f"{ranking.lon[far]},{ranking.lat[far]}")
    assert here.load_minutes[far] < 0.5 * gate.load_minutes[far]
    assert here.rank[far] < gate.rank[far]


def test_the_command_puts_the_best_hour_first(site):
    done = CliRunner().invoke(main, ["rank", str(site), "--on", ON, "--per-hour", "--json"])
    assert done.exit_code == 0, done.output
    rows = json.loads(done.stdout)["reaches"]
    hours = [row["kg_per_hour"]["mean"] for row in rows if not row["depleted"]]
    best = [hour for hour in hours if hour > 0.0]
    assert best == sorted(best, reverse=True)
    assert [row["rank"] for row in rows] == list(range(1, len(rows) + 1))
    shown = CliRunner().invoke(main, ["rank", str(site), "--per-hour", "--top", "3"], terminal_width=200)
    assert shown.exit_code == 0, shown.output
    assert "per hour" in shown.output
    assert "By the hour from" in shown.output


def test_a_start_without_per_hour_is_refused(site):
    done = CliRunner().invoke(main, ["rank", str(site), "--from", "-3.0,36.3"])
    assert done.exit_code == 2
    assert "--from is for --per-hour: a load is the same wherever the vehicle stands." in done.output
