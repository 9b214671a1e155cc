r"""Likeness across the land: what rock shares that no channel joins.

Two washes whose heads lie on the same dark hill are alike although no water flows from one to the other, and
separate outlets are alike where they drain the same ground. An exponential of the distance as the crow flies
says so. Written out it would need a covariance matrix; so a few smooth columns stand for it, which enter the
regression with a prior of their own: the solver stays linear in time.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["Planar", "planar_columns"]

# Our choice, because it was enough for fields as wide as a quarter of the ground at little cost.
COLUMNS = 14
# About this many spots stand for the ground when the columns are sought. Our choice: twenty for each column.
LANDMARKS = 280
# Ranges at which the prior variances are tabled, in diameters of the ground.
LEAST_RANGE, GREATEST_RANGE, RANGES = 0.03, 3.0, 12
# The range, in diameters, whose main shapes are taken: those of other ranges are nearly the same shapes.
SHAPING_RANGE = 0.25
# Nodes worked on at once, so that the distances to the landmarks need little room.
BATCH_NODES = 50_000


@dataclass(frozen=True, slots=True, kw_only=True)
class Planar:
    """A field across the land as columns of a regression.

    Parameters
    ----------
    columns : ndarray of float64, shape (nodes, columns)
        Value of each shape at each node; may have no column.
    log_range : ndarray of float64, shape (ranges,)
        Natural logarithm of the tabled ranges, in diameters of the ground, rising.
    coefficient_variance : ndarray of float64, shape (ranges, columns)
        Variance of the coefficients at each tabled range, for a field of mean variance 1.
    diameter_m : float
        Diagonal of the box around the nodes, metres.
    captured : ndarray of float64, shape (ranges,)
        Share of the variance of an exponential field of that range that so few columns can show, 0 to 1.
    """

    columns: NDArray[np.float64]
    log_range: NDArray[np.float64]
    coefficient_variance: NDArray[np.float64]
    diameter_m: float
    captured: NDArray[np.float64]

    def variances_at(self, log_share: float) -> NDArray[np.float64]:
        """Variances of the coefficients at a range, by linear interpolation of the table.

        Parameters
        ----------
        log_share : float
            Natural logarithm of the range in diameters; the ends of the table hold beyond it.

        Returns
        -------
        ndarray of float64, shape (columns,)
            For a field of mean variance 1.
        """
        return np.array([np.interp(log_share, self.log_range, one) for one in self.coefficient_variance.T])


def _landmarks(
    easting_m: NDArray[np.float64], northing_m: NDArray[np.float64], diameter_m: float, most: int
) -> NDArray[np.float64]:
    # Middles of the squares that hold a node; the squares shrink until there are enough of them. Counted from
    # the corner of the box, so that moving the origin moves them along.
    east, north = easting_m - easting_m.min(), northing_m - northing_m.min()
    found = np.zeros((1, 2))
    for parts in range(2, 60):
        side_m = diameter_m / parts
        squares = np.unique(
            np.floor(east / side_m).astype(np.int64) * 100 + np.floor(north / side_m).astype(np.int64)
        )
        if len(squares) > most:
            break
        found = (np.column_stack([squares // 100, squares % 100]) + 0.5) * side_m
    return found


def planar_columns(
    *, easting_m: NDArray[np.float64], northing_m: NDArray[np.float64], count: int = COLUMNS
) -> Planar:
    r"""Find the few shapes that show most of an exponential field on the nodes.

    Parameters
    ----------
    easting_m, northing_m : ndarray of float64, shape (nodes,)
        Places of the nodes, metres.
    count : int, default 14
        Columns wanted; fewer where the ground is a point or a handful of spots.

    Returns
    -------
    Planar
        Columns and the variances of their coefficients.

    Notes
    -----
    Landmarks p cover the ground evenly. With the exponential correlation K of a range of a quarter of the
    ground's diameter, :math:`K u_j = \mu_j u_j`; the columns are the largest :math:`u_j`, carried to a node s
    by :math:`\phi_j(s) = k(s, p) u_j / \mu_j` (the Nyström method; Williams & Seeger 2001, Advances in Neural
    Information Processing Systems 13:682-688). At another range r the coefficients get the variances
    :math:`u_j' K_r u_j`, without their covariances, scaled so that the field's mean variance over the
    landmarks is 1. What is finer than the columns can show is left to the other parts of the model.

    Examples
    --------
    >>> import numpy as np
    >>> east, north = np.meshgrid(np.arange(0.0, 1000.0, 50.0), np.arange(0.0, 1000.0, 50.0))
    >>> plane = planar_columns(easting_m=east.ravel(), northing_m=north.ravel())
    >>> plane.columns.shape
    (400, 14)
    """
    nodes = len(easting_m)
    log_range = np.linspace(np.log(LEAST_RANGE), np.log(GREATEST_RANGE), RANGES)
    diameter_m = float(np.hypot(np.ptp(easting_m), np.ptp(northing_m))) if nodes else 0.0
    landmark = (
        _landmarks(easting_m, northing_m, diameter_m, LANDMARKS) if diameter_m > 0 else np.zeros((1, 2))
    )
    count = min(count, len(landmark) - 1)
    if count < 1:
        return Planar(
            columns=np.zeros((nodes, 0)),
            log_range=log_range,
            coefficient_variance=np.zeros((RANGES, 0)),
            diameter_m=diameter_m,
            captured=np.ones(RANGES),
        )
    apart_m = np.hypot(
        landmark[:, None, 0] - landmark[None, :, 0], landmark[:, None, 1] - landmark[None, :, 1]
    )
    size, shaping_m = len(landmark), SHAPING_RANGE * diameter_m
    mu, shapes = np.linalg.eigh(np.exp(-apart_m / shaping_m))
    mu, shapes = mu[::-1][:count], shapes[:, ::-1][:, :count]
    # A shape and its mirror image are the same column: fix the sign, so that numbers repeat on any machine.
    strongest = np.argmax(np.abs(shapes), axis=0)
    shapes = shapes * np.sign(shapes[strongest, np.arange(count)])
    carry = shapes / mu * np.sqrt(size)
    columns = np.empty((nodes, count))
    east, north = easting_m - np.min(easting_m), northing_m - np.min(northing_m)
    for first in range(0, nodes, BATCH_NODES):
        some = slice(first, first + BATCH_NODES)
        to_m = np.hypot(east[some, None] - landmark[:, 0], north[some, None] - landmark[:, 1])
        columns[some] = np.exp(-to_m / shaping_m) @ carry
    variance = np.array(
        [
            np.sum(shapes * (np.exp(-apart_m / (np.exp(one) * diameter_m)) @ shapes), axis=0) / size
            for one in log_range
        ]
    )
    captured = variance.sum(axis=1)
    return Planar(
        columns=columns,
        log_range=log_range,
        coefficient_variance=variance / captured[:, None],
        diameter_m=diameter_m,
        captured=captured,
    )
