"""Where plans begin and where one may walk."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

from washgrade.errors import InputError
from washgrade.survey.answers import Estimate

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from washgrade.land.dem import Dem
    from washgrade.land.walkable import WalkingSurface

__all__ = ["daylight_on", "open_ground_of", "start_of"]


def start_of(found: Estimate, start: str | None) -> tuple[float, float, str]:
    """Find where a plan begins.

    Parameters
    ----------
    found : Estimate
        The site.
    start : str or None
        ``LON,LAT``, the name of a point of access, or None for the first of these.

    Returns
    -------
    easting_m, northing_m : float
        Where.
    name : str
        What it is called.

    Raises
    ------
    InputError
        If there is no such place, or it lies outside the ground.
    """
    import numpy as np

    from washgrade.files.groundstore import load_shapes
    from washgrade.files.places import to_grid

    gates = load_shapes(found.site, "access")
    if start is None:
        if not gates:
            raise InputError(
                "There is no place to start from. Give one as --from LON,LAT, or points of access to "
                "washgrade ground SITE --access FILE."
            )
        return gates[0].geometry.x, gates[0].geometry.y, gates[0].name or "the point of access"
    for gate in gates:
        if gate.name and gate.name.lower() == start.strip().lower():
            return gate.geometry.x, gate.geometry.y, gate.name
    parts = start.replace(";", ",").split(",")
    try:
        lon, lat = (float(part) for part in parts)
    except ValueError:
        names = ", ".join(repr(gate.name) for gate in gates if gate.name)
        known = f", or one of the points of access: {names}" if names else ""
        raise InputError(
            f"Invalid start of {start!r}. It must be longitude and latitude such as -3.00805,36.32577{known}."
        ) from None
    east, north = to_grid(found.facts.crs, np.array([lon]), np.array([lat]))
    if not found.facts.contains(float(east[0]), float(north[0])):
        raise InputError(
            f"The start at lon {lon:g}, lat {lat:g} lies outside the ground. It must lie on the DEM."
        )
    return float(east[0]), float(north[0]), f"{lat:.5f}, {lon:.5f}"


def open_ground_of(found: Estimate) -> tuple[WalkingSurface, NDArray[np.bool_]]:
    """Lay out where one may walk.

    Parameters
    ----------
    found : Estimate
        The site.

    Returns
    -------
    surface : WalkingSurface
        Walking cells, closed outside the property, in no-go areas and where it is too steep.
    allowed : ndarray of bool, shape (nodes,)
        Whether each node of the channels lies in a cell of the DEM inside the property and outside all no-go
        areas.
    """
    import numpy as np

    from washgrade.files.groundstore import dem_bands, load_shapes
    from washgrade.files.masks import closed_cells
    from washgrade.land.walkable import walking_side, walking_surface_of

    own, no_go = load_shapes(found.site, "property"), load_shapes(found.site, "no_go")
    cell = found.channels.nodes.cell
    allowed = np.zeros(len(cell), np.bool_)

    # In bands, because a terrain may be too large to be held in memory.
    def laid_out() -> Iterator[tuple[Dem, NDArray[np.bool_]]]:
        seen = 0
        for band in dem_bands(found.site, whole_rows=walking_side(found.facts.cell_m)):
            closed = closed_cells(band, property_areas=own, no_go=no_go)
            here = (cell >= seen) & (cell < seen + closed.size)
            allowed[here] = ~closed.ravel()[cell[here] - seen]
            seen += closed.size
            yield band, closed

    return walking_surface_of(laid_out()), allowed


def daylight_on(found: Estimate) -> float:
    """Tell the hours from dawn to dusk on the day of an estimate.

    Parameters
    ----------
    found : Estimate
        Site and day.

    Returns
    -------
    float
        Hours of civil daylight in the middle of the ground.
    """
    from washgrade.dig.daylight import daylight_hours
    from washgrade.files.places import lonlat

    nodes = found.channels.nodes
    _, lat = lonlat(found.facts.crs, nodes.easting_m[:1], nodes.northing_m[:1])
    return daylight_hours(latitude_deg=float(lat[0]), day_of_year=found.day.timetuple().tm_yday)
