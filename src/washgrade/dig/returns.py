"""Decreasing returns: what the next loads of a reach bring when the richest sand goes first."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike, NDArray

from washgrade.checks import number
from washgrade.dig.day_loops import brought
from washgrade.errors import InputError

__all__ = ["FOUND_BY_EYE", "WITHIN_SD", "Bed", "Standing", "dug_share_of", "left_factor", "taken_share"]

# How much the loads of one reach differ, standard deviation of the logarithm of what they bring. Our choice,
# because scoops taken side by side differ by 10 to 40 %, and loads along fifty metres by no less.
WITHIN_SD = 0.4
# How well the eye tells richer loads from poorer ones within a reach: correlation of the logarithms of what
# is seen and what is there. Our choice, because a dark skin is seen, and what lies below it is not.
FOUND_BY_EYE = 0.5
# Steps of the table in which the curve of the richest loads is read: finer ones change less than a millionth.
CURVE_STEPS = 8193


def taken_share(dug_share: ArrayLike, *, within_sd: float = WITHIN_SD) -> NDArray[np.float64]:
    r"""Share of a reach's magnetics that lies in the richest part of its loads.

    Parameters
    ----------
    dug_share : array_like of float
        Share of the loads, 0 to 1.
    within_sd : float, default 0.4
        Standard deviation of the logarithm of a load's yield within a reach, at least 0.

    Returns
    -------
    ndarray of float64
        :math:`\Phi(\Phi^{-1}(q) + s)`, the Lorenz curve of a lognormal read from its rich end; q itself where
        all loads are alike.

    References
    ----------
    Aitchison, J., Brown, J. A. C. (1957). The lognormal distribution. Cambridge University Press. Section
    11.3 (from memory).

    Examples
    --------
    >>> taken_share([0.0, 0.2, 0.5, 1.0]).round(3).tolist()
    [0.0, 0.329, 0.655, 1.0]
    """
    # SciPy's normal takes a while to import: only when it is needed.
    from scipy.special import ndtr, ndtri

    share = _share("dug_share", dug_share)
    found: NDArray[np.float64] = ndtr(ndtri(share) + number("within_sd", within_sd, at_least=0))
    return found


def dug_share_of(taken_share: ArrayLike, *, within_sd: float = WITHIN_SD) -> NDArray[np.float64]:
    """Share of a reach's loads that was dug, from the share of its magnetics that is gone.

    Parameters
    ----------
    taken_share : array_like of float
        Share of the magnetics, 0 to 1: the depletion of `washgrade.storm.season`.
    within_sd : float, default 0.4
        As in `taken_share`.

    Returns
    -------
    ndarray of float64
        The inverse of `taken_share`.

    Examples
    --------
    >>> dug_share_of([0.0, 0.329, 1.0]).round(3).tolist()
    [0.0, 0.2, 1.0]
    """
    from scipy.special import ndtr, ndtri

    share = _share("taken_share", taken_share)
    # Not zeros_like, which touches all of it.
    found: NDArray[np.float64] = np.zeros(share.shape)
    # Most reaches of most draws are fresh, and the normal takes its time.
    begun = share > 0.0
    found[begun] = ndtr(ndtri(share[begun]) - number("within_sd", within_sd, at_least=0))
    return found


def left_factor(taken_share: ArrayLike, *, within_sd: float = WITHIN_SD) -> NDArray[np.float64]:
    """Mean yield of the loads that are left, over that of the whole reach when it was fresh.

    Parameters
    ----------
    taken_share : array_like of float
        Share of the magnetics that is gone, 0 to 1.
    within_sd : float, default 0.4
        As in `taken_share`.

    Returns
    -------
    ndarray of float64
        1 where nothing was dug, falling as the rich loads go; 0 where nothing is left.

    Examples
    --------
    >>> left_factor([0.0, 0.5, 1.0]).round(3).tolist()
    [1.0, 0.763, 0.0]
    """
    share = _share("taken_share", taken_share)
    loads_left = 1.0 - dug_share_of(share, within_sd=within_sd)
    return np.divide(1.0 - share, loads_left, out=np.zeros_like(share), where=loads_left > 0)


@lru_cache(maxsize=8)
def _mean_loads(within_sd: float) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Shares of the loads that were dug, and what a mean one of the rest holds over a fresh one."""
    # Even in the root of the share, because it falls steeply at first.
    steps = np.linspace(0.0, 1.0, CURVE_STEPS) ** 2
    factor = left_factor(taken_share(steps, within_sd=within_sd), within_sd=within_sd)
    factor[0], factor[-1] = 1.0, 0.0
    return steps, factor


def _share(name: str, values: ArrayLike) -> NDArray[np.float64]:
    found = np.asarray(values, np.float64)
    # Comparisons with NaN are false.
    if found.size and not (found.min() >= 0 and found.max() <= 1):
        raise InputError(f"Invalid '{name}'. It must hold shares from 0 to 1.")
    return found


@dataclass(frozen=True, slots=True, kw_only=True)
class Bed:
    """What digging and floods have left of reaches, as shares of what each holds when fresh.

    A dig takes loads, the richest first; a flood lays some of the places anew, dug or not, so that fresh
    loads lie beside dug ones; and where much is missing upstream, what it lays is poorer.

    Parameters
    ----------
    loads : ndarray of float, shape (ways, reaches)
        Loads that are there: not dug, or laid anew since.
    full : ndarray of float, shape (ways, reaches)
        Magnetics that they would hold had floods laid all of them as rich as the fresh bed.
    left : ndarray of float, shape (ways, reaches)
        Magnetics that they hold; at most ``full``.

    Examples
    --------
    All loads were dug, then a flood laid half of the places anew: half a fresh bed.

    >>> half = np.array([[0.5]])
    >>> laid, dug = Bed(loads=half, full=half, left=half).on_curve()
    >>> laid.tolist(), dug.tolist()
    ([[0.5]], [[0.0]])

    Or the richest half of the loads were dug, and nothing came since.

    >>> laid, dug = Bed.dug(taken_share(half)).on_curve()
    >>> laid.round(6).tolist(), dug.round(6).tolist()
    ([[1.0]], [[0.5]])
    """

    loads: NDArray[np.floating]
    full: NDArray[np.floating]
    left: NDArray[np.floating]

    @classmethod
    def dug(cls, taken_share: ArrayLike, *, within_sd: float = WITHIN_SD) -> Bed:
        """Make beds that nothing happened to but digging, from the share of the magnetics that is gone.

        Parameters
        ----------
        taken_share : array_like of float, shape (ways, reaches)
            Share of the magnetics, 0 to 1.
        within_sd : float, default 0.4
            As in `taken_share`.

        Returns
        -------
        Bed
            Fresh but for the richest loads.

        Raises
        ------
        InputError
            If a share is outside its limits.
        """
        gone = _share("taken_share", taken_share)
        return cls(loads=1.0 - dug_share_of(gone, within_sd=within_sd), full=1.0 - gone, left=1.0 - gone)

    @property
    def richness(self) -> NDArray[np.float64]:
        """How rich what floods laid is, over the fresh bed: 1 where nothing is missing upstream."""
        found = np.ones(np.shape(self.full))
        np.divide(self.left, self.full, out=found, where=np.asarray(self.full) > 0)
        return found

    @property
    def mean_load(self) -> NDArray[np.float64]:
        """Magnetics in a mean one of the loads that are there, over those of the fresh bed; 0 without any."""
        found = np.zeros(np.shape(self.loads))
        np.divide(self.left, self.loads, out=found, where=np.asarray(self.loads) > 0)
        return found

    def _shares(self) -> list[tuple[str, NDArray[np.floating]]]:
        return [(name, getattr(self, name)) for name in ("loads", "full", "left")]

    def of(self, reaches: NDArray[np.integer] | slice) -> Bed:
        """Choose some reaches.

        Parameters
        ----------
        reaches : ndarray of int or slice
            Which.

        Returns
        -------
        Bed
            Of these alone.
        """
        return Bed(**{name: now[:, reaches] for name, now in self._shares()})

    def in_draws(self, draws: int) -> Bed:
        """Give each of so many draws its way, in turn.

        Parameters
        ----------
        draws : int
            How many.

        Returns
        -------
        Bed
            Row n is of the way n modulo their number.
        """
        way = np.arange(draws) % len(self.loads)
        return Bed(**{name: now[way] for name, now in self._shares()})

    def on_curve(self, *, within_sd: float = WITHIN_SD) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Find the bed that digging alone would have left so.

        Parameters
        ----------
        within_sd : float, default 0.4
            As in `taken_share`.

        Returns
        -------
        laid : ndarray of float64, shape (ways, reaches)
            Its loads when it was fresh, over those of the reach.
        dug : ndarray of float64, shape (ways, reaches)
            Share of them that was dug, the richest first.

        Notes
        -----
        Of a bed of n loads whose richest share q was dug, ``n (1 - q)`` loads are left, each holding on the
        mean what `left_factor` says: q follows from the mean load, n from the count. Exact where no flood
        came, and where floods laid all anew or came to loads that were all dug or none. Between, what floods
        laid lies beside poorer loads that were left, and a curve of the same count and content stands for
        both: over sixty histories of digs and floods the next fifth of the loads was told 2 % low on the mean
        (tests/laws/test_dig_bed_laws.py).
        """
        mean = np.ones(np.shape(self.loads))
        np.divide(self.full, self.loads, out=mean, where=np.asarray(self.loads) > 0)
        dug = np.zeros(mean.shape)
        begun = (mean < 1.0) | (np.asarray(self.full) <= 0.0)
        if begun.any():
            steps, factor = _mean_loads(float(within_sd))
            dug[begun] = np.interp(mean[begun], factor[::-1], steps[::-1])
        # Where nothing is left, nothing is to be dug.
        dug[np.asarray(self.full) <= 0.0] = 1.0
        # By what they hold and not by their number, so that the table costs no magnetics.
        rest = np.ones(mean.shape)
        rest[begun] = 1.0 - taken_share(dug[begun], within_sd=within_sd)
        laid = np.ones(mean.shape)
        np.divide(self.full, rest, out=laid, where=rest > 0.0)
        return laid, dug

    def holding(self, left: NDArray[np.floating], *, within_sd: float = WITHIN_SD) -> Bed:
        """Correct what is left: the same beds, with fewer loads or more, as readings of them say.

        Parameters
        ----------
        left : ndarray of float, shape (draws, reaches)
            Magnetics that are left, 0 to 1, in draws; each of them corrects its way, in turn.
        within_sd : float, default 0.4
            As in `taken_share`.

        Returns
        -------
        Bed
            Less is left where fewer loads were laid anew, more where more were; where all were, fewer rich
            ones were dug; and what goes beyond, where nothing was dug, is richer sand.
        """
        own, richness = self.in_draws(len(left)), self.richness
        way = np.arange(len(left)) % len(self.loads)
        full = np.minimum(left / np.maximum(richness, 1e-12)[way], 1.0)
        laid = self.on_curve(within_sd=within_sd)[0][way]
        change = full / np.maximum(own.full, 1e-12)
        loads = np.where(laid * change <= 1.0, own.loads * change, 1.0)
        more = np.flatnonzero((laid * change > 1.0).ravel())
        loads.ravel()[more] = 1.0 - dug_share_of(1.0 - full.ravel()[more], within_sd=within_sd)
        return Bed(loads=loads, full=full, left=np.asarray(left, np.float64))


@dataclass(frozen=True, slots=True, kw_only=True)
class Standing:
    """What every reach stands at on one day, in joint draws: one row is one way the whole ground may be.

    Parameters
    ----------
    fresh_load_kg : ndarray of float, shape (draws, reaches)
        Magnetics in a mean load of the bed as floods laid it, kilograms.
    loads_held : ndarray of float64, shape (draws, reaches) or (reaches,)
        Loads of it before anybody dug.
    depletion : ndarray of float64, shape (draws, reaches) or (reaches,)
        Share of its magnetics that was dug, 0 to 1.
    within_sd : float
        How much the loads of a reach differ; see `taken_share`.

    Raises
    ------
    InputError
        If the shapes disagree or a depletion lies outside 0 to 1.

    Examples
    --------
    >>> standing = Standing(fresh_load_kg=np.array([[0.5, 0.5]]), loads_held=np.array([100.0, 100.0]),
    ...                     depletion=np.array([0.0, 0.5]))
    >>> standing.loads_left.round(1).tolist(), standing.load_kg.round(2).tolist()
    ([[100.0, 65.5]], [[0.5, 0.38]])
    >>> standing.brings_kg([20.0, 20.0]).round(1).tolist()
    [[16.5, 9.8]]
    """

    fresh_load_kg: NDArray[np.floating]
    loads_held: NDArray[np.float64]
    depletion: NDArray[np.float64]
    within_sd: float = WITHIN_SD

    def __post_init__(self) -> None:
        shape = np.shape(self.fresh_load_kg)
        for name in ("loads_held", "depletion"):
            if np.shape(getattr(self, name)) not in (shape, shape[1:]):
                raise InputError(
                    f"Invalid '{name}' of shape {np.shape(getattr(self, name))}. It must be {shape} or "
                    f"{shape[1:]}."
                )
        _share("depletion", self.depletion)

    @property
    def loads_left(self) -> NDArray[np.float64]:
        """Loads not yet dug, shape (draws, reaches)."""
        left = self.loads_held * (1.0 - dug_share_of(self.depletion, within_sd=self.within_sd))
        return np.broadcast_to(left, np.shape(self.fresh_load_kg))

    @property
    def expected_loads_left(self) -> NDArray[np.float64]:
        """Mean of `loads_left` over the draws, shape (reaches,)."""
        held = np.atleast_2d(np.asarray(self.loads_held, np.float64))
        dug = np.atleast_2d(dug_share_of(self.depletion, within_sd=self.within_sd))
        mean = held.mean(axis=0)
        if not dug.any():
            return np.asarray(mean)
        held, dug = np.broadcast_arrays(held, dug)
        return np.asarray(mean - np.einsum("dr,dr->r", held, dug) / len(held))

    @property
    def load_kg(self) -> NDArray[np.float64]:
        """Magnetics in a mean one of the loads that are left, kilograms, shape (draws, reaches)."""
        return np.asarray(self.fresh_load_kg * left_factor(self.depletion, within_sd=self.within_sd))

    @property
    def stock_kg(self) -> NDArray[np.float64]:
        """Magnetics in all that is left, kilograms, shape (draws, reaches)."""
        return np.asarray(self.fresh_load_kg * self.loads_held * (1.0 - self.depletion))

    def at(self, reaches: NDArray[np.int64]) -> Standing:
        """Choose some reaches.

        Parameters
        ----------
        reaches : ndarray of int64, shape (some,)
            Which.

        Returns
        -------
        Standing
            Of these alone.
        """
        if np.array_equal(reaches, np.arange(np.shape(self.fresh_load_kg)[1])):
            return self
        # `take` copies columns in half the time of an index.
        return Standing(
            fresh_load_kg=np.take(self.fresh_load_kg, reaches, axis=1),
            loads_held=np.take(self.loads_held, reaches, axis=-1),
            depletion=np.take(self.depletion, reaches, axis=-1),
            within_sd=self.within_sd,
        )

    def in_draws(self, draws: NDArray[np.int64]) -> Standing:
        """Choose some of the joint draws.

        Parameters
        ----------
        draws : ndarray of int64, shape (some,)
            Which.

        Returns
        -------
        Standing
            Of the same reaches in these draws alone.
        """
        held, gone = (
            values[draws] if np.ndim(values) == 2 else values for values in (self.loads_held, self.depletion)
        )
        return replace(self, fresh_load_kg=self.fresh_load_kg[draws], loads_held=held, depletion=gone)

    def _by_draw(self, values: NDArray[np.floating]) -> NDArray[np.float64]:
        """Lay numbers out for each draw and reach, as the compiled loop takes them."""
        each = np.asarray(values, np.float64)
        if each.ndim == 1:
            each = np.tile(each, (len(self.fresh_load_kg), 1))
        return np.ascontiguousarray(each)

    def chosen_by_eye(self, found_by_eye: float = FOUND_BY_EYE) -> Standing:
        r"""Tell what reaches bring to a digger who looks for the richest loads and finds them in part.

        Parameters
        ----------
        found_by_eye : float, default 0.5
            Correlation of the logarithms of what is seen and what is there, 0 (blind) to 1 (sees all).

        Returns
        -------
        Standing
            With so much less difference between the loads.

        Raises
        ------
        InputError
            If the correlation is outside its limits.

        Notes
        -----
        Of lognormal loads chosen by a mark that goes with their logarithm at correlation :math:`\rho`, the
        best share q holds :math:`\Phi(\Phi^{-1}(q) + \rho s)` of the whole: the Lorenz curve of a lognormal
        whose standard deviation is :math:`\rho s` (regression of two normals; see `taken_share`).

        Examples
        --------
        >>> standing = Standing(fresh_load_kg=np.array([[1.0]]), loads_held=np.array([100.0]),
        ...                     depletion=np.zeros(1), within_sd=0.4)
        >>> [float(standing.chosen_by_eye(rho).brings_kg([20.0])[0, 0].round(1)) for rho in (0.0, 0.5, 1.0)]
        [20.0, 26.1, 32.9]
        """
        number("found_by_eye", found_by_eye, at_least=0, at_most=1)
        return replace(self, within_sd=found_by_eye * self.within_sd)

    def expected_kg(self, most: int) -> NDArray[np.float64]:
        """Tell what the next 0, 1, 2, ... loads of each reach are expected to bring, the richest first.

        Parameters
        ----------
        most : int
            Loads up to which it is told.

        Returns
        -------
        ndarray of float64, shape (reaches, most + 1)
            The mean of `brings_kg` over the draws.

        Examples
        --------
        >>> standing = Standing(fresh_load_kg=np.array([[0.4], [0.6]]), loads_held=np.array([100.0]),
        ...                     depletion=np.zeros(1))
        >>> standing.expected_kg(2).round(2).tolist()
        [[0.0, 1.35, 2.45]]
        """
        loads = np.arange(most + 1)
        count = np.shape(self.fresh_load_kg)[1]
        if np.ndim(self.loads_held) == 1 and np.ndim(self.depletion) == 1:
            # What is left is the same in all draws, so that the mean load tells all.
            dug = dug_share_of(self.depletion, within_sd=self.within_sd)[:, None]
            after = np.minimum(dug + loads / np.maximum(self.loads_held, 1e-9)[:, None], 1.0)
            gained = np.maximum(taken_share(after, within_sd=self.within_sd) - self.depletion[:, None], 0.0)
            mean_kg = np.mean(self.fresh_load_kg, axis=0, dtype=np.float64)
            return np.asarray((mean_kg * self.loads_held)[:, None] * gained)
        # The curve is read from a table, even in the root of the share, because it rises steeply at first.
        curve = taken_share(np.linspace(0.0, 1.0, CURVE_STEPS) ** 2, within_sd=self.within_sd)
        dug = self._by_draw(dug_share_of(self.depletion, within_sd=self.within_sd))
        held, gone = self._by_draw(self.loads_held), self._by_draw(self.depletion)
        gained_kg = np.zeros((count, most + 1))
        brought(self._by_draw(self.fresh_load_kg), held, gone, dug, curve, gained_kg)
        expected: NDArray[np.float64] = gained_kg / len(self.fresh_load_kg)
        return expected

    def brings_kg(self, loads: ArrayLike) -> NDArray[np.float64]:
        """What the next loads bring, the richest first.

        Parameters
        ----------
        loads : array_like of float, shape (reaches,)
            Loads to be dug in each reach, at least 0; more than are left bring what is left.

        Returns
        -------
        ndarray of float64, shape (draws, reaches)
            Kilograms of magnetics; concave in the loads.
        """
        before = dug_share_of(self.depletion, within_sd=self.within_sd)
        held = np.maximum(self.loads_held, 1e-9)
        after = np.minimum(before + np.asarray(loads, np.float64) / held, 1.0)
        gained = taken_share(after, within_sd=self.within_sd) - self.depletion
        return np.asarray(self.fresh_load_kg * self.loads_held * np.maximum(gained, 0.0))
