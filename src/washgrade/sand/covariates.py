"""What the shape of the land says about grade: a dict of choices, each one a function of the channels.

To add one: write a function that takes the channels and returns a number for every node, and add a line to
``COVARIATES``. It is standardised and gets the shrinking prior of ``Priors.covariate_sd``, so a useless one
does little harm.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from washgrade.land.channels import Channels

__all__ = ["COVARIATES", "log_slope", "log_upstream_area", "regressors"]

# Below this a bed is flat for our purposes; a DEM in whole decimetres cannot show less over 100 m.
LEAST_SLOPE = 1e-3


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


COVARIATES: dict[str, Callable[[Channels], NDArray[np.float64]]] = {
    "log upstream area": log_upstream_area,
    "log slope": log_slope,
}


def regressors(channels: Channels) -> tuple[tuple[str, ...], NDArray[np.float64]]:
    """Intercept and standardised covariates of every node.

    Parameters
    ----------
    channels : Channels
        The network.

    Returns
    -------
    names : tuple of str
        "intercept" and the names of ``COVARIATES``.
    columns : ndarray of float64, shape (nodes, regressors)
        Ones, then covariates with mean 0 and standard deviation 1 over the nodes (0 where all are alike).
    """
    count = len(channels.nodes)
    columns = [np.ones(count)]
    for function in COVARIATES.values():
        raw = np.asarray(function(channels), dtype=np.float64)
        centred = raw - raw.mean() if count else raw
        scale = float(centred.std()) if count else 0.0
        # Rounding of equal numbers must not be blown up to a covariate.
        columns.append(
            centred / scale if scale > 1e-9 * (1 + float(np.abs(raw).max(initial=0))) else np.zeros(count)
        )
    return ("intercept", *COVARIATES), np.column_stack(columns)
