r"""What the shape of the land says about grade: dicts of choices, each a function giving a number per node.

``COVARIATES`` need only the channels, ``SHAPE_COVARIATES`` the measured shape of the channel too and are left
out where nobody measured it. To add one: write a function and add a line to its dict. It is standardised and
gets the shrinking prior of ``Priors.covariate_sd``, so a useless one does little harm; the sign of its effect
is left free.

What is known (from memory, not seen again when this was written): heavy grains are enriched where the flow
loses power or parts from its bed: where a channel flattens or opens, at bends, below confluences and in the
shelter of obstacles (Slingerland & Smith 1986, Annual Review of Earth and Planetary Sciences 14:113-147, a
review); below confluences the parted flow was shown to do it (Best & Brayshaw 1985, Journal of the Geological
Society 142:747-755); along a stream magnetite followed breaks of slope and the heads of bars (Day & Fletcher
1991, Journal of Sedimentary Petrology 61:871-882). None of them gives an effect that holds elsewhere.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from washgrade.land.channels import Channels
from washgrade.land.shape import Shape

__all__ = [
    "COVARIATES",
    "SHAPE_COVARIATES",
    "bend",
    "confluence",
    "log_confinement",
    "log_slope",
    "log_stream_power",
    "log_upstream_area",
    "regressors",
    "slope_break",
    "widening",
]

# Below this a bed is flat for our purposes; a DEM in whole decimetres cannot show less over 100 m.
LEAST_SLOPE = 1e-3
# Our choice, because a break of more than e² on a DEM is a road bank or a mistake rather than a bed.
MOST_LOG_RATIO = 2.0
# What a confluence does fades over some widths of the bed. Our choice: ten, and 30 m where no width is known.
CONFLUENCE_WIDTHS, CONFLUENCE_M = 10.0, 30.0


def log_upstream_area(channels: Channels) -> NDArray[np.float64]:
    """Logarithm of the upstream area.

    Parameters
    ----------
    channels : Channels
        The network.

    Returns
    -------
    ndarray of float64, shape (nodes,)
        Natural logarithm of square metres.
    """
    return np.log(channels.nodes.upstream_area_m2)


def log_slope(channels: Channels) -> NDArray[np.float64]:
    """Logarithm of the slope of the node's reach, because single cells of a DEM are too rough.

    Parameters
    ----------
    channels : Channels
        The network.

    Returns
    -------
    ndarray of float64, shape (nodes,)
        Natural logarithm of the slope, which is held to 0.001 or more.
    """
    return np.log(np.maximum(channels.reaches.slope[channels.nodes.reach], LEAST_SLOPE))


def slope_break(shape: Shape) -> NDArray[np.float64]:
    """How much the bed steepens (above 0) or flattens (below 0): ln(slope below / slope above).

    Parameters
    ----------
    shape : Shape
        Shape of the channel.

    Returns
    -------
    ndarray of float64, shape (nodes,)
        Held between -2 and 2; NaN where unknown.
    """
    return np.clip(shape.slope_break, -MOST_LOG_RATIO, MOST_LOG_RATIO)


def bend(shape: Shape) -> NDArray[np.float64]:
    """Sharpness of the bend: width of the bed over radius of the bend.

    Samples stand on the middle line, so the inner side, where bars grow, cannot be told from the outer one.

    Parameters
    ----------
    shape : Shape
        Shape of the channel.

    Returns
    -------
    ndarray of float64, shape (nodes,)
        0 where straight, held to 1 at most; NaN where the width is unknown.
    """
    return np.minimum(1.0 / shape.radius_over_width, 1.0)


def log_confinement(shape: Shape) -> NDArray[np.float64]:
    """Logarithm of valley width over bed width: 0 in a gorge.

    Parameters
    ----------
    shape : Shape
        Shape of the channel.

    Returns
    -------
    ndarray of float64, shape (nodes,)
        Natural logarithm; NaN where unknown.
    """
    return np.log(shape.confinement)


def widening(shape: Shape) -> NDArray[np.float64]:
    """How much the channel opens (above 0) or narrows: ln(width below / width above).

    Parameters
    ----------
    shape : Shape
        Shape of the channel.

    Returns
    -------
    ndarray of float64, shape (nodes,)
        Held between -2 and 2; NaN where unknown.
    """
    return np.clip(shape.expansion, -MOST_LOG_RATIO, MOST_LOG_RATIO)


def confluence(shape: Shape) -> NDArray[np.float64]:
    r"""What a confluence does below it: ratio of the areas that join, fading with distance.

    Parameters
    ----------
    shape : Shape
        Shape of the channel.

    Returns
    -------
    ndarray of float64, shape (nodes,)
        :math:`(A_2/A_1)\,e^{-h/L}`, L ten widths of the bed; 0 where no confluence lies upstream.
    """
    fade_m = np.where(np.isnan(shape.width_m), CONFLUENCE_M, CONFLUENCE_WIDTHS * shape.width_m)
    return np.asarray(shape.area_ratio * np.exp(-shape.below_confluence_m / fade_m), dtype=np.float64)


def log_stream_power(shape: Shape) -> NDArray[np.float64]:
    """Logarithm of the power that each cubic metre per second spends on a square metre of bed.

    Parameters
    ----------
    shape : Shape
        Shape of the channel.

    Returns
    -------
    ndarray of float64, shape (nodes,)
        Natural logarithm of watts per square metre and cubic metre per second; NaN where unknown, and on
        beds flatter than 0.0001, where a DEM shows nothing.
    """
    least = np.where(shape.slope > 1e-4, shape.stream_power_w_m2_per_m3_s, np.nan)
    return np.log(least)


COVARIATES: dict[str, Callable[[Channels], NDArray[np.float64]]] = {
    "log upstream area": log_upstream_area,
    "log slope": log_slope,
}

SHAPE_COVARIATES: dict[str, Callable[[Shape], NDArray[np.float64]]] = {
    "slope break": slope_break,
    "bend": bend,
    "log confinement": log_confinement,
    "widening": widening,
    "confluence": confluence,
    "log stream power": log_stream_power,
}


def _standardised(raw: NDArray[np.float64]) -> NDArray[np.float64]:
    known = np.isfinite(raw)
    if not known.any():
        return np.zeros(len(raw))
    centred = np.where(known, raw - raw[known].mean(), 0.0)
    scale = float(centred[known].std())
    # Rounding of equal numbers must not be blown up to a covariate.
    if scale <= 1e-9 * (1 + float(np.abs(raw[known]).max())):
        return np.zeros(len(raw))
    return centred / scale


def regressors(channels: Channels, shape: Shape | None = None) -> tuple[tuple[str, ...], NDArray[np.float64]]:
    """Intercept and standardised covariates of every node.

    Parameters
    ----------
    channels : Channels
        The network.
    shape : Shape, optional
        Shape of the channel; without it the columns that need it are absent.

    Returns
    -------
    names : tuple of str
        "intercept" and the names of ``COVARIATES``, and of ``SHAPE_COVARIATES`` where there is a shape.
    columns : ndarray of float64, shape (nodes, regressors)
        Ones, then covariates with mean 0 and standard deviation 1 over the nodes where they are known; 0,
        the mean, where they are not, and where all are alike.
    """
    raw = {name: function(channels) for name, function in COVARIATES.items()}
    if shape is not None:
        raw |= {name: function(shape) for name, function in SHAPE_COVARIATES.items()}
    columns = [_standardised(np.asarray(one, dtype=np.float64)) for one in raw.values()]
    return ("intercept", *raw), np.column_stack([np.ones(len(channels.nodes)), *columns])
