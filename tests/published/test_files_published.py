"""Units, UTM zones, GeoPackage and GeoJSON facts against printed values.

Sources, each beside its check: Federal Register 85 FR 62698 (NIST and NGS 2020) for the feet; the EPSG
registry and its zone definitions for UTM; OGC 12-128 for GeoPackage; RFC 7946 for GeoJSON; NIST Handbook 44
appendix C for the customary units.
"""

import json
import sqlite3

import numpy as np
import pytest

from washgrade import units
from washgrade.files.exchange import write_geojson
from washgrade.files.places import lonlat, to_grid, utm_crs, utm_zone
from washgrade.files.site import make_site


def test_us_survey_foot_is_that_of_the_federal_register():
    # 85 FR 62698: 1200/3937 m; the notice prints 0.304 800 609 601 m. Exact ratio, so 1e-12.
    assert pytest.approx(0.3048006096012192, rel=1e-12) == units.SURVEY_FOOT_M


def test_the_two_feet_differ_by_two_parts_in_a_million():
    # NGS: 2 ppm, within its one printed digit.
    assert pytest.approx(2.0, rel=0.01) == (units.SURVEY_FOOT_M / units.FOOT_M - 1.0) * 1e6


def test_confusing_the_feet_is_off_by_a_foot_at_half_a_million():
    # Arithmetic on the above: 0.3048 m at 500,000 ft.
    assert pytest.approx(0.3048, rel=0.01) == 500_000 * (units.SURVEY_FOOT_M - units.FOOT_M)
    assert pytest.approx(0.3048, rel=0.01) != 500_000 * (units.FOOT_M - units.FOOT_M)


@pytest.mark.parametrize(
    ("found", "printed"),
    [
        # NIST Handbook 44 appendix C, exact values; typed from memory of the handbook.
        (units.INCH_M, 0.0254),
        (units.MILE_M, 1609.344),
        (units.ACRE_M2, 4046.8564224),
        (units.POUND_KG, 0.45359237),
        (units.OUNCE_KG, 0.028349523125),
        (units.GALLON_M3, 0.003785411784),
    ],
)
def test_customary_units_are_those_of_the_handbook(found, printed):
    assert found == pytest.approx(printed, rel=1e-12)


def test_utm_zones_of_four_longitudes():
    # EPSG: zone = floor((lon + 180) / 6) + 1.
    assert [utm_zone(lon) for lon in (-117.2, -111.0, -105.9, -114.0)] == [11, 12, 13, 12]
    assert (utm_zone(-180.0), utm_zone(179.999), utm_zone(180.0)) == (1, 60, 1)


def test_utm_codes_north_and_south():
    # EPSG: 326zz north, 327zz south.
    assert utm_crs(-111.0, 33.0) == "EPSG:32612"
    assert utm_crs(-69.0, -24.0) == "EPSG:32719"


def test_utm_easting_on_the_central_meridian_and_northing_of_33_north():
    # EPSG: false easting 500 000 m, so exact. The northing is pyproj's own value (kept as a regression).
    easting_m, northing_m = to_grid("EPSG:32612", -111.0, 33.0)
    assert float(easting_m) == pytest.approx(500000.0, rel=1e-9)
    assert float(northing_m) == pytest.approx(3651286.944, rel=1e-7)
    lon, lat = lonlat("EPSG:32612", easting_m, northing_m)
    assert (float(lon), float(lat)) == pytest.approx((-111.0, 33.0), abs=1e-9)


def test_geopackage_header_and_required_reference_systems(tmp_path):
    # OGC 12-128: 'GPKG' as an integer; user version 10300 for 1.3.0; srs_id -1, 0 and 4326; two tables.
    connection = sqlite3.connect(make_site(tmp_path / "site").geopackage)
    try:
        assert connection.execute("PRAGMA application_id").fetchone() == (1196444487,)
        assert int.from_bytes(b"GPKG", "big") == 1196444487
        assert connection.execute("PRAGMA user_version").fetchone() == (10300,)
        found = {row[0] for row in connection.execute("SELECT srs_id FROM gpkg_spatial_ref_sys")}
        assert {-1, 0, 4326} <= found
        tables = {row[0] for row in connection.execute("SELECT name FROM sqlite_master WHERE type = 'table'")}
        assert {"gpkg_spatial_ref_sys", "gpkg_contents"} <= tables
        assert connection.execute("PRAGMA integrity_check").fetchone() == ("ok",)
    finally:
        connection.close()


def test_geojson_outer_ring_follows_the_right_hand_rule(tmp_path):
    # RFC 7946 section 3.1.6; the ring is one that runs the wrong way, signed area -1.
    wrong = np.array([[100, 0], [100, 1], [101, 1], [101, 0], [100, 0]], float)
    hole = np.array([[100.2, 0.2], [100.8, 0.2], [100.8, 0.8], [100.2, 0.8]], float)
    write_geojson(tmp_path / "a.geojson", [{"name": "a"}], [[wrong, hole]])
    found = json.loads((tmp_path / "a.geojson").read_text())
    outer, inner = (np.array(ring) for ring in found["features"][0]["geometry"]["coordinates"])

    def signed_area(ring):
        return np.sum(ring[:-1, 0] * ring[1:, 1] - ring[1:, 0] * ring[:-1, 1]) / 2

    assert signed_area(wrong) == pytest.approx(-1.0, rel=1e-12)
    assert signed_area(outer) == pytest.approx(1.0, rel=1e-12)
    assert signed_area(inner) < 0
    # RFC 7946: rings are closed, at least four positions, no crs member.
    assert all(len(ring) >= 4 and np.array_equal(ring[0], ring[-1]) for ring in (outer, inner))
    assert "crs" not in found
