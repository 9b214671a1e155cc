"""KML 2.2: what we write is valid under OGC's schema, and a wrong twin is not; GDAL reads the same from it.

Source: OGC, KML 2.2 schema ogckml22.xsd (2008, belongs to OGC 07-147r2), as the general KML library fastkml
carries it. fastkml's code is not used.
"""

from __future__ import annotations

import importlib.util
from pathlib import Path

import numpy as np
import pyogrio
import pytest
import shapely
import xmlschema

from washgrade.files.exchange import FORMATS

ROWS = [
    {"name": 'A <b> & "c"', "time": "2026-03-01T10:00:00+01:00", "grade": 0.125, "note": "one\ntwo, 'three'"},
    {"id": "S-07", "time": "2026-03-01", "trace": True, "missing": None},
    {"reach": "A1", "kg_per_load_mean": 2.5, 'odd "name" <x>': "y"},
    {"reach": "A2", "kg_per_load_mean": 0.2},
    {"name": "property", "desc": "where one may <dig>", "time": "2026"},
    {"name": "a storm of no place", "time": "20260301"},
]
SHAPES = [
    np.array([-2.4, 37.1]),
    np.array([180.0, -37.123456789]),
    np.array([[-2.4, 37.1], [-2.5, 37.2]]),
    np.array([[-2.4, 37.1], [-2.5, 37.2], [-2.6, 37.2]]),
    [
        np.array([[-2.0, 37.0], [-1.9, 37.0], [-1.9, 37.1], [-2.0, 37.1]]),
        np.array([[-1.98, 37.02], [-1.95, 37.02], [-1.95, 37.05], [-1.98, 37.02]]),
    ],
    np.array([np.nan, np.nan]),
]


@pytest.fixture(scope="module")
def schema():
    folder = Path(importlib.util.find_spec("fastkml").origin).parent / "schema"
    # What the schema borrows from others lies beside it; nothing is fetched.
    beside = [
        ("http://www.w3.org/2005/Atom", str(folder / "atom-author-link.xsd")),
        ("urn:oasis:names:tc:ciq:xsdschema:xAL:2.0", str(folder / "xAL.xsd")),
    ]
    return xmlschema.XMLSchema(str(folder / "ogckml22.xsd"), locations=beside, allow="local")


@pytest.fixture
def written(tmp_path):
    FORMATS["kml"](tmp_path / "a.kml", ROWS, SHAPES)
    return tmp_path / "a.kml"


def test_written_kml_is_valid(schema, written):
    assert schema.target_namespace == "http://www.opengis.net/kml/2.2"
    schema.validate(str(written))


@pytest.mark.parametrize(
    ("right", "wrong"),
    [
        ("<value>0.125</value>", "<worth>0.125</worth>"),
        ("<color>ff2e0826</color>", "<color>2e0826</color>"),
        ("<when>2026-03-01</when>", "<when>in spring</when>"),
        ("<LineString><tessellate>1</tessellate>", "<LineString><tessellate>much</tessellate>"),
        ("<name>A1</name><styleUrl>#class0</styleUrl>", "<styleUrl>#class0</styleUrl><name>A1</name>"),
    ],
)
def test_a_wrong_twin_is_not_valid(schema, written, right, wrong):
    text = written.read_text(encoding="utf-8")
    assert right in text
    written.write_text(text.replace(right, wrong, 1), encoding="utf-8")
    assert not schema.is_valid(str(written))


def test_gdal_reads_the_same_places_names_and_fields(written):
    meta, _, blobs, fields = pyogrio.raw.read(written)
    assert meta["crs"] in {"EPSG:4326", "OGC:CRS84"}
    found = dict(zip(meta["fields"].tolist(), fields, strict=True))
    names = next(found[name] for name in ("Name", "name") if name in found)
    assert names.tolist() == ['A <b> & "c"', "S-07", "A1", "A2", "property", "a storm of no place"]
    for blob, shape in zip(blobs, SHAPES, strict=True):
        if not isinstance(shape, np.ndarray):
            expected = shapely.Polygon(shape[0], shape[1:])
        elif shape.ndim == 2:
            expected = shapely.LineString(shape)
        else:
            expected = None if np.isnan(shape).any() else shapely.Point(shape)
        got = None if blob is None else shapely.force_2d(shapely.from_wkb(blob))
        assert got == expected or shapely.equals_exact(got, expected, tolerance=1e-7)
    assert found["grade"].tolist()[0] == "0.125"
    assert found["note"].tolist()[0] == "one\ntwo, 'three'"


def test_the_richest_stand_out(written):
    text = written.read_text(encoding="utf-8")
    assert "<name>A1</name><styleUrl>#class0</styleUrl>" in text
    assert "<name>A2</name><styleUrl>#class3</styleUrl>" in text
