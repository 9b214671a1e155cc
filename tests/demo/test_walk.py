"""The sampling walk on the demo's ground, and on the same ground before any sample."""

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
from washgrade.files.groundstore import load_shapes

ROOT = Path(__file__).resolve().parents[2]
SCHEMA = ROOT.parent / "shared" / "reference" / "gpx-1.1.xsd"


@pytest.fixture(scope="module")
def site(tmp_path_factory):
    folder = tmp_path_factory.mktemp("walk") / "demo"
    survey.run_demo(folder)
    return folder


@pytest.fixture(scope="module")
def found(site):
    return survey.estimate(site)


@pytest.fixture(scope="module")
def plan(found):
    return survey.plan_sampling_walk(found, hours=3.0, duplicates=1)


def run(*words):
    return CliRunner().invoke(main, [str(word) for word in words])


def test_it_keeps_to_the_hours_and_adds_up(plan):
    walk = plan.walk
    assert 3 <= len(plan) <= 12
    assert walk.minutes <= 180.0
    assert walk.leg_minutes.sum() + walk.stop_minutes.sum() == pytest.approx(walk.minutes)
    assert (np.diff(walk.arrival_minutes) > 0).all()
    assert walk.duplicate.sum() == 1
    assert 0.0 < walk.settled <= walk.bound_share <= 1.0


def test_it_stays_on_the_property_and_off_no_go_areas(plan, found):
    own = shapely.union_all([shape.geometry for shape in load_shapes(found.site, "property")])
    closed = shapely.union_all([shape.geometry for shape in load_shapes(found.site, "no_go")])
    for line in plan.walk.lines_m:
        if len(line) < 2:
            continue
        way = shapely.LineString(line)
        assert own.contains(way)
        assert not closed.intersects(way)


def test_it_begins_and_ends_at_the_gate(plan, found):
    gate = load_shapes(found.site, "access")[0].geometry
    first, last = plan.walk.lines_m[0][0], plan.walk.lines_m[-1][-1]
    for place in (first, last):
        assert np.hypot(place[0] - gate.x, place[1] - gate.y) < 10.0


def test_stops_settle_more_than_as_many_of_the_best_sampled_places(plan, found):
    """The twin: stops beside what is known already tell next to nothing."""
    sampled = {str(one) for one in found.channels.reaches.reach_id[found.grade.reach_support == "sampled"]}
    stops = {plan.reach(k) for k in range(len(plan))}
    assert len(stops & sampled) < len(stops) / 2


def test_new_ground_gets_a_spread_and_not_a_cluster(site, tmp_path):
    new = shutil.copytree(site, tmp_path / "new")
    for record in survey.notebook(new):
        survey.strike(new, record.id, why="to stand for new ground")
    found = survey.estimate(new)
    plan = survey.plan_sampling_walk(found, hours=6.0)
    nodes = found.channels.nodes
    spot = np.column_stack([nodes.easting_m[plan.walk.node], nodes.northing_m[plan.walk.node]])
    apart = np.hypot(*(spot[:, None] - spot[None, :]).transpose(2, 0, 1))[np.triu_indices(len(spot), 1)]
    assert len(plan) >= 8
    # Neighbours on a walk of many stops would lie some tens of metres apart if they stood in a cluster.
    assert np.median(apart) > 300.0
    assert len({plan.reach(k)[0] for k in range(len(plan))}) >= 3


def test_the_command_line_tells_it_and_writes_it(site, tmp_path):
    gpx = tmp_path / "walk.gpx"
    done = run("walk", site, "--hours", "2", "--gpx", gpx, "--json")
    assert done.exit_code == 0, done.output
    told = json.loads(done.stdout)
    assert told["minutes"] <= 120.0
    assert [stop["stop"] for stop in told["stops"]] == list(range(1, len(told["stops"]) + 1))
    assert any("rain" in note for note in told["notes"])
    tree = ElementTree.parse(gpx)  # noqa: S314 - our own file
    space = {"g": "http://www.topografix.com/GPX/1/1"}
    for path in ("g:wpt", "g:rte/g:rtept"):
        assert len(tree.findall(path, space)) == len(told["stops"])
    assert len(tree.findall("g:trk/g:trkseg/g:trkpt", space)) > len(told["stops"])
    first = tree.find("g:wpt", space)
    assert float(first.get("lat")) == pytest.approx(told["stops"][0]["lat"], abs=1e-6)
    if SCHEMA.exists():
        import xmlschema

        xmlschema.validate(str(gpx), str(SCHEMA))


def test_what_was_done_is_not_walked_to_again(plan, found):
    done = [plan.reach(0), plan.reach(1)]
    spot = f"{plan.lon[1]:.6f},{plan.lat[1]:.6f}"
    rest = survey.plan_sampling_walk(found, hours=1.5, start=spot, done=done)
    assert not set(done) & {rest.reach(k) for k in range(len(rest))}
    assert rest.walk.minutes <= 90.0


def test_a_start_by_name_and_a_wrong_one(site, found):
    name = load_shapes(found.site, "access")[0].name
    assert survey.plan_sampling_walk(found, hours=1.0, start=name.upper()).start_name == name
    done = run("walk", site, "--hours", "1", "--from", "the moon")
    assert done.exit_code == 2
    assert done.output.startswith("Invalid start of 'the moon'. It must be longitude and latitude such as")
    done = run("walk", site, "--hours", "1", "--from", "10,50")
    assert done.exit_code == 2
    assert "lies outside the ground. It must lie on the DEM." in done.output
    done = run("walk", site, "--hours", "0")
    assert done.exit_code == 2
    assert "Invalid 'hours' of 0.0. It must be a finite number above 0." in done.output


def test_a_site_without_access_asks_for_a_start(site, tmp_path):
    other = shutil.copytree(site, tmp_path / "other")
    from washgrade.files.geopackage import writing

    with writing(other / "site.gpkg") as connection:
        connection.execute("DELETE FROM access")
    done = run("walk", other, "--hours", "2")
    assert done.exit_code == 2
    assert done.output.startswith("There is no place to start from. Give one as --from LON,LAT")


def test_cells_that_a_line_passes_are_closed_on_both_sides():
    from washgrade.files.masks import closed_cells
    from washgrade.files.vectors import Shape
    from washgrade.land.dem import Dem

    dem = Dem(
        elevation_m=np.zeros((4, 4), np.float32), cell_m=10.0, west_m=0.0, north_m=40.0, crs="EPSG:25830"
    )
    own = Shape(name="", geometry=shapely.box(10, 0, 40, 32))
    closed = closed_cells(
        dem, property_areas=(own,), no_go=(Shape(name="", geometry=shapely.Point(35, 5).buffer(1)),)
    )
    # The line runs along the edge of column 1 and through row 0; a no-go area touches the last cell.
    open_cells = ~closed
    assert not open_cells[0].any()
    assert not open_cells[:, 0].any()
    assert not open_cells[3, 3]
    assert open_cells[1:3, 2].all()


def test_daylight_cuts_the_walk(found):
    long = survey.plan_sampling_walk(found, hours=30.0, stops=3)
    assert long.walk.minutes <= long.walk.budget_minutes < 15 * 60.0
    assert any(one.startswith("Cut to the daylight: of 30 hours asked for") for one in long.sentences)
    assert not any("daylight" in one for one in survey.plan_sampling_walk(found, hours=2.0).sentences)
