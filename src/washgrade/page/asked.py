"""What forms call the columns of a record, and the units in which they first ask; on phone and desk alike."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType

__all__ = ["ASKED_IN", "LABELS", "UNIT_WORDS"]

LABELS: Mapping[str, str] = MappingProxyType(
    {
        "id": "Name of the record",
        "time": "Day",
        "lon": "Longitude",
        "lat": "Latitude",
        "easting_m": "Easting",
        "northing_m": "Northing",
        "accuracy_m": "GPS accuracy",
        "reach": "Reach",
        "place": "Name of the place",
        "note": "Note",
        "depth_top_m": "Top of the layer",
        "depth_bottom_m": "Bottom of the layer",
        "dry_mass_kg": "Dry mass",
        "wet_mass_kg": "Wet mass",
        "moisture": "Moisture",
        "magnetic_mass_kg": "Magnetics",
        "volume_litres": "Volume",
        "grade": "Grade",
        "trace": "Only a trace: seen, but too little to weigh",
        "below": "Surely below",
        "end": "End of the rain",
        "duration_h": "How long it rained",
        "rain_mm": "Rain",
        "rain_source": "Where the rain figure comes from",
        "mark_depth_m": "Flood mark above the bed",
        "mark_width_m": "Width between the marks",
        "no_flow": "The wash did not run",
        "end_lon": "Other end, longitude",
        "end_lat": "Other end, latitude",
        "end_easting_m": "Other end, easting",
        "end_northing_m": "Other end, northing",
        "loads": "Shovel loads",
        "buckets": "Buckets",
        "bucket_litres": "One bucket holds",
        "bite_m": "Depth dug",
        "product_mass_kg": "Product",
        "purity": "Magnetics in the product",
        "seen": "What was seen",
        "depth_m": "Depth of the buried streak",
    }
)
"""What a column of a record is called in a form."""

ASKED_IN: Mapping[str, tuple[str, str]] = MappingProxyType(
    {
        "accuracy_m": ("ft", "m"),
        "depth_top_m": ("in", "cm"),
        "depth_bottom_m": ("in", "cm"),
        "dry_mass_kg": ("lb", "kg"),
        "wet_mass_kg": ("lb", "kg"),
        "magnetic_mass_kg": ("oz", "g"),
        "volume_litres": ("gal", "litres"),
        "bucket_litres": ("gal", "litres"),
        "duration_h": ("min", "min"),
        "rain_mm": ("in", "mm"),
        "mark_depth_m": ("in", "cm"),
        "mark_width_m": ("ft", "m"),
        "bite_m": ("in", "cm"),
        "product_mass_kg": ("lb", "kg"),
        "depth_m": ("in", "cm"),
    }
)
"""Unit that a form offers first: for people used to US units, and to metric ones."""

UNIT_WORDS: Mapping[str, str] = MappingProxyType(
    {"litres": "L", "percent": "%", "m3": "m³", "ft3": "ft³", "h": "hours"}
)
"""How a unit's suffix is written for people; others are written as they are."""
