"""What people draw for a ground: bounds, access, washes, dams to keep, sinks and known sources."""

from __future__ import annotations

import warnings
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from washgrade.errors import GroundError, GroundWarning

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from washgrade.files.site import Site
    from washgrade.files.vectors import Shape
    from washgrade.land.dem import Dem
    from washgrade.land.grids import MakeGrid
    from washgrade.land.sources import Sources

__all__ = ["DRAWN", "Drawn", "read_drawn"]

# Layer of the site and the words for it.
DRAWN = {
    "property": "the property line",
    "no_go": "the no-go areas",
    "access": "the points of access",
    "drawn_channels": "the drawn channels",
    "kept_dams": "the dams to keep",
    "sinks": "the sinks",
    "sources": "the known sources",
}
# Said in place of a file, it takes a layer away.
NONE = "none"
# Around a point on a dam no cut may pass. Our choice: a marked dam is seldom narrower.
DAM_RADIUS_M = 25.0
DAM_RADIUS_CELLS = 3.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Drawn:
    """The drawn shapes of a ground, on its grid.

    Parameters
    ----------
    given : mapping of str to tuple of Shape
        Layers that were given now; an empty one takes away what the site had.
    shapes : mapping of str to tuple of Shape
        Every layer as it holds now: given, else what the site had.
    """

    given: Mapping[str, tuple[Shape, ...]]
    shapes: Mapping[str, tuple[Shape, ...]]

    def lines_m(self) -> list[NDArray[np.float64]]:
        """Vertices of the drawn channels, metres."""
        import shapely

        return [shapely.get_coordinates(shape.geometry) for shape in self.shapes["drawn_channels"]]

    def keep(self, dem: Dem, *, make: MakeGrid | None = None) -> NDArray[np.bool_] | None:
        """Mark the cells that no cut may lower.

        Parameters
        ----------
        dem : Dem
            The ground.
        make : MakeGrid, optional
            Makes grids where they shall lie; in memory unless told.

        Returns
        -------
        ndarray of bool, shape (rows, cols), or None
            None where nothing is kept.
        """
        import numpy as np
        import shapely

        from washgrade.land.marks import keep_cells

        found: dict[str, list[Any]] = {"Point": [], "LineString": [], "Polygon": []}
        for shape in self.shapes["kept_dams"]:
            for part in shapely.get_parts(shape.geometry):
                outline = part.exterior if part.geom_type == "Polygon" else part
                found[part.geom_type].append(shapely.get_coordinates(outline))
        if not any(found.values()):
            return None
        return keep_cells(
            dem,
            points_m=[point[0] for point in found["Point"]],
            radius_m=max(DAM_RADIUS_M, DAM_RADIUS_CELLS * dem.cell_m),
            lines_m=found["LineString"],
            rings_m=found["Polygon"],
            make=make or np.zeros,
        )

    def sinks(
        self,
        dem: Dem,
        *,
        filled: Callable[[], NDArray[np.float32]] | None = None,
        make: MakeGrid | None = None,
    ) -> NDArray[np.int64] | None:
        """Find the cells in which water sinks into the ground.

        Parameters
        ----------
        dem : Dem
            The ground.
        filled : callable, optional
            Gives the ground with all its hollows filled; worked out unless told.
        make : MakeGrid, optional
            Makes grids where they shall lie; in memory unless told.

        Returns
        -------
        ndarray of int64, shape (sinks,), or None
            None where there is none.

        Raises
        ------
        GroundError
            If a sink is a line or lies off the ground.
        """
        import numpy as np
        import shapely

        from washgrade.land.marks import lowest_inside, sink_cells

        points = []
        for shape in self.shapes["sinks"]:
            for part in shapely.get_parts(shape.geometry):
                if part.geom_type == "LineString":
                    raise GroundError(
                        f"Invalid sink {shape.name!r}, which is a line. It must be a point where the water "
                        "goes, or an area around it."
                    )
                if part.geom_type == "Polygon":
                    points.append(lowest_inside(dem, shapely.get_coordinates(part.exterior)))
                else:
                    points.append(shapely.get_coordinates(part)[0])
        return sink_cells(dem, points, filled=filled, make=make or np.zeros) if points else None

    def sources(
        self,
        dem: Dem,
        *,
        directions: NDArray[np.uint8],
        cell: NDArray[np.int64],
        make: MakeGrid,
    ) -> Sources | None:
        """Find how much of the ground at the sides of each node lies in known sources.

        Parameters
        ----------
        dem : Dem
            The ground.
        directions : ndarray of uint8, shape (rows, cols)
            Where the water goes.
        cell : ndarray of int64, shape (nodes,)
            Flat index of each node's cell.
        make : MakeGrid
            Makes grids where they shall lie.

        Returns
        -------
        Sources or None
            None where none are told.

        Raises
        ------
        GroundError
            If the sources hold no cell that drains to a channel.
        """
        import numpy as np

        from washgrade.files.masks import area_numbers
        from washgrade.land.sources import sources_beside

        areas = self.shapes["sources"]
        if not areas:
            return None
        found = sources_beside(
            directions,
            area_numbers(dem, areas, make=make),
            grade=np.array([area.grade for area in areas], np.float64),
            cell=cell,
            make=make,
        )
        if not found.share.any():
            raise GroundError(
                "The known sources hold the middle of no cell that drains to a channel. Draw them larger or "
                "elsewhere, or take them away with: --sources none."
            )
        return found


def read_drawn(files: Mapping[str, Path | str | None], *, dem: Dem, site: Site | None) -> Drawn:
    """Read the drawn layers, and take those that are not given from the site.

    Parameters
    ----------
    files : mapping of str to Path or str or None
        A vector file for each layer of `DRAWN`; None keeps what the site has, "none" takes it away. For
        ``kept_dams`` and ``sinks`` also the name of a cut or hollow in the report of the last build.
    dem : Dem
        The ground: its grid, and where it lies.
    site : Site or None
        The site as it stands, if it has a ground.

    Returns
    -------
    Drawn
        The shapes.

    Raises
    ------
    GroundError
        If a file cannot be read, or nothing of the property line or of the known sources touches the ground.

    Warns
    -----
    GroundWarning
        If nothing of another layer touches the ground.
    """
    from washgrade.files.groundstore import load_shapes
    from washgrade.files.vectors import read_areas, read_lines, read_marks, read_points, read_sources

    readers = {
        "property": read_areas,
        "no_go": read_areas,
        "access": read_points,
        "drawn_channels": read_lines,
        "kept_dams": read_marks,
        "sinks": read_marks,
        "sources": read_sources,
    }
    given: dict[str, tuple[Shape, ...]] = {}
    for layer, file in files.items():
        if file is None:
            continue
        named = _named(str(file), layer, site)
        if str(file).lower() == NONE and not Path(file).exists():
            given[layer] = ()
        elif named is not None:
            # A name adds to what was told before: dams are found to stand one by one.
            given[layer] = (*load_shapes(_must(site), layer, crs=dem.crs), named)
        else:
            given[layer] = readers[layer](file, crs=dem.crs)
            _on_ground(layer, given[layer], Path(file).name, dem)
    kept = {
        layer: load_shapes(site, layer, crs=dem.crs) if site is not None else ()
        for layer in DRAWN
        if layer not in given
    }
    return Drawn(given=given, shapes={**kept, **given})


def _must(site: Site | None) -> Site:
    assert site is not None, "a name was found in the site's report"  # noqa: S101  (for the reader and mypy)
    return site


def _named(text: str, layer: str, site: Site | None) -> Shape | None:
    """Find the cut or hollow that goes by a name, as a shape to keep or to sink water in."""
    import shapely

    from washgrade.files.groundstore import load_ground_layers
    from washgrade.files.vectors import Shape

    source = {"kept_dams": "cuts", "sinks": "hollows"}.get(layer)
    if source is None or site is None or Path(text).exists():
        return None
    for mark in load_ground_layers(site).marks.get(source, ()):
        if mark["name"] != text:
            continue
        points = shapely.points(mark["easting_m"], mark["northing_m"])
        if source == "hollows":
            return Shape(name=text, geometry=points[0])
        # The dam lies across the cut: a disc about it keeps the water from slipping by at its side.
        way = shapely.LineString(points) if len(points) > 1 else points[0]
        return Shape(name=text, geometry=way.buffer(max(mark["length_m"], DAM_RADIUS_M)))
    return None


def _place(point: Any, crs: str) -> str:
    """Where a point lies, so that a missing minus or two swapped numbers show."""
    from washgrade.files.places import lonlat

    lon, lat = (float(one) for one in lonlat(crs, point.x, point.y))
    return f"longitude {lon:.3f}, latitude {lat:.3f}"


def _on_ground(layer: str, shapes: tuple[Shape, ...], name: str, dem: Dem) -> None:
    """Refuse a property line or sources that miss the ground, and doubt other shapes that do."""
    import shapely

    rows, cols = dem.shape
    box = shapely.box(
        dem.west_m, dem.north_m - rows * dem.cell_m, dem.west_m + cols * dem.cell_m, dem.north_m
    )
    if not shapes or any(shapely.intersects(shape.geometry, box) for shape in shapes):
        return
    there = shapely.unary_union([shape.geometry for shape in shapes]).representative_point()
    sentence = (
        f"{name}: nothing in it lies on the ground. It is about {_place(there, dem.crs)}; the ground is "
        f"about {_place(box.centroid, dem.crs)}. Is it the right file?"
    )
    if layer in {"property", "sources"}:
        raise GroundError(sentence)
    warnings.warn(sentence, GroundWarning, stacklevel=3)
