"""Width of a bed: as the DEM shows it, as the user gives it, or by hydraulic geometry."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from washgrade.checks import number
from washgrade.errors import GroundError
from washgrade.land.channels import Channels
from washgrade.land.line import look_along, main_donors

__all__ = [
    "GIVEN",
    "MEASURED",
    "REGIONAL",
    "UNKNOWN",
    "WIDTH_CURVES",
    "WIDTH_WORDS",
    "WidthCurve",
    "choose_width",
]

# Where a width comes from.
UNKNOWN, MEASURED, REGIONAL, GIVEN = 0, 1, 2, 3
WIDTH_WORDS = ("unknown", "measured", "by upstream area", "given")


@dataclass(frozen=True, slots=True, kw_only=True)
class WidthCurve:
    """Downstream hydraulic geometry: width of a channel by the ground that drains to it.

    Parameters
    ----------
    width_at_km2_m : float
        Width below one square kilometre of ground, metres, above 0.
    log_slope : float
        Exponent of the area: slope of log width on log area.

    Raises
    ------
    InputError
        If a value is out of its limits.

    Notes
    -----
    ``width = width_at_km2_m * (area / km2) ** log_slope``. Widths grow downstream as about the square root of
    the flood discharge (Leopold and Maddock 1953), which itself grows more slowly than the area.

    References
    ----------
    Leopold, L. B., Maddock, T. (1953). The hydraulic geometry of stream channels and some physiographic
    implications. US Geological Survey Professional Paper 252.

    Examples
    --------
    >>> WIDTH_CURVES["dryland"].width_m(np.array([1e6, 10e6])).round(2).tolist()
    [1.11, 2.89]
    """

    width_at_km2_m: float
    log_slope: float

    def __post_init__(self) -> None:
        number("width_at_km2_m", self.width_at_km2_m, above=0)
        number("log_slope", self.log_slope, at_least=0)

    def width_m(self, area_m2: NDArray[np.float64]) -> NDArray[np.float64]:
        """Width of channels, metres.

        Parameters
        ----------
        area_m2 : ndarray of float64
            Upstream areas, square metres.

        Returns
        -------
        ndarray of float64
            Widths in metres.
        """
        width_m: NDArray[np.float64] = self.width_at_km2_m * (area_m2 / 1e6) ** self.log_slope
        return width_m


# Bieger, K., Rathjens, H., Allen, P. M., Arnold, J. G. (2015). Development and evaluation of bankfull
# hydraulic geometry relationships for the physiographic regions of the United States. Journal of the American
# Water Resources Association 51(3), 842-858: bankfull width in metres by area in km2. "dryland" is their
# division Intermontane Plateaus, the arid basins and plateaus of the American West; "general" is all their
# sites. Well below 1 km2 both are extrapolations.
WIDTH_CURVES = {
    "dryland": WidthCurve(width_at_km2_m=1.11, log_slope=0.415),
    "general": WidthCurve(width_at_km2_m=2.70, log_slope=0.352),
}


def choose_width(
    channels: Channels,
    shown_m: NDArray[np.float64],
    *,
    smooth_m: float,
    curve: WidthCurve | None,
    given_width_m: ArrayLike | None = None,
) -> tuple[NDArray[np.float64], NDArray[np.uint8]]:
    """Width of the bed at every node: from the sections, from the user or from a curve, in this order.

    Parameters
    ----------
    channels : Channels
        The network.
    shown_m : ndarray of float64, shape (nodes,)
        Widths where the DEM shows the banks, metres; NaN elsewhere.
    smooth_m : float
        A node's width is the geometric mean of those shown within this distance along the main stem, metres,
        if at least half of the nodes there, itself included, show theirs.
    curve : WidthCurve or None
        Width where nothing better is known.
    given_width_m : array_like of float, optional
        Widths that the user knows, one for all or one a node, metres; NaN where unknown.

    Returns
    -------
    width_m : ndarray of float64, shape (nodes,)
        Widths in metres; NaN where unknown.
    width_from : ndarray of uint8, shape (nodes,)
        `MEASURED`, `GIVEN`, `REGIONAL` or `UNKNOWN`.

    Raises
    ------
    GroundError
        If the given widths do not fit the nodes or are not above 0.

    Examples
    --------
    >>> from washgrade.land.channels import delineate
    >>> from washgrade.land.dem import Dem
    >>> from washgrade.land.flow import flow_directions, upstream_cells
    >>> ground = np.array([[9, 9, 9, 9], [9, 4, 3, 2], [9, 9, 9, 9]], np.float32)
    >>> dem = Dem(elevation_m=ground, cell_m=5, west_m=0, north_m=15, crs="EPSG:25830")
    >>> ways = flow_directions(ground)
    >>> channels = delineate(dem, ground, ways, upstream_cells(ways), channel_area_m2=150)
    >>> shown_m = np.array([4.0, 9.0, np.nan])
    >>> width_m, width_from = choose_width(channels, shown_m, smooth_m=5, curve=None, given_width_m=3.0)
    >>> width_m.round(6).tolist(), width_from.tolist()
    ([6.0, 6.0, 9.0], [1, 1, 1])
    """
    size = len(channels.nodes)
    nodes = channels.nodes
    log_width = np.log(shown_m)
    main = main_donors(nodes.downstream, nodes.upstream_area_m2)
    total, known, seen, _ = look_along(nodes.downstream, main, nodes.length_m, log_width, smooth_m)
    own = ~np.isnan(log_width)
    count = known.sum(axis=0) + own
    is_measured = 2 * count >= seen.sum(axis=0) + 1
    width_m = np.full(size, np.nan)
    width_from = np.full(size, UNKNOWN, np.uint8)
    if curve is not None:
        width_m = curve.width_m(channels.nodes.upstream_area_m2)
        width_from[:] = REGIONAL
    if given_width_m is not None:
        given = np.asarray(given_width_m, np.float64)
        if given.shape not in ((), (size,)):
            raise GroundError(
                f"Invalid 'given_width_m' of shape {given.shape}. "
                f"It must be one width for all or one for each of {size} nodes."
            )
        if (given <= 0.0).any() or np.isinf(given).any():
            raise GroundError(
                "Invalid 'given_width_m' with widths that are infinite or not above 0. "
                "They must be finite numbers above 0, or NaN where unknown."
            )
        given = np.broadcast_to(given, (size,))
        width_m = np.where(np.isnan(given), width_m, given)
        width_from[~np.isnan(given)] = GIVEN
    mean = (total.sum(axis=0) + np.where(own, log_width, 0.0)) / np.maximum(count, 1)
    width_m = np.where(is_measured, np.exp(mean), width_m)
    width_from[is_measured] = MEASURED
    return width_m, width_from
