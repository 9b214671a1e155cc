"""What a set of samples would settle: the fall of the weighted variance of the grade, whatever they show.

The places that might be sampled share what they tell, so their worths do not add up. How much they share is
all in two matrices over the places: the covariance of the latent grade there, and what each pair has in
common with all the ground that counts. Both are exact for each representative of ranges and variances.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from washgrade.checks import number, whole
from washgrade.errors import InputError
from washgrade.land.kernel import kernel
from washgrade.sand import mixture, solver
from washgrade.sand.nextsample import contested_weight
from washgrade.sand.tree import Tree, rows_of, skeleton
from washgrade.sand.weighed import Weighed

__all__ = ["Doubt", "doubt_of", "doubt_weight", "stretches"]

# Error variance that says nothing: the grade's own variance is about 1.
KNOWS_NOTHING = 1e10
# Representatives averaged over. Our choice, because twice as many changed no plan's worth by 1 %.
PARTS = 6
# Places that stand for the ground. Our choice, because a stretch then is far shorter than the ranges.
MOST_TARGETS = 4000


@dataclass(frozen=True, slots=True, kw_only=True)
class Doubt:
    """How samples at some points would lower the doubt about the whole ground.

    Parameters
    ----------
    covariance : ndarray of float64, shape (representatives, points, points)
        Of the latent grade at the points.
    wanted : ndarray of float64, shape (representatives, points, points)
        Sum over the ground, by weight, of the products of the covariances with two points.
    error_variance : ndarray of float64, shape (representatives, points)
        Of a sample at each point, above 0.
    total_variance : float
        Weighted variance of the whole ground before any of these samples.

    Raises
    ------
    InputError
        If the shapes differ or an error variance is not above 0.

    Examples
    --------
    Two points that know half of each other, and a ground of just these:

    >>> shared = np.array([[[1.0, 0.5], [0.5, 1.0]]])
    >>> doubt = Doubt(covariance=shared, wanted=shared @ shared, error_variance=np.full((1, 2), 0.25),
    ...               total_variance=2.0)
    >>> [round(doubt.settled(np.array(stops, int)), 3) for stops in ([], [0], [0, 1])]
    [0.0, 1.0, 1.619]
    """

    covariance: NDArray[np.float64]
    wanted: NDArray[np.float64]
    error_variance: NDArray[np.float64]
    total_variance: float

    def __post_init__(self) -> None:
        shape = self.covariance.shape
        if len(shape) != 3 or shape != self.wanted.shape or shape[:2] != self.error_variance.shape:
            raise InputError(
                f"Invalid doubt of shapes {shape}, {self.wanted.shape} and {self.error_variance.shape}. They "
                "must be representatives by points by points, the last without the second points."
            )
        if not np.all(self.error_variance > 0):
            raise InputError("Invalid 'error_variance'. It must be above 0 at every point.")

    @property
    def points(self) -> int:
        """Number of points."""
        return int(self.covariance.shape[1])

    def settled(self, stops: NDArray[np.integer[Any]]) -> float:
        """Fall of the weighted variance by samples at some points.

        Parameters
        ----------
        stops : ndarray of int, shape (stops,)
            Different points, in any order.

        Returns
        -------
        float
            In weight times variance, on average over the representatives.
        """
        at = np.asarray(stops, np.int64)
        if not len(at):
            return 0.0
        fall = 0.0
        for part in range(len(self.covariance)):
            seen = self.covariance[part][np.ix_(at, at)] + np.diag(self.error_variance[part, at])
            fall += float(np.trace(np.linalg.solve(seen, self.wanted[part][np.ix_(at, at)])))
        return fall / len(self.covariance)

    def at_most(self, stops: int) -> float:
        """Bound that no set of so many points can pass, whatever the way to them.

        Parameters
        ----------
        stops : int
            Number of stops, at least 0.

        Returns
        -------
        float
            In weight times variance.

        Notes
        -----
        So many samples are so many linear views of what samples at all points would show; no views of that
        number explain more than the largest eigenvalues of ``L⁻¹ M L⁻ᵀ``, ``LLᵀ`` being the covariance of
        the samples. Holds whether gains shrink from stop to stop or not.
        """
        fall = 0.0
        for part in range(len(self.covariance)):
            root = np.linalg.cholesky(self.covariance[part] + np.diag(self.error_variance[part]))
            half = np.linalg.solve(root, self.wanted[part])
            explained = np.linalg.eigvalsh(np.linalg.solve(root, half.T))
            fall += float(np.maximum(explained[len(explained) - min(stops, len(explained)) :], 0.0).sum())
        return fall / len(self.covariance)

    def only(self, points: NDArray[np.integer[Any]]) -> Doubt:
        """Keep some of the points.

        Parameters
        ----------
        points : ndarray of int, shape (kept,)
            Which.

        Returns
        -------
        Doubt
            In that order.
        """
        at = np.asarray(points, np.int64)
        return Doubt(
            covariance=np.ascontiguousarray(self.covariance[:, at[:, None], at]),
            wanted=np.ascontiguousarray(self.wanted[:, at[:, None], at]),
            error_variance=np.ascontiguousarray(self.error_variance[:, at]),
            total_variance=self.total_variance,
        )

    def after(self, stops: NDArray[np.integer[Any]]) -> Doubt:
        """Doubt once samples at some points are taken.

        Parameters
        ----------
        stops : ndarray of int, shape (stops,)
            Points sampled, each as often as it is named.

        Returns
        -------
        Doubt
            Of the same points.
        """
        covariance, wanted = self.covariance.copy(), self.wanted.copy()
        total = self.total_variance
        for part in range(len(covariance)):
            for stop in np.asarray(stops, np.int64):
                scale = np.sqrt(covariance[part, stop, stop] + self.error_variance[part, stop])
                c, m = covariance[part, stop] / scale, wanted[part, stop] / scale
                q = float(m[stop] / scale)
                covariance[part] -= np.outer(c, c)
                wanted[part] -= np.outer(c, m) + np.outer(m, c) - q * np.outer(c, c)
                total -= q / len(covariance)
        return Doubt(
            covariance=covariance, wanted=wanted, error_variance=self.error_variance, total_variance=total
        )


@kernel
def _group(
    downstream: NDArray[np.int32],
    length_m: NDArray[np.float64],
    weight: NDArray[np.float64],
    longest_m: float,
    group: NDArray[np.int64],
) -> int:
    """Walk up from the outlets; a stretch goes on into the main branch until it is long enough."""
    count = len(downstream)
    main = np.full(count, -1, np.int64)
    for i in range(count):
        j = downstream[i]
        if j >= 0 and (main[j] < 0 or weight[i] > weight[main[j]]):
            main[j] = i
    reached_m = np.zeros(count)
    groups = 0
    for i in range(count - 1, -1, -1):
        j = downstream[i]
        if j >= 0 and main[j] == i and reached_m[j] + length_m[i] <= longest_m:
            group[i] = group[j]
            reached_m[i] = reached_m[j] + length_m[i]
        else:
            group[i] = groups
            groups += 1
    return groups


def stretches(tree: Tree, most: int) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Divide a network into stretches, each with a node in its middle.

    Parameters
    ----------
    tree : Tree
        The network.
    most : int
        How many stretches to aim at, at least 1; every head of a channel has its own, so there may be more.

    Returns
    -------
    group : ndarray of int64, shape (nodes,)
        Stretch of each node.
    middle : ndarray of int64, shape (stretches,)
        Its middle node.

    Raises
    ------
    InputError
        If ``most`` is no whole number of at least 1.

    Examples
    --------
    >>> line = Tree(downstream=np.array([1, 2, 3, 4, 5, -1], np.int32), length_m=np.full(6, 10.0),
    ...             weight=np.arange(1.0, 7.0))
    >>> [numbers.tolist() for numbers in stretches(line, 2)]
    [[1, 1, 1, 0, 0, 0], [4, 1]]
    """
    whole("most", most, at_least=1)
    count = len(tree)
    group = np.arange(count, dtype=np.int64)
    if count <= most:
        return group, group.copy()
    linked = tree.downstream >= 0
    longest_m = float(tree.length_m[linked].sum()) / most
    groups = count
    for _ in range(12):
        groups = _group(tree.downstream, tree.length_m, tree.weight, longest_m, group)
        if groups <= most:
            break
        longest_m *= 1.5
    order = np.argsort(group, kind="stable")
    first = np.searchsorted(group[order], np.arange(groups + 1))
    return group, order[(first[:-1] + first[1:] - 1) // 2]


def doubt_weight(weighed: Weighed, *, cutoff_grade: float, parts: int = PARTS) -> NDArray[np.float64]:
    """What the doubt about each node counts: its length of bed, and how contested it is.

    Parameters
    ----------
    weighed : Weighed
        The model with the samples there are; may be none.
    cutoff_grade : float
        Grade at which the choice of reaches is cut, between 0 and 1.
    parts : int, default 6
        Representatives looked at.

    Returns
    -------
    ndarray of float64, shape (nodes,)
        Weights with a mean of 1; see :func:`washgrade.sand.nextsample.contested_weight`.

    Raises
    ------
    InputError
        If the cut-off does not lie between 0 and 1.
    """
    number("cutoff_grade", cutoff_grade, above=0, below=1)
    averaged, count = weighed.averaged, len(weighed.tree)
    chosen = _spread_parts(len(averaged.points), parts)
    means, variances = np.empty((len(chosen), count)), np.empty((len(chosen), count))
    for row, there in enumerate(weighed.smoothed(chosen)):
        part = there.part
        mixture.latent_moments(
            there.up,
            there.down,
            there.variance,
            weighed.regressors,
            weighed.expected(int(part)),
            averaged.step[part],
            averaged.covariance[part],
            weighed.place,
            weighed.read.loading,
            averaged.columns[part],
            averaged.error_variance[part],
            float(averaged.shared_variance[part]),
            means[row],
            variances[row],
        )
    variance = variances.mean(axis=0) + means.var(axis=0)
    contested = contested_weight(
        means.mean(axis=0), variance, float(np.log(cutoff_grade / (1.0 - cutoff_grade)))
    )
    tree = weighed.tree
    long_m = np.where(tree.downstream >= 0, tree.length_m, 0.0)
    weight = contested * (long_m if long_m.any() else 1.0)
    return np.asarray(weight / weight.mean(), np.float64)


def doubt_of(
    weighed: Weighed,
    points: NDArray[np.integer[Any]],
    *,
    weight: NDArray[np.float64],
    own_variance: float,
    parts: int = PARTS,
    most_targets: int = MOST_TARGETS,
) -> Doubt:
    """Work out how samples at some nodes would lower the doubt about all.

    Parameters
    ----------
    weighed : Weighed
        The model with the samples there are.
    points : ndarray of int, shape (points,)
        Different nodes that might be sampled.
    weight : ndarray of float64, shape (nodes,)
        What the variance of each node counts, at least 0.
    own_variance : float
        Variance of a new sample's own error on the logit; the scatter from scoop to scoop and from place to
        place is added. Above 0.
    parts : int, default 6
        Representatives of ranges and variances averaged over.
    most_targets : int, default 4000
        Stretches that stand for the whole ground (`stretches`); each node's weight goes to the middle of its
        own.

    Returns
    -------
    Doubt
        Of these points, in their order.

    Raises
    ------
    InputError
        If the points are not different nodes, the weights do not fit, or the variance is not above 0.

    Notes
    -----
    A reading of next to no weight at each point, run as one column of the exact solver, answers with the
    covariance of that point and every other: all columns go up and down the tree together.
    """
    tree, averaged = weighed.tree, weighed.averaged
    at = np.asarray(points, np.int64)
    if at.ndim != 1 or len(np.unique(at)) != len(at) or np.any((at < 0) | (at >= len(tree))):
        raise InputError(f"Invalid points. They must be different nodes from 0 to {len(tree) - 1}.")
    wanted_weight = np.asarray(weight, np.float64)
    if wanted_weight.shape != (len(tree),) or not np.all(wanted_weight >= 0):
        raise InputError(
            f"Invalid weights of shape {wanted_weight.shape}. There must be one of at least 0 per node, "
            f"{len(tree)}."
        )
    number("own_variance", own_variance, above=0)
    group, target = stretches(tree, most_targets)
    target_weight = np.bincount(group, weights=wanted_weight, minlength=len(target))
    small, kept = skeleton(tree, np.unique(np.concatenate([weighed.read.node, at, target])))
    rows, many, size = len(weighed.read.node), len(at), weighed.regressors.shape[1]
    place, older = rows_of(np.searchsorted(kept, weighed.read.node), len(kept))
    at_kept, target_kept = np.searchsorted(kept, at), np.searchsorted(kept, target)
    # A reading made today of each point, whether one was made there before or not.
    row_of = rows + np.arange(many, dtype=np.int32)
    older = np.concatenate([older, place[at_kept]])
    place[at_kept] = row_of
    loading = np.concatenate([weighed.read.loading, np.ones(many)])
    columns = np.zeros((rows + many, many + size))
    error = np.full(rows + many, KNOWS_NOTHING)
    count, cols = len(kept), many + size
    b, eta, up, down = (np.empty((count, cols)) for _ in range(4))
    c, v, lam = (np.empty(count) for _ in range(3))
    variance, no_gram, log_weight = np.empty((count, 3)), np.empty((0, 0)), small.log_weight
    regressors = weighed.regressors[kept]
    chosen = _spread_parts(len(averaged.points), parts)
    covariance, wanted = np.empty((len(chosen), many, many)), np.empty((len(chosen), many, many))
    error_variance, total = np.empty((len(chosen), many)), 0.0
    for row, part in enumerate(chosen):
        error[:rows] = averaged.error_variance[part]
        columns[:rows, many:] = averaged.columns[part][:, 1:]
        columns[row_of, np.arange(many)] = error[row_of]
        given = (small.downstream, small.length_m, log_weight, place, older, loading, columns, error)
        process = averaged.process(int(part)).numbers
        solver.pass_up(*given, process, b, c, v, lam, eta, no_gram)
        solver.pass_down(*given, process, b, c, v, lam, eta, up, down, variance)
        both = up + down
        free = regressors - both[:, many:]
        held = free @ averaged.covariance[part]
        across = both[target_kept, :many] + held[target_kept] @ free[at_kept].T
        wanted[row] = across.T @ (target_weight[:, None] * across)
        own = both[at_kept, :many] + held[at_kept] @ free[at_kept].T
        covariance[row] = 0.5 * (own + own.T)
        error_variance[row] = own_variance + np.exp(2.0 * averaged.points[part, 4])
        spread = variance[:, 0] + 2.0 * variance[:, 1] + variance[:, 2] + np.einsum("nm,nm->n", held, free)
        total += float(target_weight @ spread[target_kept]) / len(chosen)
    return Doubt(covariance=covariance, wanted=wanted, error_variance=error_variance, total_variance=total)


def _spread_parts(count: int, parts: int) -> NDArray[np.int64]:
    return np.unique(np.linspace(0, count - 1, parts).round().astype(np.int64))
