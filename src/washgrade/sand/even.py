"""Points spread evenly over a cube: the same ones every time, so that no estimate hangs on chance."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from washgrade.checks import whole
from washgrade.errors import InputError

__all__ = ["MOST_DIMENSIONS", "even_points"]

# Primitive polynomials over two elements (degree, inner coefficients as bits) and the first direction numbers
# of each dimension after the first: Joe & Kuo 2008, SIAM J. Sci. Comput. 30:2635-2654, new-joe-kuo-6.
DIRECTIONS = (
    (1, 0, (1,)),
    (2, 1, (1, 3)),
    (3, 1, (1, 3, 1)),
    (3, 2, (1, 1, 1)),
    (4, 1, (1, 1, 3, 3)),
    (4, 4, (1, 3, 5, 13)),
    (5, 2, (1, 1, 5, 5, 17)),
    (5, 4, (1, 1, 5, 5, 5)),
)
MOST_DIMENSIONS = 1 + len(DIRECTIONS)
MOST_LOG2 = 30


def even_points(count_log2: int, size: int) -> NDArray[np.float64]:
    r"""Spread points evenly over a cube; the same ones every time.

    Parameters
    ----------
    count_log2 : int
        Logarithm of their number to the base 2, 0 to 30.
    size : int
        Dimensions of the cube, 1 to 9.

    Returns
    -------
    ndarray of float64, shape (points, size)
        Above 0 and below 1 (Sobol's sequence, half a step inwards).

    Raises
    ------
    InputError
        If the number of points or of dimensions is outside its range.

    Notes
    -----
    Sobol' (1967, USSR Comput. Math. Math. Phys. 7:86-112) in the order of the Gray code: the next point is
    the last one, bit by bit exclusive or the direction number of its lowest changing bit. Those follow
    :math:`m_k = 2 a_1 m_{k-1} \oplus 2^2 a_2 m_{k-2} \oplus \ldots \oplus 2^s m_{k-s} \oplus m_{k-s}`
    (Bratley & Fox 1988, ACM Trans. Math. Software 14:88-100). Written out here because the general library
    that has it takes most of a second to load.

    Examples
    --------
    >>> even_points(2, 2).tolist()
    [[0.125, 0.125], [0.625, 0.625], [0.875, 0.375], [0.375, 0.875]]
    """
    bits = whole("count_log2", count_log2, at_least=0)
    if bits > MOST_LOG2:
        raise InputError(f"Invalid 'count_log2' of {bits}. It must be at most {MOST_LOG2}.")
    if whole("size", size, at_least=1) > MOST_DIMENSIONS:
        raise InputError(f"Invalid 'size' of {size}. It must be at most {MOST_DIMENSIONS}.")
    steps = np.empty((bits, size), dtype=np.int64)
    steps[:, 0] = 1
    for column, (degree, inner, first) in enumerate(DIRECTIONS[: size - 1], start=1):
        number = list(first[:bits])
        for k in range(len(number), bits):
            new = number[k - degree] ^ (number[k - degree] << degree)
            for back in range(1, degree):
                if inner >> (degree - 1 - back) & 1:
                    new ^= number[k - back] << back
            number.append(new)
        steps[:, column] = number
    steps <<= np.arange(bits - 1, -1, -1)[:, None]
    points = np.zeros((1, size), dtype=np.int64)
    for k in range(bits):
        # The next half of a Gray code is the first half backwards, with one more bit set.
        turn = steps[k]
        points = np.concatenate([points, points[::-1] ^ turn])
    # Half a step inwards: the plain sequence starts at 0, where quantiles are infinite.
    return np.asarray((points + 0.5) / 2.0**bits, dtype=np.float64)
