"""The compiled search for the quickest walks from one cell; `washgrade.land.travel` says what it computes."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from washgrade.land.kernel import kernel

__all__ = ["MOVE_COLS", "MOVE_ROWS", "NO_MOVE", "shortest"]

# The moves, clockwise from the east: k % 4 is 0 for a straight one, 2 for a diagonal one, and k is odd for a
# knight's move. The opposite of k is (k + 8) % 16.
MOVES = 16
MOVE_ROWS = np.array([0, 1, 1, 2, 1, 2, 1, 1, 0, -1, -1, -2, -1, -2, -1, -1], dtype=np.int64)
MOVE_COLS = np.array([1, 2, 1, 1, 0, -1, -1, -2, -1, -2, -1, -1, 0, 1, 1, 2], dtype=np.int64)
NO_MOVE = 255


@kernel
def shortest(
    heights: NDArray[np.float32],
    cols: int,
    cell_m: float,
    pace_s_m: float,
    fading_per_unit_slope: float,
    fastest_slope: float,
    too_steep_slope: float,
    source: int,
    targets: NDArray[np.int64],
    to_source: bool,
    within_s: float,
) -> tuple[NDArray[np.float64], NDArray[np.uint8]]:
    """Dijkstra's search over a flattened grid with a closed edge; NaN heights are closed.

    Parameters
    ----------
    heights : ndarray of float32, shape (cells,)
        Heights in metres, row by row; the two outermost rows and columns all round must be NaN.
    cols : int
        Columns, the edge included.
    cell_m : float
        Side of a cell in metres.
    pace_s_m : float
        Seconds for a metre on the best slope.
    fading_per_unit_slope : float
        Growth of the pace's logarithm per unit of slope away from the best one.
    fastest_slope, too_steep_slope : float
        The best slope and the limit of steepness.
    source : int
        Cell to search from.
    targets : ndarray of int64, shape (targets,)
        Open cells, each once, at which to stop when all are reached; none to search everywhere.
    to_source : bool
        Whether the walks go to the source.
    within_s : float
        Time at which to stop, seconds; inf to search everywhere.

    Returns
    -------
    time_s : ndarray of float64, shape (cells,)
        Seconds, inf where not reached. Where the search stopped early only times up to that of the last
        target, or up to ``within_s``, are final; all others lie above.
    move : ndarray of uint8, shape (cells,)
        Move by which each cell was reached, `NO_MOVE` where none was.

    Examples
    --------
    >>> heights = np.pad(np.zeros((1, 3), np.float32), 2, constant_values=np.nan).ravel()
    >>> time_s, move = shortest(heights, 7, 5.0, 1.0, 3.5, 0.0, 0.6, 16, np.empty(0, np.int64), False, np.inf)
    >>> time_s[16:19].tolist(), move[16:19].tolist()
    ([0.0, 5.0, 10.0], [255, 0, 0])
    """
    count = len(heights)
    time_s = np.full(count, np.inf)
    move = np.full(count, np.uint8(NO_MOVE), np.uint8)
    if np.isnan(heights[source]):
        return time_s, move
    step = MOVE_ROWS * cols + MOVE_COLS
    run_m = np.empty(MOVES)
    least_s = np.empty(MOVES)
    # The two cells that a diagonal or a knight's move passes; a knight's first lies beside its start, the
    # second beside its end.
    beside = np.zeros((MOVES, 2), np.int64)
    for k in range(MOVES):
        down = MOVE_ROWS[k]
        right = MOVE_COLS[k]
        run_m[k] = cell_m * math.sqrt(down * down + right * right)
        least_s[k] = run_m[k] * pace_s_m
        if k % 4 == 2:
            beside[k, 0] = down * cols
            beside[k, 1] = right
        elif abs(down) == 2:
            beside[k, 0] = down // 2 * cols
            beside[k, 1] = down // 2 * cols + right
        elif abs(right) == 2:
            beside[k, 0] = right // 2
            beside[k, 1] = down * cols + right // 2
    # A hair narrower than the quickest move, so that rounding puts nothing back into the current bucket.
    width_s = 0.99 * cell_m * pace_s_m
    steepest_m2 = (too_steep_slope * cell_m) ** 2
    slowest_s = (
        math.sqrt(5.0)
        * cell_m
        * pace_s_m
        * math.exp(fading_per_unit_slope * (too_steep_slope + abs(fastest_slope)))
    )
    # A power of two, so that the place in the ring is told by a mask.
    ring = 4
    while ring < int(slowest_s / width_s) + 3:
        ring *= 2
    mask = ring - 1
    per_s = 1.0 / width_s
    # Each bucket is a list linked both ways, so that a cell whose time falls moves to its new bucket.
    first = np.full(ring, -1, np.int32)
    after = np.empty(count, np.int32)
    before = np.empty(count, np.int32)
    is_target = np.zeros(count if len(targets) else 1, np.bool_)
    for target in targets:
        is_target[target] = True
    targets_left = len(targets)
    sign = -1.0 if to_source else 1.0
    time_s[source] = 0.0
    first[0] = source
    after[source] = -1
    before[source] = -1
    waiting = 1
    slot = 0
    while waiting > 0:
        cell = first[slot]
        if cell < 0:
            slot = (slot + 1) & mask
            continue
        follower = after[cell]
        first[slot] = follower
        if follower >= 0:
            before[follower] = -1
        waiting -= 1
        if targets_left > 0 and is_target[cell]:
            targets_left -= 1
            if targets_left == 0:
                break
        here_s = time_s[cell]
        # Whatever else is quicker than that has its final time already: a bucket is never improved by itself.
        if here_s > within_s:
            break
        here_m = np.float64(heights[cell])
        for k in range(MOVES):
            near = cell + step[k]
            # Most moves could not better their cell even at the best slope, and others not by the first terms
            # of the exponential, which is no less: 1 + x + x²/2. This spares exponentials.
            if here_s + least_s[k] >= time_s[near]:
                continue
            # Comparisons with NaN are false, so ground with a closed cell is never gentle enough.
            near_m = np.float64(heights[near])
            if k & 3 == 0:
                slope = sign * (near_m - here_m) / cell_m
                if not abs(slope) <= too_steep_slope:
                    continue
                strain = fading_per_unit_slope * abs(slope - fastest_slope)
                if here_s + least_s[k] * (1.0 + strain * (1.0 + 0.5 * strain)) >= time_s[near]:
                    continue
                effort = math.exp(strain)
            else:
                one_m = np.float64(heights[cell + beside[k, 0]])
                other_m = np.float64(heights[cell + beside[k, 1]])
                across_m2 = (other_m - one_m) ** 2
                if k & 1 == 0:
                    if not 0.5 * ((near_m - here_m) ** 2 + across_m2) <= steepest_m2:
                        continue
                    slope = sign * (near_m - here_m) / run_m[k]
                    strain = fading_per_unit_slope * abs(slope - fastest_slope)
                    if here_s + least_s[k] * (1.0 + strain * (1.0 + 0.5 * strain)) >= time_s[near]:
                        continue
                    effort = math.exp(strain)
                else:
                    # Two comparisons, not one of their greater: max() may drop a NaN.
                    if not (
                        (one_m - here_m) ** 2 + across_m2 <= steepest_m2
                        and (near_m - other_m) ** 2 + across_m2 <= steepest_m2
                    ):
                        continue
                    way_m = 0.5 * (one_m + other_m)
                    first_slope = sign * (way_m - here_m) / (0.5 * run_m[k])
                    second_slope = sign * (near_m - way_m) / (0.5 * run_m[k])
                    strain = fading_per_unit_slope * abs(first_slope - fastest_slope)
                    more = fading_per_unit_slope * abs(second_slope - fastest_slope)
                    least = 1.0 + 0.5 * (strain * (1.0 + 0.5 * strain) + more * (1.0 + 0.5 * more))
                    if here_s + least_s[k] * least >= time_s[near]:
                        continue
                    effort = 0.5 * (math.exp(strain) + math.exp(more))
            taken_s = least_s[k] * effort
            then_s = here_s + taken_s
            if then_s >= time_s[near]:
                continue
            new_slot = int(then_s * per_s) & mask
            move[near] = k
            if time_s[near] < np.inf:
                time_was = int(time_s[near] * per_s) & mask
                time_s[near] = then_s
                if time_was == new_slot:
                    continue
                follower = after[near]
                leader = before[near]
                if leader >= 0:
                    after[leader] = follower
                else:
                    first[time_was] = follower
                if follower >= 0:
                    before[follower] = leader
                waiting -= 1
            time_s[near] = then_s
            follower = first[new_slot]
            after[near] = follower
            before[near] = -1
            if follower >= 0:
                before[follower] = near
            first[new_slot] = near
            waiting += 1
    return time_s, move
