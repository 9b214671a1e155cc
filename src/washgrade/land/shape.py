"""Shape: what a channel looks like at each node, and so where heavy sand may stay."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from washgrade.checks import number, whole
from washgrade.land.channels import Channels
from washgrade.land.dem import Dem
from washgrade.land.line import below_confluences, channel_line, look_along, main_donors
from washgrade.land.sections import find_banks
from washgrade.land.width import MEASURED, WIDTH_CURVES, WidthCurve, choose_width

__all__ = ["Shape", "ShapeRules", "measure_shape", "stream_power_per_discharge"]

WATER_KG_M3 = 1000.0
GRAVITY_M_S2 = 9.81
# A fall of 1 cm in 100 m: less is below what a DEM can tell, and the ratio of two slopes must stay finite
# (our choice).
LEAST_SLOPE = 1e-4


@dataclass(frozen=True, slots=True, kw_only=True)
class ShapeRules:
    """How shapes are measured; every default is our choice, for the reason given.

    Parameters
    ----------
    smooth_m : float, optional
        Distance along the channel to each side over which its line and its measured width are smoothed,
        metres. Unless told 10 m or 5 cells, whichever is more: below that the steps of the grid show.
    window_m : float, optional
        Distance above and below over which slopes and widths are compared, metres. Unless told 50 m or
        5 cells, whichever is more: the length of a reach.
    half_section_m : float, optional
        How far sections go to each side, metres. Unless told 50 m or 10 cells, whichever is more.
    bank_height_m : float
        Rise above the bed that counts as a bank, metres. 0.3 stands clear of the noise of lidar on sand
        (0.1 to 0.15 m) and below the banks of most washes.
    valley_height_m : float
        Rise above the bed at which the valley is measured, metres. 2 m is above what floods of small washes
        reach.
    least_bed_cells : int
        Cells across below which a width is not taken from the DEM: in fewer than 3 no cell lies wholly on
        the bed.
    least_full_share : float
        Least share of the width that must be left at half the bank height for banks to count as shown.
        0.7 takes a parabola (0.707) and whatever is fuller, and refuses a V (0.5), which has no bed.
    least_bank_slope : float
        Least slope of a bank. 0.1, so that banks of half a metre show in cells of 5 m and banks of one metre
        in cells of 10 m, and the gentle rise of a valley floor or a hollow is not taken for a bank.
    straight_factor : float
        Radius over width above which a channel counts as straight and has no inner side.
    width_curve : WidthCurve or None
        Width where the DEM shows no banks and nobody gave one; None leaves it unknown there. "general" unless
        told: below 1 km2, where most washes lie, "dryland" falls to widths that no spade fits (0.16 m at
        0.01 km2 against 0.53 m), and sandy washes are rather wider than rivers of the same area.

    Raises
    ------
    InputError
        If a value is out of its limits.

    Examples
    --------
    >>> ShapeRules(valley_height_m=3).lengths_m(cell_m=5)
    (25.0, 50.0, 50.0)
    """

    smooth_m: float | None = None
    window_m: float | None = None
    half_section_m: float | None = None
    bank_height_m: float = 0.3
    valley_height_m: float = 2.0
    least_bed_cells: int = 3
    least_full_share: float = 0.7
    least_bank_slope: float = 0.1
    straight_factor: float = 10.0
    width_curve: WidthCurve | None = WIDTH_CURVES["general"]

    def __post_init__(self) -> None:
        for name in ("smooth_m", "window_m", "half_section_m"):
            if getattr(self, name) is not None:
                number(name, getattr(self, name), above=0)
        number("bank_height_m", self.bank_height_m, above=0)
        number("valley_height_m", self.valley_height_m, above=0)
        whole("least_bed_cells", self.least_bed_cells, at_least=1)
        number("least_full_share", self.least_full_share, at_least=0, at_most=1)
        number("least_bank_slope", self.least_bank_slope, at_least=0)
        number("straight_factor", self.straight_factor, above=0)

    def lengths_m(self, *, cell_m: float) -> tuple[float, float, float]:
        """Smoothing, window and half section, told or by the size of a cell.

        Parameters
        ----------
        cell_m : float
            Side of a cell, metres.

        Returns
        -------
        tuple of float
            Three lengths in metres.
        """
        return (
            max(10.0, 5.0 * cell_m) if self.smooth_m is None else float(self.smooth_m),
            max(50.0, 5.0 * cell_m) if self.window_m is None else float(self.window_m),
            max(50.0, 10.0 * cell_m) if self.half_section_m is None else float(self.half_section_m),
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Shape:
    """Shape of the channel at each node; arrays of shape (nodes,), float64 unless said.

    Parameters
    ----------
    width_m : ndarray
        Width of the bed, metres; NaN where unknown.
    width_from : ndarray of uint8
        Codes of `washgrade.land.width`: 1 measured on cross-sections, 2 by hydraulic geometry, 3 given by the
        user, 0 unknown.
    valley_m : ndarray
        Width of the valley at the valley height, metres; a lower bound where ``is_open``.
    is_open : ndarray of bool
        Whether a valley side lies beyond the section.
    confinement : ndarray
        Valley width over bed width: small in a gorge, at least 1.
    curvature_per_m : ndarray
        One over the radius of the bend, per metre; positive where the channel turns right.
    radius_over_width : ndarray
        Radius of the bend over the width of the bed; infinite where straight.
    inner_side : ndarray of int8
        Side of the inner bank, looking downstream: -1 left, 1 right, 0 where the channel counts as straight.
    slope : ndarray
        Fall of the bed over distance, across the window above and below; NaN at a node that stands alone.
    slope_break : ndarray
        Natural log of the slope below over the slope above: below 0 where the channel flattens, so that
        sand is dropped. NaN at heads and outlets.
    expansion : ndarray
        Natural log of the width below over the width above: above 0 where the channel opens. NaN at heads
        and outlets.
    below_confluence_m : ndarray
        Distance down from the nearest confluence upstream on the main stem, metres; 0 at it, infinite where
        there is none.
    area_ratio : ndarray
        Second largest over the largest upstream area joining at that confluence; 0 where there is none.
    stream_power_w_m2_per_m3_s : ndarray
        Power of the water on the bed for each cubic metre per second, watts per square metre.
    """

    width_m: NDArray[np.float64]
    width_from: NDArray[np.uint8]
    valley_m: NDArray[np.float64]
    is_open: NDArray[np.bool_]
    confinement: NDArray[np.float64]
    curvature_per_m: NDArray[np.float64]
    radius_over_width: NDArray[np.float64]
    inner_side: NDArray[np.int8]
    slope: NDArray[np.float64]
    slope_break: NDArray[np.float64]
    expansion: NDArray[np.float64]
    below_confluence_m: NDArray[np.float64]
    area_ratio: NDArray[np.float64]
    stream_power_w_m2_per_m3_s: NDArray[np.float64]


def stream_power_per_discharge(slope: ArrayLike, width_m: ArrayLike) -> NDArray[np.float64]:
    """Power that flowing water spends on each square metre of bed, for each cubic metre per second.

    Parameters
    ----------
    slope : array_like of float
        Fall over distance.
    width_m : array_like of float
        Width of the flow, metres, above 0.

    Returns
    -------
    ndarray of float64
        Watts per square metre and cubic metre per second: ``density * gravity * slope / width``.

    References
    ----------
    Bagnold, R. A. (1966). An approach to the sediment transport problem from general physics. US Geological
    Survey Professional Paper 422-I.

    Examples
    --------
    >>> float(stream_power_per_discharge(0.01, 20.0) * 100.0)
    490.5
    """
    power: NDArray[np.float64] = (
        WATER_KG_M3 * GRAVITY_M_S2 * np.asarray(slope, np.float64) / np.asarray(width_m)
    )
    return power


def measure_shape(
    dem: Dem,
    channels: Channels,
    *,
    rules: ShapeRules | None = None,
    given_width_m: ArrayLike | None = None,
) -> Shape:
    """Measure the shape of the channel at every node.

    Parameters
    ----------
    dem : Dem
        The ground on which sections are taken, raw or conditioned.
    channels : Channels
        The network of the same ground; slopes are those of its bed.
    rules : ShapeRules, optional
        How to measure.
    given_width_m : array_like of float, optional
        Widths that the user knows, one for all or one a node, metres; NaN where unknown. They stand where
        the DEM shows no banks and come before hydraulic geometry.

    Returns
    -------
    Shape
        One value a node.

    Raises
    ------
    GroundError
        If the given widths do not fit the nodes or are not above 0.

    Notes
    -----
    *Width*: banks are found as `washgrade.land.sections.find_banks` says. A node shows its banks where both
    are found, the bed is wide enough in cells and full enough, and the banks are steep enough (see
    `ShapeRules`). Its width is the geometric mean over the nodes within ``smooth_m`` that show theirs, if at
    least half of them do.

    *Confinement*: valley width at a set height over bed width, as in the entrenchment ratio of Rosgen (1994),
    with a set height instead of twice the bankfull depth, which a DEM seldom knows.

    *Bend*: radius over width; bends are sharpest, and their inner bars largest, at about 2 to 3 (Hickin and
    Nanson 1975).

    *Slope break* and *expansion*: ``log(slope below / slope above)`` and the difference of mean log widths,
    within ``window_m`` up the main stem and down the channel. Slopes under 1e-4 count as 1e-4. Widths from
    sections are compared with such only, because a curve's width against a measured one is no widening.

    *Confluence*: the ratio of the joining areas tells how much a tributary changes the bed (Benda et al.
    2004). The main stem is the branch of larger area.

    *Stream power*: see `stream_power_per_discharge`.

    References
    ----------
    Rosgen, D. L. (1994). A classification of natural rivers. Catena 22(3), 169-199.
    Hickin, E. J., Nanson, G. C. (1975). The character of channel migration on the Beatton River, northeast
    British Columbia, Canada. Geological Society of America Bulletin 86(4), 487-494.
    Benda, L., Andras, K., Miller, D., Bigelow, P. (2004). Confluence effects in rivers: interactions of basin
    scale, network geometry, and disturbance regimes. Water Resources Research 40, W05402.

    Examples
    --------
    >>> from washgrade.land.channels import delineate
    >>> from washgrade.land.flow import flow_directions, upstream_cells
    >>> ground = np.array([[9, 9, 9, 9], [9, 4, 3, 2], [9, 9, 9, 9]], np.float32)
    >>> dem = Dem(elevation_m=ground, cell_m=5, west_m=0, north_m=15, crs="EPSG:25830")
    >>> ways = flow_directions(ground)
    >>> channels = delineate(dem, ground, ways, upstream_cells(ways), channel_area_m2=150)
    >>> shape = measure_shape(dem, channels, given_width_m=2.0)
    >>> shape.width_m.tolist(), shape.width_from.tolist(), shape.slope.round(6).tolist()
    ([2.0, 2.0, 2.0], [3, 3, 3], [0.2, 0.2, 0.2])
    """
    rules = ShapeRules() if rules is None else rules
    smooth_m, window_m, half_m = rules.lengths_m(cell_m=dem.cell_m)
    nodes = channels.nodes
    main = main_donors(nodes.downstream, nodes.upstream_area_m2)
    line = channel_line(channels, smooth_m=smooth_m)
    banks = find_banks(
        dem,
        channels,
        line,
        bank_height_m=rules.bank_height_m,
        valley_height_m=rules.valley_height_m,
        half_m=half_m,
    )
    shown = (
        (banks.width_m >= rules.least_bed_cells * dem.cell_m)
        & (banks.full_share >= rules.least_full_share)
        & (banks.bank_slope >= rules.least_bank_slope)
    )
    width_m, width_from = choose_width(
        channels,
        np.where(shown, banks.width_m, np.nan),
        smooth_m=smooth_m,
        curve=rules.width_curve,
        given_width_m=given_width_m,
    )

    log_width = np.log(width_m)
    log_width[width_from != MEASURED] = np.nan
    widening, far = _widening(channels, main, log_width, window_m)
    # Where the window holds no measured widths on both sides, those by area or by the user are compared.
    rest_m, _ = choose_width(
        channels,
        np.full(len(nodes), np.nan),
        smooth_m=smooth_m,
        curve=rules.width_curve,
        given_width_m=given_width_m,
    )
    expected, _ = _widening(channels, main, np.log(rest_m), window_m)
    bed_m, along_m = nodes.elevation_m, nodes.distance_to_outlet_m
    drop_m = np.stack([bed_m[far[0]] - bed_m, bed_m - bed_m[far[1]]])
    away_m = np.stack([along_m[far[0]] - along_m, along_m - along_m[far[1]]])
    slopes = np.divide(drop_m, away_m, out=np.full_like(drop_m, np.nan), where=away_m > 0)
    both_m = away_m.sum(axis=0)
    slope = np.divide(drop_m.sum(axis=0), both_m, out=np.full_like(both_m, np.nan), where=both_m > 0)

    bend = width_m * np.abs(line.curvature_per_m)
    is_bent = bend >= 1.0 / rules.straight_factor
    below_confluence_m, area_ratio = below_confluences(
        nodes.downstream, main, nodes.length_m, nodes.upstream_area_m2
    )
    return Shape(
        width_m=width_m,
        width_from=width_from,
        valley_m=banks.valley_m,
        is_open=banks.is_open,
        # A width that was not measured here may be wider than the valley.
        confinement=np.maximum(banks.valley_m / width_m, 1.0),
        curvature_per_m=line.curvature_per_m,
        radius_over_width=np.divide(1.0, bend, out=np.full_like(bend, np.inf), where=bend != 0.0),
        inner_side=(np.sign(line.curvature_per_m) * is_bent).astype(np.int8),
        slope=slope,
        slope_break=np.log(np.maximum(slopes[1], LEAST_SLOPE) / np.maximum(slopes[0], LEAST_SLOPE)),
        expansion=np.where(np.isnan(widening), expected, widening),
        below_confluence_m=below_confluence_m,
        area_ratio=area_ratio,
        stream_power_w_m2_per_m3_s=stream_power_per_discharge(slope, width_m),
    )


# Difference of mean log widths below and above, and the farthest nodes of the window.
def _widening(
    channels: Channels, main: NDArray[np.int32], log_width: NDArray[np.float64], window_m: float
) -> tuple[NDArray[np.float64], NDArray[np.int64]]:
    nodes = channels.nodes
    total, known, _, far = look_along(nodes.downstream, main, nodes.length_m, log_width, window_m)
    mean = np.divide(total, known, out=np.full_like(total, np.nan), where=known > 0)
    return mean[1] - mean[0], far
