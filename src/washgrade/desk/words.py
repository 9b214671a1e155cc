"""The words of the desk's forms: where a column stands, and how the library's sentences are said there."""

from __future__ import annotations

import re
from collections.abc import Mapping
from types import MappingProxyType

from washgrade.files.columns import KINDS, known_names
from washgrade.page.asked import ASKED_IN, LABELS, UNIT_WORDS

__all__ = ["GROUPS", "for_desk", "in_words", "label_of"]

_PLACE = ("lat", "lon", "accuracy_m")
_GRID = ("easting_m", "northing_m")

GROUPS: Mapping[str, tuple[tuple[str, bool, tuple[str, ...]], ...]] = MappingProxyType(
    {
        "samples": (
            ("When", False, ("time",)),
            ("Where", False, (*_PLACE, "place")),
            ("On the site's grid instead", True, _GRID),
            ("What was in it", False, ("dry_mass_kg", "magnetic_mass_kg", "trace", "below")),
            ("How deep", False, ("depth_top_m", "depth_bottom_m")),
            ("Not weighed dry", True, ("wet_mass_kg", "moisture", "volume_litres", "grade")),
            ("Anything else", False, ("note",)),
        ),
        "storms": (
            ("When the rain began", False, ("time",)),
            ("Rain", False, ("rain_mm", "duration_h", "end", "rain_source")),
            ("What the wash did", False, ("no_flow", "mark_depth_m", "mark_width_m")),
            ("Where: only for a flood mark, or a gauge that is not here", False, ("reach", *_PLACE, "place")),
            ("On the site's grid instead", True, _GRID),
            ("Anything else", False, ("note",)),
        ),
        "digs": (
            ("When", False, ("time",)),
            ("Where: a reach, or a place", False, ("reach", *_PLACE, "place")),
            ("Other end of a stretch", True, ("end_lat", "end_lon", "end_easting_m", "end_northing_m")),
            ("On the site's grid instead", True, _GRID),
            (
                "How much: one of these is enough",
                False,
                ("loads", "buckets", "bucket_litres", "volume_litres", "bite_m"),
            ),
            ("What came of it", False, ("product_mass_kg", "purity")),
            ("Anything else", False, ("note",)),
        ),
        "looks": (
            ("When", False, ("time",)),
            ("Where: a reach, or a place", False, ("reach", *_PLACE, "place")),
            ("On the site's grid instead", True, _GRID),
            ("What was seen", False, ("seen", "depth_m")),
            ("Anything else", False, ("note",)),
        ),
    }
)
"""Of each kind the groups of its form: heading, whether it is folded away at first, and its columns."""

# What a sentence of the library says of the command line, in the words of the desk.
_INSTEAD = tuple(
    (re.compile(pattern), words)
    for pattern, words in (
        (r"`washgrade rank`|washgrade rank SITE", "the ranking"),
        (r"\(washgrade where SITE\)", "(see Sample next)"),
        (
            r"Read it as one storm with: washgrade storm SITE --gauge FILE",
            "Give it as a gauge's file in the form for a storm",
        ),
        (r"washgrade notebook SITE", "the notebook"),
        (r"washgrade ground SITE --dem FILE", "Ground, Build the ground"),
        (r"washgrade ground SITE --access FILE", "Ground, Where you park or enter"),
        (r"; leave --as out to take both", ""),
        (r" in site\.toml", " in the settings"),
        (r"--(keep-dam|sink) ([a-z]+-\d+-\d+)", r"\2 under --\1"),
    )
)
_OPTIONS = {
    "z-unit": "“Unit of the heights”",
    "dem-crs": "“Projection of a DEM that names none”",
    "crs": "“Projection of the site”",
    "cell": "“Side of a cell to work with”",
    "keep-dam": "“Dams that really stand”",
    "sink": "“Where water sinks or stays”",
    "gauge-form": "“Its figures are”",
    "date": "“Day”",
    "from": "“Start”",
    "why": "“Why”",
}
_KNOWN = {kind: known_names(entry.columns) for kind, entry in KINDS.items()}
# Names that are also plain words are told apart by the quotation marks around them.
_BARE = re.compile(r"\b(?:[a-z]+_[a-z0-9_]+|lon|lat)\b")


def for_desk(sentence: str) -> str:
    """Say a sentence of the library without what only the command line knows.

    Parameters
    ----------
    sentence : str
        The library's.

    Returns
    -------
    str
        The desk's.

    Examples
    --------
    >>> for_desk("Raise 'snap_max_m' in site.toml.")
    "Raise 'snap_max_m' in the settings."
    >>> for_desk("If the dam stands, build again with --keep-dam cut-1200-3400.")
    'If the dam stands, build again with cut-1200-3400 under “Dams that really stand”.'
    """
    for pattern, words in _INSTEAD:
        sentence = pattern.sub(words, sentence)
    # What the desk does not offer is named as what it is.
    return re.sub(
        r"--([a-z]+(?:-[a-z]+)*)",
        lambda found: _OPTIONS.get(found.group(1), f"the command line's {found.group(0)}"),
        sentence,
    )


def label_of(kind: str, name: str) -> str:
    """Say what a column is called, by any name that a file may use for it.

    Parameters
    ----------
    kind : str
        The kind of record.
    name : str
        The name, such as ``dry_mass_lb``.

    Returns
    -------
    str
        Such as ``dry mass (lb)``, for the middle of a sentence; the name itself where it is unknown.

    Examples
    --------
    >>> label_of("samples", "dry_mass_lb"), label_of("samples", "lon"), label_of("samples", "colour")
    ('dry mass (lb)', 'longitude', 'colour')
    """
    entry = _KNOWN[kind].get(name)
    if entry is None:
        return name
    column, _ = entry
    label = LABELS.get(column.name, column.name)
    label = label if label.startswith("GPS") else label[0].lower() + label[1:]
    stem = column.name.rpartition("_")[0]
    unit = name.removeprefix(f"{stem}_") if column.name in ASKED_IN else ""
    if name.endswith("_percent"):
        unit = "percent"
    return f"{label} ({UNIT_WORDS.get(unit, unit)})" if unit else label


def in_words(kind: str, sentence: str) -> str:
    """Say a fault of a record with the labels of its form instead of the names of columns.

    Parameters
    ----------
    kind : str
        The kind of record.
    sentence : str
        The fault.

    Returns
    -------
    str
        The same for people.

    Examples
    --------
    >>> in_words("samples", "Invalid 'dry_mass_lb' of 'two'. It must be a finite number above 0.")
    "Invalid dry mass (lb) of 'two'. It must be a finite number above 0."
    """
    known = _KNOWN[kind]

    def quoted(found: re.Match[str]) -> str:
        return label_of(kind, found.group(1)) if found.group(1) in known else found.group(0)

    def bare(found: re.Match[str]) -> str:
        return label_of(kind, found.group(0))

    return for_desk(_BARE.sub(bare, re.sub(r"'([a-z][a-z0-9_]*)'", quoted, sentence)))
