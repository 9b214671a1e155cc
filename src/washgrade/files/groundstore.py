"""The ground of a site on disk: channels and drawn shapes in ``site.gpkg``, heights in ``terrain.tif``.

A rebuild is one SQLite transaction in the file that also holds the notebook, so records are never at risk.
The new terrain waits beside the old one until that transaction is done; whoever comes next, this process or
any other, puts it in place. So a ground is old or new, never half of each.
"""

from __future__ import annotations

import json
import mmap
import sqlite3
import time
from collections.abc import Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from washgrade.errors import SiteError
from washgrade.files.geopackage import (
    add_crs,
    drop_table,
    has_table,
    make_table,
    reading,
    shape_blob,
    wkb,
    writing,
)
from washgrade.files.groundtables import (
    GroundLayers,
    load_layers,
    load_ledger,
    load_nodes,
    load_reaches,
    save_channels,
    save_layers,
)
from washgrade.files.notebook import make_notebook, regrid
from washgrade.files.site import Site
from washgrade.files.terrain import (
    read_terrain,
    read_window,
    terrain_bands,
    terrain_stamp,
    write_terrain,
)
from washgrade.files.vectors import Shape
from washgrade.land.dem import Dem

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from washgrade.files.rasters import GroundReport
    from washgrade.land.channels import Channels
    from washgrade.land.places import Places

__all__ = [
    "GroundFacts",
    "check_dem",
    "dem_bands",
    "dem_window_m",
    "has_ground",
    "load_channels",
    "load_dem",
    "load_facts",
    "load_ground_layers",
    "load_places",
    "load_shapes",
    "save_ground",
]

SHAPE_LAYERS = {
    "property": ("POLYGON", "Where one may walk and dig"),
    "no_go": ("POLYGON", "Where nobody may go"),
    "access": ("POINT", "Where one may park and start"),
    "drawn_channels": ("LINESTRING", "Washes as drawn or walked, which the network follows"),
    "kept_dams": ("GEOMETRY", "Dams that stand, which no cut may pass"),
    "sinks": ("GEOMETRY", "Where water sinks into the ground or stays"),
    "sources": ("POLYGON", "Rock whose sand has a known grade, 0 to 1"),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class GroundFacts:
    """What the ground is, without its arrays.

    Parameters
    ----------
    crs : str
        The site's grid.
    cell_m : float
        Side of a DEM cell, metres.
    rows, cols : int
        Size of the DEM.
    west_m, north_m : float
        Its north-western corner, metres.
    stamp : str
        Name of the terrain that belongs to it.
    channel_area_m2 : float
        Ground that it takes for a channel to begin, square metres.
    sentences, doubts : tuple of str
        What was found when it was built.
    more : mapping
        What else the builder wanted kept.
    """

    crs: str
    cell_m: float
    rows: int
    cols: int
    west_m: float
    north_m: float
    stamp: str
    channel_area_m2: float
    sentences: tuple[str, ...]
    doubts: tuple[str, ...]
    more: Mapping[str, Any]

    @property
    def east_m(self) -> float:
        """Eastern edge, metres."""
        return self.west_m + self.cols * self.cell_m

    @property
    def south_m(self) -> float:
        """Southern edge, metres."""
        return self.north_m - self.rows * self.cell_m

    def contains(self, easting_m: float, northing_m: float) -> bool:
        """Say whether a place lies within the DEM's edges.

        Parameters
        ----------
        easting_m, northing_m : float
            Metres.

        Returns
        -------
        bool
            True within or on the edges.
        """
        return self.west_m <= easting_m <= self.east_m and self.south_m <= northing_m <= self.north_m


def save_ground(
    site: Site,
    dem: Dem,
    channels: Channels,
    layers: GroundLayers,
    report: GroundReport,
    *,
    shapes: Mapping[str, Sequence[Shape]] | None = None,
    more: Mapping[str, Any] | None = None,
) -> None:
    """Put a ground in place of the one that was there, whole or not at all.

    Parameters
    ----------
    site : Site
        The site.
    dem : Dem
        Its heights.
    channels : Channels
        Its channels.
    layers : GroundLayers
        Their shape, sections and what was done to the ground.
    report : GroundReport
        What was found in the DEMs.
    shapes : mapping of str to sequence of Shape, optional
        Drawn shapes by layer (a key of `SHAPE_LAYERS`), on the DEM's grid; layers kept before stay if left
        out, an empty sequence removes them.
    more : mapping, optional
        Anything else to keep, as JSON.

    Raises
    ------
    SiteError
        If the site cannot be written; the old ground stays then.
    """
    with reading(site.geopackage) as connection:
        standing = _facts(connection)
    if standing is not None:
        _settle(site, standing.stamp)
    _clear_leftovers(site)
    waiting = _waiting(site, terrain_stamp(dem))
    stamp = write_terrain(waiting, dem)
    facts = {
        "crs": dem.crs,
        "cell_m": float(dem.cell_m),
        "rows": dem.shape[0],
        "cols": dem.shape[1],
        "west_m": float(dem.west_m),
        "north_m": float(dem.north_m),
        "stamp": stamp,
        "channel_area_m2": float(channels.channel_area_m2),
        "sentences": list(report.sentences),
        "doubts": list(report.doubts),
        "more": dict(more or {}),
    }
    try:
        with writing(site.geopackage) as connection:
            before = _facts(connection)
            srs_id = add_crs(connection, dem.crs)
            make_notebook(connection, srs_id)
            moved = before is not None and before.crs != dem.crs
            if moved:
                regrid(connection, dem.crs, srs_id)
            for layer in SHAPE_LAYERS:
                kept = _shapes(connection, layer, before.crs if before else dem.crs, dem.crs)
                _save_shapes(connection, layer, (shapes or {}).get(layer, kept), srs_id)
            save_channels(connection, channels, layers, srs_id)
            save_layers(connection, layers, srs_id)
            make_table(
                connection, "ground", ["key TEXT NOT NULL UNIQUE", "value TEXT"], words="What the ground is"
            )
            connection.executemany(
                "INSERT INTO ground (key, value) VALUES (?, ?)",
                [(key, json.dumps(value, ensure_ascii=False)) for key, value in facts.items()],
            )
    except BaseException:
        # An interrupt may come after the commit: then this terrain belongs to the ground that is there now.
        with reading(site.geopackage) as connection:
            now = _facts(connection)
        if now is None or now.stamp != stamp:
            waiting.unlink(missing_ok=True)
        raise
    _settle(site, stamp)


def _save_shapes(connection: sqlite3.Connection, layer: str, shapes: Sequence[Shape], srs_id: int) -> None:
    geometry, words = SHAPE_LAYERS[layer]
    drop_table(connection, layer)
    graded = layer == "sources"
    columns = ["name TEXT", *(["grade DOUBLE"] if graded else [])]
    make_table(connection, layer, columns, words=words, geometry=geometry, srs_id=srs_id)
    names = "name, grade" if graded else "name"
    connection.executemany(
        f"INSERT INTO {layer} (geom, {names}) VALUES (?, ?{', ?' * graded})",  # noqa: S608  (our own names)
        [
            (shape_blob(srs_id, shape.geometry.wkb), shape.name, *([shape.grade] if graded else []))
            for shape in shapes
        ],
    )


def _shapes(connection: sqlite3.Connection, layer: str, source: str, target: str) -> tuple[Shape, ...]:
    if not has_table(connection, layer):
        return ()
    grade = "grade" if layer == "sources" else "NULL"
    rows = connection.execute(f"SELECT geom, name, {grade} FROM {layer} ORDER BY fid").fetchall()  # noqa: S608  (our own names)
    if not rows:
        return ()
    import shapely

    geometries = shapely.from_wkb([wkb(row[0]) for row in rows])
    if source != target:
        from pyproj import Transformer

        move = Transformer.from_crs(source, target, always_xy=True)
        geometries = shapely.transform(geometries, lambda points: np.stack(move.transform(*points.T), axis=1))
    return tuple(
        Shape(name=row[1] or "", geometry=shape, grade=row[2])
        for row, shape in zip(rows, geometries, strict=True)
    )


def has_ground(site: Site) -> bool:
    """Say whether a site has a ground.

    Parameters
    ----------
    site : Site
        The site.

    Returns
    -------
    bool
        False for a site just laid out.

    Raises
    ------
    SiteError
        If the site cannot be read.
    """
    with reading(site.geopackage) as connection:
        return _facts(connection) is not None


def load_facts(site: Site) -> GroundFacts:
    """Read what the ground is.

    Parameters
    ----------
    site : Site
        The site.

    Returns
    -------
    GroundFacts
        Grid, size, stamp and report.

    Raises
    ------
    SiteError
        If there is no ground yet, or the site cannot be read.
    """
    with reading(site.geopackage) as connection:
        return _need_facts(connection, site)


def load_channels(site: Site) -> Channels:
    """Read the channels of the ground.

    Parameters
    ----------
    site : Site
        The site.

    Returns
    -------
    Channels
        Nodes and reaches.

    Raises
    ------
    SiteError
        If there is no ground yet, the site cannot be read, or terrain and channels do not belong together.
    """
    from washgrade.land.channels import Channels

    with reading(site.geopackage) as connection:
        facts = _need_facts(connection, site)
        nodes, reaches = load_nodes(connection), load_reaches(connection)
    _settle(site, facts.stamp)
    if not _carries(site.terrain, facts.stamp):
        raise SiteError(_torn(site))
    return Channels(nodes=nodes, reaches=reaches, channel_area_m2=facts.channel_area_m2)


def load_ground_layers(site: Site) -> GroundLayers:
    """Read what is known of the channels beyond their network.

    Parameters
    ----------
    site : Site
        The site.

    Returns
    -------
    GroundLayers
        Shapes, sections, edges and marks.

    Raises
    ------
    SiteError
        If there is no ground yet, or the site cannot be read.
    """
    with reading(site.geopackage) as connection:
        _need_facts(connection, site)
        if not has_table(connection, "sections"):
            raise SiteError(
                f"The ground of {site.folder} was built by an earlier washgrade and says nothing of shapes. "
                "Build it again: washgrade ground. The notebook is not touched by that."
            )
        return load_layers(connection)


def load_places(site: Site, *, crs: str) -> Places:
    """Read every id that the site's reaches ever had, with the places they stood for.

    Parameters
    ----------
    site : Site
        The site; it has a ground.
    crs : str
        Grid to give the places on.

    Returns
    -------
    Places
        The ledger; for a ground built before there was one, the ids of that ground.

    Raises
    ------
    SiteError
        If there is no ground yet, or the site cannot be read.
    """
    from washgrade.land.channels import Channels
    from washgrade.land.inherit import inherit_ids
    from washgrade.land.places import no_places

    with reading(site.geopackage) as connection:
        facts = _need_facts(connection, site)
        places = load_ledger(connection)
        if places is None:
            channels = Channels(
                nodes=load_nodes(connection),
                reaches=load_reaches(connection),
                channel_area_m2=facts.channel_area_m2,
            )
            places = inherit_ids(channels, no_places(), cell_m=facts.cell_m).places
    if crs != facts.crs:
        from pyproj import Transformer

        move = Transformer.from_crs(facts.crs, crs, always_xy=True)
        easting_m, northing_m = move.transform(places.easting_m, places.northing_m)
        places = replace(places, easting_m=easting_m, northing_m=northing_m)
    return places


def load_shapes(site: Site, layer: str, *, crs: str | None = None) -> tuple[Shape, ...]:
    """Read the drawn shapes of one layer.

    Parameters
    ----------
    site : Site
        The site.
    layer : str
        Which, a key of `SHAPE_LAYERS`.
    crs : str, optional
        Grid to give them on; the site's own if left out.

    Returns
    -------
    tuple of Shape
        Shapes on the grid; none if none were drawn.

    Raises
    ------
    SiteError
        If there is no ground yet, or the site cannot be read.
    """
    with reading(site.geopackage) as connection:
        facts = _need_facts(connection, site)
        return _shapes(connection, layer, facts.crs, crs or facts.crs)


def check_dem(site: Site) -> None:
    """Read through the heights of the ground, without keeping them.

    Parameters
    ----------
    site : Site
        The site.

    Raises
    ------
    SiteError
        If there is no ground yet, it cannot be read, or terrain and channels do not belong together.
    """
    for _ in dem_bands(site, whole_rows=1):
        pass


def dem_bands(site: Site, *, whole_rows: int) -> Iterator[Dem]:
    """Read the heights of the ground in bands of rows, from the north.

    Parameters
    ----------
    site : Site
        The site.
    whole_rows : int
        Every band has a multiple of so many rows, but for the last.

    Yields
    ------
    Dem
        The heights of a band.

    Raises
    ------
    SiteError
        If there is no ground yet, it cannot be read, or terrain and channels do not belong together.
    """
    facts = load_facts(site)
    _settle(site, facts.stamp)
    for dem, stamp in terrain_bands(site.terrain, whole_rows=whole_rows):
        if stamp != facts.stamp:
            raise SiteError(_torn(site))
        yield dem


def dem_window_m(site: Site, rows: slice, cols: slice) -> NDArray[np.float32]:
    """Read the heights of a part of the ground.

    Parameters
    ----------
    site : Site
        The site.
    rows, cols : slice
        Which, both within the ground.

    Returns
    -------
    ndarray of float32, shape (rows, cols)
        Metres, NaN where unknown.

    Raises
    ------
    SiteError
        If there is no ground yet, it cannot be read, or terrain and channels do not belong together.
    """
    facts = load_facts(site)
    _settle(site, facts.stamp)
    heights_m, stamp = read_window(site.terrain, rows, cols)
    if stamp != facts.stamp:
        raise SiteError(_torn(site))
    return heights_m


def load_dem(site: Site, *, most_cells: int | None = None) -> Dem:
    """Read the heights of the ground.

    Parameters
    ----------
    site : Site
        The site.
    most_cells : int, optional
        A DEM of more cells is read coarser, see `washgrade.files.terrain.read_terrain`.

    Returns
    -------
    Dem
        The projected DEM.

    Raises
    ------
    SiteError
        If there is no ground yet, it cannot be read, or terrain and channels do not belong together.
    """
    facts = load_facts(site)
    _settle(site, facts.stamp)
    dem, stamp = read_terrain(site.terrain, most_cells=most_cells)
    if stamp != facts.stamp:
        raise SiteError(_torn(site))
    return dem


def _facts(connection: sqlite3.Connection) -> GroundFacts | None:
    if not has_table(connection, "ground"):
        return None
    found = {key: json.loads(value) for key, value in connection.execute("SELECT key, value FROM ground")}
    found["sentences"], found["doubts"] = tuple(found["sentences"]), tuple(found["doubts"])
    return GroundFacts(**found)


def _need_facts(connection: sqlite3.Connection, site: Site) -> GroundFacts:
    facts = _facts(connection)
    if facts is None:
        raise SiteError(
            f"The site {site.folder} has no ground yet. Build it with: washgrade ground SITE --dem FILE."
        )
    return facts


def _waiting(site: Site, stamp: str) -> Path:
    # Named by its stamp, so that two builds at once do not write into one file.
    return site.folder / f".terrain-{stamp}.tif"


def _settle(site: Site, stamp: str) -> None:
    # Put a terrain that waits for this ground in its place.
    waiting = _waiting(site, stamp)
    if not waiting.exists():
        return
    try:
        waiting.replace(site.terrain)
    except FileNotFoundError:
        # Another process was quicker; it put the same file there.
        return
    except OSError as error:
        raise SiteError(
            f"{site.terrain} cannot be replaced ({error.strerror}). Close what has it open."
        ) from None


def _clear_leftovers(site: Site) -> None:
    # What builds that were killed left behind; a day is longer than any build that still runs.
    for path in site.folder.glob(".terrain-*.tif"):
        with suppress(OSError):
            if time.time() - path.stat().st_mtime > 86400.0:
                path.unlink()


def _carries(path: Path, stamp: str) -> bool:
    # The tag stands in plain text near the head of the TIFF; looking for it spares loading a raster library.
    try:
        with path.open("rb") as file, mmap.mmap(file.fileno(), 0, access=mmap.ACCESS_READ) as content:
            return content.find(stamp.encode()) >= 0
    except (OSError, ValueError):
        return False


def _torn(site: Site) -> str:
    return (
        f"terrain.tif and site.gpkg in {site.folder} do not belong together: one of them was replaced or is "
        f"missing. "
        "Build the ground again: washgrade ground. The notebook is not touched by that."
    )
