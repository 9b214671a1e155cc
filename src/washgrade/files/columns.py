"""The data dictionary: every column of every kind of record, in one table.

The notebook's tables, the reading of files and their export are all drawn from here. A column whose name
ends in a unit of length, mass, volume or time may be brought in any unit of that family (``dry_mass_lb`` for
``dry_mass_kg``), a share also in percent (``grade_percent``). A new kind of record is one more entry in
`KINDS`, and its rules in `washgrade.files.kinds`.
"""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType

from washgrade.files.column import Column, Kind, known_names, nearest, tidy

__all__ = [
    "KINDS",
    "KIND_NAMES",
    "SEEN",
    "Column",
    "Kind",
    "column_help",
    "known_names",
    "nearest",
    "tidy",
]

KIND_NAMES = ("kind", "record")
"""Names of the column that says of what kind each record of a file is; no table of the notebook has it."""

SEEN = ("fresh streak", "buried", "bare", "unchanged")
"""What a look may have found."""

_DEPTH = "Depths are counted downward from the surface of the bed."

_WHEN = (
    Column(
        name="id",
        kind="id",
        required=True,
        content=False,
        words="Name of the record, its own for ever: a UUID or a label; made from the content if left out.",
    ),
    Column(
        name="time",
        kind="time",
        required=True,
        also=("date", "day"),
        words="Day (2025-03-04) or moment (2025-03-04T10:20:00+01:00).",
    ),
)

_WHERE = (
    Column(
        name="lon",
        kind="number",
        at_least=-180.0,
        at_most=180.0,
        also=("longitude",),
        words="WGS 84 longitude in degrees, east positive.",
    ),
    Column(
        name="lat",
        kind="number",
        at_least=-90.0,
        at_most=90.0,
        also=("latitude",),
        words="WGS 84 latitude in degrees, north positive.",
    ),
    Column(name="easting_m", kind="number", content=False, words="Easting on the site's grid, metres."),
    Column(name="northing_m", kind="number", content=False, words="Northing on the site's grid, metres."),
    Column(
        name="accuracy_m",
        kind="number",
        at_least=0.0,
        at_most=1000.0,
        words="How far off the place may be (the GPS's own figure), metres.",
    ),
)

_REACH = (
    Column(
        name="reach",
        kind="text",
        words="Reach, by its id as it was called then; it stands for its middle where no place is given.",
    ),
    Column(
        name="by_reach",
        kind="flag",
        content=False,
        words="Yes where the place is the middle of the reach, written down when the record was entered.",
    ),
)

_NAMED = Column(name="place", kind="text", words="Name of the place.")

_REST = (
    Column(name="note", kind="text", words="Anything else."),
    Column(name="source", kind="text", content=False, words="The file that it came from."),
    Column(name="recorded_at", kind="time", content=False, words="Moment of entering it in the notebook."),
    Column(
        name="struck_at", kind="time", content=False, words="Moment of striking it; empty while it stands."
    ),
    Column(name="struck_why", kind="text", content=False, words="Why it was struck."),
)

_SAMPLE = (
    Column(
        name="depth_top_m",
        kind="number",
        at_least=0.0,
        at_most=10.0,
        hint=_DEPTH,
        words="Depth of the top of the layer below the bed's surface, metres.",
    ),
    Column(
        name="depth_bottom_m",
        kind="number",
        at_least=0.0,
        at_most=10.0,
        hint=_DEPTH,
        words="Depth of the bottom of the layer below the bed's surface, metres.",
    ),
    Column(
        name="dry_mass_kg",
        kind="number",
        above=0.0,
        at_most=1000.0,
        words="Dry mass of what went over the magnet, magnetics included, kilograms.",
    ),
    Column(
        name="wet_mass_kg",
        kind="number",
        above=0.0,
        at_most=1000.0,
        words="Mass of the sample as dug, kilograms; needs the moisture.",
    ),
    Column(
        name="moisture",
        kind="number",
        at_least=0.0,
        at_most=1.0,
        words="Mass of water per wet mass of the sample, 0 to 1.",
    ),
    Column(
        name="magnetic_mass_kg",
        kind="number",
        at_least=0.0,
        at_most=1000.0,
        words="Mass of what the magnet took out of the sample, kilograms.",
    ),
    Column(
        name="volume_litres",
        kind="number",
        above=0.0,
        at_most=1000.0,
        words="Loose dry sand that went over the magnet, litres, where it was measured and not weighed.",
    ),
    Column(
        name="grade",
        kind="number",
        at_least=0.0,
        at_most=1.0,
        words="Mass of magnetics per dry mass, 0 to 1; worked out where the masses are given.",
    ),
    Column(
        name="trace",
        kind="flag",
        words="Yes where there was too little to weigh; the cell of the grade may say 'trace' as well.",
    ),
    Column(
        name="below",
        kind="number",
        at_least=0.0,
        at_most=1.0,
        words="Of a trace, the grade that it surely lies below, 0 to 1: what the eye would have seen.",
    ),
    Column(
        name="place", kind="text", words="Name of the place; layers and duplicates of one place share it."
    ),
)

_STORM = (
    Column(name="end", kind="time", words="Moment when the rain ended, where its duration is not given."),
    Column(
        name="duration_h",
        kind="number",
        above=0.0,
        at_most=240.0,
        words="How long it rained, hours; worked out from time and end.",
    ),
    Column(
        name="rain_mm",
        kind="number",
        at_least=0.0,
        at_most=2000.0,
        words="Depth of the rain that fell, millimetres.",
    ),
    Column(
        name="rain_source",
        kind="text",
        words="Where the depth of the rain comes from: own gauge, neighbour, weather service.",
    ),
    Column(
        name="gauge",
        kind="text",
        words="Course of the rain as JSON: hours since it began and millimetres fallen by then, "
        '{"time_h":[0,0.5],"fallen_mm":[0,12]}; made from a gauge\'s file by `washgrade storm --gauge`.',
    ),
    Column(
        name="mark_depth_m",
        kind="number",
        above=0.0,
        at_most=20.0,
        words="Height of a flood mark above the bed at the place, metres.",
    ),
    Column(
        name="mark_width_m",
        kind="number",
        above=0.0,
        at_most=1000.0,
        words="Width of the flow between flood marks on both banks at the place, metres.",
    ),
    Column(
        name="no_flow",
        kind="flag",
        words="Yes where the wash did not run: at the place, or anywhere if there is no place.",
    ),
)

_DIG = (
    Column(
        name="end_lon",
        kind="number",
        at_least=-180.0,
        at_most=180.0,
        words="Of a stretch that was dug, longitude of its other end.",
    ),
    Column(
        name="end_lat",
        kind="number",
        at_least=-90.0,
        at_most=90.0,
        words="Of a stretch that was dug, latitude of its other end.",
    ),
    Column(
        name="end_easting_m",
        kind="number",
        content=False,
        words="Easting of the other end on the site's grid, metres.",
    ),
    Column(
        name="end_northing_m",
        kind="number",
        content=False,
        words="Northing of the other end on the site's grid, metres.",
    ),
    Column(
        name="loads",
        kind="number",
        above=0.0,
        at_most=100000.0,
        words="How many shovel loads were dug.",
    ),
    Column(
        name="buckets",
        kind="number",
        above=0.0,
        at_most=100000.0,
        words="How many buckets were filled.",
    ),
    Column(
        name="bucket_litres",
        kind="number",
        above=0.0,
        at_most=1000.0,
        words="What one bucket holds, litres; five US gallons unless told.",
    ),
    Column(
        name="volume_litres",
        kind="number",
        above=0.0,
        at_most=1e6,
        words="Loose sand that was dug, litres.",
    ),
    Column(
        name="dug_litres",
        kind="number",
        content=False,
        above=0.0,
        at_most=1e8,
        words="Loose sand that was dug, litres, worked out when the record was entered: the volume, else the "
        "buckets, else the loads with the shovel that the settings named then.",
    ),
    Column(
        name="bite_m",
        kind="number",
        above=0.0,
        at_most=5.0,
        words="How deep was dug, metres.",
    ),
    Column(
        name="product_mass_kg",
        kind="number",
        at_least=0.0,
        at_most=100000.0,
        words="Mass of the cleaned product that came of it, kilograms.",
    ),
    Column(
        name="purity",
        kind="number",
        at_least=0.0,
        at_most=1.0,
        words="Share of magnetics in the product, 0 to 1.",
    ),
)

_LOOK = (
    Column(
        name="seen",
        kind="word",
        choices=SEEN,
        words="What was seen: `fresh streak`, `buried` (with its depth), `bare` or `unchanged`.",
    ),
    Column(
        name="depth_m",
        kind="number",
        above=0.0,
        at_most=10.0,
        hint=_DEPTH,
        words="Depth of the top of a buried streak below the bed's surface, metres.",
    ),
)

KINDS: Mapping[str, Kind] = MappingProxyType(
    {
        "samples": Kind(table="samples", one="sample", columns=(*_WHEN, *_WHERE, *_SAMPLE, *_REST)),
        "storms": Kind(
            table="storms", one="storm", columns=(*_WHEN, *_WHERE, *_REACH, *_STORM, _NAMED, *_REST)
        ),
        "digs": Kind(table="digs", one="dig", columns=(*_WHEN, *_WHERE, *_REACH, *_DIG, _NAMED, *_REST)),
        "looks": Kind(table="looks", one="look", columns=(*_WHEN, *_WHERE, *_REACH, *_LOOK, _NAMED, *_REST)),
    }
)


def column_help(kind: str = "samples") -> str:
    """Write out the columns of a kind of record, one a line, for help texts.

    Parameters
    ----------
    kind : str, default "samples"
        A key of `KINDS`.

    Returns
    -------
    str
        Lines of name, meaning and other names.

    Examples
    --------
    >>> print(column_help().splitlines()[7])
    depth_top_m: Depth of the top of the layer below the bed's surface, metres. Also depth_top_cm,
    depth_top_mm,
        depth_top_ft, depth_top_in.
    """
    lines = []
    for column in KINDS[kind].columns:
        others = [name for name in column.names if name != column.name]
        lines.append(f"{column.name}: {column.words}" + (f" Also {', '.join(others)}." if others else ""))
    return "\n".join(lines)
