"""Rock whose sand has a known grade: told for a site, mixed by area below it, and taken away again.

The balance is that of Hawkes (1976), Journal of Geochemical Exploration 6:345-358: an anomaly Y_a on an area
A_a in a background Y_b is Y_i at a place that A_i drains to, with Y_i A_i = Y_a A_a + Y_b (A_i - A_a).
"""

from __future__ import annotations

import json
import re

import numpy as np
import pytest
import shapely
from click.testing import CliRunner
from dems import write_dem
from scipy.special import expit, logit

from washgrade import survey
from washgrade.cli import main
from washgrade.files.groundstore import load_channels, load_dem, load_ground_layers, load_shapes
from washgrade.files.site import open_site
from washgrade.land.drainage import condition_and_route
from washgrade.land.flow import OUTLET
from washgrade.land.kernel import COL_STEP, ROW_STEP

WEST, NORTH, CELL = 500_000.0, 4_000_000.0, 5.0
ROWS, COLS = 120, 81
RICH, BACKGROUND = 0.2, 0.02


@pytest.fixture(scope="module")
def dem(tmp_path_factory):
    """Two valleys side by side that run south and join in one: a Y, tilted without pits."""
    row, col = np.mgrid[0:ROWS, 0:COLS].astype(np.float64)
    apart = np.maximum(20.0 - 0.25 * row, 0.0)
    heights = 100.0 - 0.3 * row + np.minimum(np.abs(col - 40 - apart), np.abs(col - 40 + apart))
    path = tmp_path_factory.mktemp("dem") / "fork.tif"
    write_dem(path, heights, west_m=WEST, north_m=NORTH, cell_m=CELL)
    return path


def sources(path, *areas, shift_m=0.0):
    """A GeoJSON file of areas (rows, cols as slices) with their fields, on the DEM's grid."""
    features = [
        {
            "type": "Feature",
            "properties": fields,
            "geometry": shapely.geometry.mapping(
                shapely.box(
                    WEST + CELL * cols.start + shift_m,
                    NORTH - CELL * rows.stop,
                    WEST + CELL * cols.stop + shift_m,
                    NORTH - CELL * rows.start,
                )
            ),
        }
        for rows, cols, fields in areas
    ]
    crs = {"type": "name", "properties": {"name": "urn:ogc:def:crs:EPSG::25830"}}
    path.write_text(json.dumps({"type": "FeatureCollection", "crs": crs, "features": features}))
    return path


def ground(site, dem, *words):
    return CliRunner().invoke(main, ["ground", str(site), "--dem", str(dem), *(str(word) for word in words)])


HEAD = (slice(0, 30), slice(0, 40))


def built(tmp_path, dem, *words):
    done = ground(tmp_path / "site", dem, "--channel-area", "5000 m2", *words)
    assert done.exit_code == 0, done.output
    return tmp_path / "site"


def set_background(site):
    path = site / "site.toml"
    text = re.sub(r"(?m)^background_grade = .*$", f"background_grade = {BACKGROUND}", path.read_text())
    path.write_text(text)


def test_without_samples_the_mean_is_the_dilution_balance(tmp_path, dem):
    drawn = sources(tmp_path / "rock.geojson", (*HEAD, {"name": "Black ridge", "grade_percent": 100 * RICH}))
    site = built(tmp_path, dem, "--sources", drawn)
    (kept,) = load_shapes(open_site(site), "sources")
    assert (kept.name, kept.grade) == ("Black ridge", RICH)
    set_background(site)
    found = survey.estimate(site, on="2026-05-01")
    nodes = found.channels.nodes
    # All of the source drains to the western branch: the anomaly is whole wherever both branches have joined.
    source_m2 = 30 * 40 * CELL**2
    mean = expit(found.weighed.regressors @ found.weighed.prior_mean)
    mouth = int(np.argmax(nodes.upstream_area_m2))
    area_m2 = nodes.upstream_area_m2[mouth]
    assert area_m2 > 0.9 * ROWS * COLS * CELL**2
    balance = (RICH * source_m2 + BACKGROUND * (area_m2 - source_m2)) / area_m2
    assert mean[mouth] == pytest.approx(balance, rel=1e-9)
    # What departs from the balance mixes too: at the mouth its middle is lifted by half of what its variance
    # falls by. Without samples that is the median of the estimate, over what is thought of the variances.
    model = found.weighed
    for part in (0, 20, 47):
        process = model.averaged.process(part)
        fallen = 1.0 - (area_m2 / model.tree.usual_weight) ** -process.mixing_share
        middle = expit(logit(balance) + 0.5 * process.up_variance * fallen)
        assert expit(model.expected(part)[mouth]) == pytest.approx(middle, rel=1e-9)
    assert balance < found.grade.node_p50[mouth] < 1.5 * balance
    # The eastern branch has none of it, the western one more than the mouth.
    east = (nodes.easting_m > WEST + 41 * CELL) & (nodes.northing_m > NORTH - 60 * CELL)
    west = (nodes.easting_m < WEST + 40 * CELL) & (nodes.northing_m > NORTH - 60 * CELL)
    assert mean[east] == pytest.approx(BACKGROUND, rel=1e-9)
    assert mean[west].min() > 1.5 * balance
    assert f"mixed by area with the rest of the ground, which is taken to give {100 * BACKGROUND:.0f} %" in (
        " ".join(found.sentences)
    )


def test_a_share_of_a_hillside_counts_as_its_share(tmp_path, dem):
    """Against a plain walk down from every cell, with two areas of which the later one lies on the first."""
    drawn = sources(
        tmp_path / "rock.geojson",
        (slice(10, 50), slice(10, 70), {"grade": 0.3}),
        (slice(20, 30), slice(30, 60), {"grade": "0.1"}),
    )
    site = built(tmp_path, dem, "--sources", drawn)
    channels, layers = load_channels(open_site(site)), load_ground_layers(open_site(site))
    ways = condition_and_route(load_dem(open_site(site))).directions
    grade = np.full((ROWS, COLS), np.nan)
    grade[10:50, 10:70] = 0.3
    grade[20:30, 30:60] = 0.1
    node_of = {int(cell): k for k, cell in enumerate(channels.nodes.cell)}
    met = [[] for _ in node_of]
    for row in range(ROWS):
        for col in range(COLS):
            at = (row, col)
            while at[0] * COLS + at[1] not in node_of and ways[at] < OUTLET:
                at = (at[0] + int(ROW_STEP[ways[at]]), at[1] + int(COL_STEP[ways[at]]))
            if at[0] * COLS + at[1] in node_of:
                met[node_of[at[0] * COLS + at[1]]].append(grade[row, col])
    share = [np.isfinite(cells).mean() for cells in met]
    mean = [np.nanmean(cells) if np.isfinite(cells).any() else 0.0 for cells in met]
    np.testing.assert_allclose(layers.sources.share, share, rtol=1e-12)
    np.testing.assert_allclose(layers.sources.grade, mean, rtol=1e-12)


def test_sources_stay_until_none_takes_them_away(tmp_path, dem):
    site = built(tmp_path, dem)
    before = survey.estimate(site, on="2026-05-01").grade.node_mean
    drawn = sources(tmp_path / "rock.geojson", (*HEAD, {"grade_percent": 40}))
    built(tmp_path, dem, "--sources", drawn)
    with_sources = survey.estimate(site, on="2026-05-01").grade.node_mean
    assert np.abs(with_sources / before - 1).max() > 0.2
    built(tmp_path, dem)
    np.testing.assert_array_equal(survey.estimate(site, on="2026-05-01").grade.node_mean, with_sources)
    built(tmp_path, dem, "--sources", "none")
    found = survey.estimate(site, on="2026-05-01")
    np.testing.assert_array_equal(found.grade.node_mean, before)
    assert not any("source" in sentence for sentence in found.sentences)


def test_the_answers_tell_of_the_sources(tmp_path, dem):
    drawn = sources(tmp_path / "rock.geojson", (*HEAD, {"grade_percent": 20}))
    site = built(tmp_path, dem, "--sources", drawn)
    set_background(site)
    said = CliRunner().invoke(main, ["grade", str(site)]).stdout
    covered = 100 * 30 * 40 * CELL**2
    nodes = load_channels(open_site(site)).nodes
    covered /= nodes.upstream_area_m2[nodes.downstream < 0].sum()
    assert (
        f"Known sources of 20 % on average cover {covered:.1f} % of the ground that drains to the channels."
        in said
    )
    mouth = load_channels(open_site(site)).reaches
    name = str(mouth.reach_id[np.argmax(mouth.upstream_area_m2)])
    why = CliRunner().invoke(main, ["grade", str(site), "--why", name]).stdout
    assert "The known sources alone, mixed by the ground they cover, would give 4." in why
    learnt = CliRunner().invoke(main, ["grade", str(site), "--learnt"])
    assert learnt.exit_code == 0
    assert "known sources (for 2.7 times as rich)" in learnt.stdout


def test_sources_off_the_ground_are_refused(tmp_path, dem):
    drawn = sources(tmp_path / "rock.geojson", (*HEAD, {"grade_percent": 20}), shift_m=50_000.0)
    done = ground(tmp_path / "site", dem, "--sources", drawn)
    assert done.exit_code == 2
    said = " ".join(done.stderr.split())
    assert re.search(
        r"rock\.geojson: nothing in it lies on the ground\. It is about longitude -2\.4\d\d, latitude "
        r"36\.1\d\d; the ground is about longitude -2\.998, latitude 36\.1\d\d\. Is it the right file\?$",
        said,
    )
    assert not (tmp_path / "site").exists()


def test_sources_too_small_for_a_cell_are_refused(tmp_path, dem):
    path = tmp_path / "rock.geojson"
    sources(path, (*HEAD, {"grade_percent": 20}))
    told = json.loads(path.read_text())
    spot = shapely.Point(WEST + 30 * CELL, NORTH - 30 * CELL).buffer(1.0)
    told["features"][0]["geometry"] = shapely.geometry.mapping(spot)
    path.write_text(json.dumps(told))
    done = ground(tmp_path / "site", dem, "--sources", path)
    assert done.exit_code == 2
    assert " ".join(done.stderr.split()).endswith(
        "The known sources hold the middle of no cell that drains to a channel. Draw them larger or "
        "elsewhere, or take them away with: --sources none."
    )
