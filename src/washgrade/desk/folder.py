"""Files that are on the machine already: in the site, and in the folder named when the desk was started."""

from __future__ import annotations

import os
from collections.abc import Iterable
from pathlib import Path

from washgrade.errors import InputError

__all__ = ["DEM_ENDINGS", "RECORD_ENDINGS", "SHAPE_ENDINGS", "listed_files", "own_files", "picked_path"]

DEM_ENDINGS = frozenset({".tif", ".tiff", ".asc", ".img", ".vrt", ".flt", ".bil", ".hgt", ".dem", ".zip"})
"""Endings of files of heights."""

SHAPE_ENDINGS = frozenset(
    {".geojson", ".json", ".gpx", ".gpkg", ".shp", ".fgb", ".kml", ".kmz", ".gml", ".zip"}
)
"""Endings of files of points, lines and areas."""

RECORD_ENDINGS = SHAPE_ENDINGS | {".csv", ".txt", ".tsv"}
"""Endings of files of records."""

# Beyond that nobody finds anything in a list; a folder nearer to the files is asked for.
MOST_LISTED = 500


def own_files(site: Path) -> Path:
    """Name the folder where a site keeps the files that were uploaded for its ground.

    Parameters
    ----------
    site : Path
        The site folder.

    Returns
    -------
    Path
        Inside the site.
    """
    return site / "files"


def listed_files(root: Path | None, endings: Iterable[str]) -> tuple[str, ...]:
    """List the files below a folder that have one of some endings.

    Parameters
    ----------
    root : Path or None
        The folder.
    endings : iterable of str
        Small letters, with the point.

    Returns
    -------
    tuple of str
        Paths below the folder, with forward slashes, at most some hundred; what a link leads outside is left
        out, and what begins with a point too.
    """
    if root is None or not root.is_dir():
        return ()
    wanted, found = frozenset(endings), []
    inside = root.resolve()
    for folder, folders, names in os.walk(root):
        folders[:] = sorted(name for name in folders if not name.startswith("."))
        for name in sorted(names):
            path = Path(folder) / name
            if name.startswith(".") or path.suffix.lower() not in wanted:
                continue
            if path.resolve().is_relative_to(inside):
                found.append(path.relative_to(root).as_posix())
        if len(found) >= MOST_LISTED:
            break
    return tuple(found[:MOST_LISTED])


def picked_path(root: Path | None, name: str, endings: Iterable[str]) -> Path:
    """Find a file that was picked from the list.

    Parameters
    ----------
    root : Path or None
        The folder.
    name : str
        As the list gave it.
    endings : iterable of str
        As the list was made with.

    Returns
    -------
    Path
        The file.

    Raises
    ------
    InputError
        If the list does not hold it: a path that leads outside is never on the list.
    """
    if root is None or name not in listed_files(root, endings):
        raise InputError(
            f"The file {name!r} is not one of those on offer. Pick one from the list, or upload it."
        )
    return root / name
