"""GPX 1.1: what we write is valid under the published schema, and a wrong twin is not.

Source: Topografix, GPX 1.1 schema, gpx.xsd, SHA-256 3bf901d1... It lies beside a developer's checkout only;
without it the facts of the schema that we rely on are checked directly in tests/unit/test_files_exchange.py.
"""

import hashlib
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest

from washgrade.files.exchange import write_gpx

SCHEMA = Path(__file__).resolve().parents[2].parent / "shared" / "reference" / "gpx-1.1.xsd"

pytestmark = pytest.mark.skipif(not SCHEMA.exists(), reason="the GPX schema is not beside this checkout")


@pytest.fixture(scope="module")
def schema():
    import xmlschema

    digest = hashlib.sha256(SCHEMA.read_bytes()).hexdigest()
    assert digest == "3bf901d17345920781ffa7b39759ca44a7f8c6ee2c7d884ca95c1bfb9a0cdc0a"
    return xmlschema.XMLSchema(str(SCHEMA))


def _written(path):
    waypoints = [
        (
            {
                "name": 'A <b> & "c"',
                "ele_m": 120.5,
                "time": "2026-03-01T10:00:00+01:00",
                "grade_percent": 12.5,
            },
            np.array([180.0, 37.1]),
        ),
        (
            {"name": "B\x0b", "type": "sample", "sym": "Flag", "time": "2026-03-01"},
            np.array([-2.4, 37.1]),
        ),
    ]
    tracks = [({"name": "A1", "kg_per_load": 1.25}, np.array([[-2.4, 37.1], [-2.5, 37.2]]))]
    write_gpx(path, waypoints=waypoints, tracks=tracks, time=datetime(2026, 3, 2, tzinfo=UTC))
    return path.read_text(encoding="utf-8")


def test_written_gpx_is_valid(schema, tmp_path):
    _written(tmp_path / "a.gpx")
    schema.validate(str(tmp_path / "a.gpx"))


@pytest.mark.parametrize(
    ("right", "wrong"),
    [
        ('lon="-180.0000000"', 'lon="180.0000000"'),
        (
            "<ele>120.5</ele><time>2026-03-01T09:00:00Z</time>",
            "<time>2026-03-01T09:00:00Z</time><ele>120.5</ele>",
        ),
        ("<trk>", "<trk><type>x</type>"),
    ],
)
def test_a_wrong_twin_is_not_valid(schema, tmp_path, right, wrong):
    text = _written(tmp_path / "a.gpx")
    assert right in text
    (tmp_path / "b.gpx").write_text(text.replace(right, wrong), encoding="utf-8")
    assert not schema.is_valid(str(tmp_path / "b.gpx"))
