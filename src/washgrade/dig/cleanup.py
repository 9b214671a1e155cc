"""Clean-up: what a heap of dug sand becomes by drying, screening and passes over the magnets."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from washgrade.checks import number
from washgrade.errors import InputError

__all__ = [
    "BUCKET_LITRES",
    "Cleanup",
    "CleanupRule",
    "MagnetPass",
    "Stream",
    "clean_up",
    "drying_days",
    "pass_from_weighings",
    "two_product",
]

# Five US gallons of 3.785411784 L.
BUCKET_LITRES = 18.927


@dataclass(frozen=True, slots=True, kw_only=True)
class MagnetPass:
    """One pass over the magnets: which share of each kind of grain it takes.

    Parameters
    ----------
    magnetics_share : float
        Share of the magnetics that goes to the concentrate, 0 to 1.
    rest_share : float
        Share of everything else that is dragged along, 0 to 1.

    Raises
    ------
    InputError
        If a share is none, or a pass would take more of the rest than of the magnetics.
    """

    magnetics_share: float
    rest_share: float

    def __post_init__(self) -> None:
        number("magnetics_share", self.magnetics_share, above=0, at_most=1)
        number("rest_share", self.rest_share, at_least=0, at_most=1)
        if self.rest_share >= self.magnetics_share:
            raise InputError(
                f"Invalid 'rest_share' of {self.rest_share:g}. It must be below 'magnetics_share', which is "
                f"{self.magnetics_share:g}: a magnet takes more of the magnetics."
            )


# Nearly all magnetics are caught at once; two passes give better than 90 % purity from sand of about 20 %;
# what the second pass rejects still holds about 30 % (common practice, no source). These four shares are ones
# whose steady state does so.
FIRST_PASS = MagnetPass(magnetics_share=0.99, rest_share=0.05)
SECOND_PASS = MagnetPass(magnetics_share=0.95, rest_share=0.41)


@dataclass(frozen=True, slots=True, kw_only=True)
class CleanupRule:
    """How the sand is cleaned at home; what is "common practice" has no printed source.

    Parameters
    ----------
    moisture : float
        Water per wet mass of the dug sand. 0.04: our choice, a few days after a storm.
    oversize_share : float
        Share of the dry mass that the screen holds back. 0.15: our choice; sieve one bucket to know.
    oversize_grade : float
        Grade of what the screen holds back. 0: streaks are finer than the screen (our choice).
    passes : tuple of MagnetPass
        Passes over the magnets, the first one first; what a later one rejects goes round again.
    bucket_litres : float
        Size of a bucket. 18.927, five US gallons.
    magnet_minutes : float
        Time of one bucket over the magnets. 8 on a large station, about 30 on a small one (common practice).
    screen_minutes, spread_minutes : float
        Time of one bucket over the screen, and of spreading it to dry and gathering it. 2 and 3: our choice.
    dry_bulk_kg_m3, product_bulk_kg_m3 : float
        Mass of a cubic metre of dry feed and of cleaned sand. 1750: 20 % magnetics with 40 % air; 2400: 20
        lb to the US gallon (common practice).
    floor_m2, spread_depth_m : float
        Drying floor, and how thick the sand lies on it. 6 m2 and 3 cm: our choice, a tarpaulin and a rake.
    evaporation_mm_day : float
        What an open pan loses in a day, millimetres. 8: our choice, a dry warm day; see the local figures.
    pan_factor : float
        Loss of wet sand over that of the pan. 0.7, the customary pan coefficient (FAO-56, chapter 4).
    container_litres : float
        Size of a container of product. 64.352, seventeen US gallons.

    Raises
    ------
    InputError
        If a value is out of its limits.
    """

    moisture: float = 0.04
    oversize_share: float = 0.15
    oversize_grade: float = 0.0
    passes: tuple[MagnetPass, ...] = (FIRST_PASS, SECOND_PASS)
    bucket_litres: float = BUCKET_LITRES
    magnet_minutes: float = 8.0
    screen_minutes: float = 2.0
    spread_minutes: float = 3.0
    dry_bulk_kg_m3: float = 1750.0
    product_bulk_kg_m3: float = 2400.0
    floor_m2: float = 6.0
    spread_depth_m: float = 0.03
    evaporation_mm_day: float = 8.0
    pan_factor: float = 0.7
    container_litres: float = 64.352

    def __post_init__(self) -> None:
        number("moisture", self.moisture, at_least=0, below=1)
        number("oversize_share", self.oversize_share, at_least=0, below=1)
        number("oversize_grade", self.oversize_grade, at_least=0, at_most=1)
        number("pan_factor", self.pan_factor, above=0, at_most=1.5)
        for name in ("magnet_minutes", "screen_minutes", "spread_minutes"):
            number(name, getattr(self, name), at_least=0)
        for name in (
            "bucket_litres",
            "dry_bulk_kg_m3",
            "product_bulk_kg_m3",
            "floor_m2",
            "spread_depth_m",
            "evaporation_mm_day",
            "container_litres",
        ):
            number(name, getattr(self, name), above=0)
        if not self.passes:
            raise InputError("Invalid 'passes' of none. There must be at least one pass over the magnets.")


@dataclass(frozen=True, slots=True, kw_only=True)
class Stream:
    """A stream of sand in the chain; arrays of one shape, kilograms.

    Parameters
    ----------
    magnetics_kg, rest_kg : ndarray of float64
        Dry masses of magnetics and of all else.
    """

    magnetics_kg: NDArray[np.float64]
    rest_kg: NDArray[np.float64]

    @property
    def dry_kg(self) -> NDArray[np.float64]:
        """Dry mass, kilograms."""
        return self.magnetics_kg + self.rest_kg

    @property
    def grade(self) -> NDArray[np.float64]:
        """Mass of magnetics per dry mass; 0 where there is nothing."""
        dry_kg = self.dry_kg
        return np.divide(self.magnetics_kg, dry_kg, out=np.zeros_like(dry_kg), where=dry_kg > 0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Cleanup:
    """What clean-up makes of a heap of sand, and what it takes.

    Parameters
    ----------
    feed, oversize, product, tailings, middlings : Stream
        The dry sand dug; what the screen holds back; the clean product; what the first pass leaves; and what
        goes round again in the steady state.
    water_kg : ndarray of float64
        Water to dry off, kilograms.
    purity, recovery : ndarray of float64
        Grade of the product, and its share of all magnetics dug.
    spread_hours, screen_hours, magnet_hours : ndarray of float64
        Hours of work.
    drying_days : ndarray of float64
        Days on the floor, beside the work.
    product_litres, containers : ndarray of float64
        Volume of the product, and how many containers it fills.
    """

    feed: Stream
    oversize: Stream
    product: Stream
    tailings: Stream
    middlings: Stream
    water_kg: NDArray[np.float64]
    purity: NDArray[np.float64]
    recovery: NDArray[np.float64]
    spread_hours: NDArray[np.float64]
    screen_hours: NDArray[np.float64]
    magnet_hours: NDArray[np.float64]
    drying_days: NDArray[np.float64]
    product_litres: NDArray[np.float64]
    containers: NDArray[np.float64]

    @property
    def work_hours(self) -> NDArray[np.float64]:
        """Hours of work at home."""
        return self.spread_hours + self.screen_hours + self.magnet_hours


def two_product(
    feed_grade: ArrayLike, concentrate_grade: ArrayLike, tailings_grade: ArrayLike
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Yield and recovery of a separation from the grades of its three streams.

    Parameters
    ----------
    feed_grade, concentrate_grade, tailings_grade : array_like of float
        Grades, 0 to 1 (or all in percent).

    Returns
    -------
    mass_yield : ndarray of float64
        Mass of concentrate per mass of feed.
    recovery : ndarray of float64
        Share of the magnetics of the feed that the concentrate holds.

    Raises
    ------
    InputError
        If the feed's grade does not lie between those of tailings and concentrate.

    Notes
    -----
    ``yield = (f - t) / (c - t)`` and ``recovery = yield * c / f``, from the balances of mass and magnetics.

    References
    ----------
    Wills, B. A., Finch, J. A. (2016). Wills' Mineral Processing Technology, 8th edition, chapter 3
    (two-product formula).

    Examples
    --------
    >>> mass_yield, recovery = two_product(1.0, 10.0, 0.2)
    >>> float(mass_yield.round(5)), float(recovery.round(4))
    (0.08163, 0.8163)
    """
    f, c, t = (np.asarray(value, np.float64) for value in (feed_grade, concentrate_grade, tailings_grade))
    if not ((t >= 0) & (t < c) & (f >= t) & (f <= c) & (f > 0)).all():
        raise InputError(
            f"Invalid grades of feed {f}, concentrate {c} and tailings "
            f"{t}. The feed must lie between tailings and concentrate, and above 0."
        )
    mass_yield = (f - t) / (c - t)
    return mass_yield, mass_yield * c / f


def pass_from_weighings(*, feed_grade: float, concentrate_grade: float, tailings_grade: float) -> MagnetPass:
    """Shares that a pass takes, from the user's own grades of its feed, concentrate and tailings.

    Parameters
    ----------
    feed_grade, concentrate_grade, tailings_grade : float
        Grades, 0 to 1, of well mixed samples of the three.

    Returns
    -------
    MagnetPass
        What it takes.

    Raises
    ------
    InputError
        If the grades cannot be those of one pass.

    Examples
    --------
    >>> found = pass_from_weighings(feed_grade=0.2, concentrate_grade=0.826087, tailings_grade=0.012987)
    >>> round(found.magnetics_share, 3), round(found.rest_share, 3)
    (0.95, 0.05)
    """
    mass_yield, recovery = two_product(feed_grade, concentrate_grade, tailings_grade)
    rest = float(mass_yield) * (1.0 - concentrate_grade) / (1.0 - feed_grade)
    return MagnetPass(magnetics_share=float(recovery), rest_share=rest)


def drying_days(
    *, dry_kg: ArrayLike, moisture: float, rule: CleanupRule | None = None
) -> NDArray[np.float64]:
    """Days until a heap of wet sand has dried on the floor, spread batch by batch.

    Parameters
    ----------
    dry_kg : array_like of float
        Dry mass of the sand, kilograms.
    moisture : float
        Water per wet mass.
    rule : CleanupRule, optional
        Floor, depth, evaporation.

    Returns
    -------
    ndarray of float64
        Days of weather such as the rule assumes; rain and night dew are not counted.

    Notes
    -----
    A floor of area A loses ``pan coefficient x pan evaporation x A`` of water a day (FAO-56), however thick
    the sand lies, so the whole heap takes ``water / loss``. The last of the water leaves sand more slowly:
    feel it, and weigh a cupful before and after an hour in the sun. Feed must be fully dry (common practice).

    References
    ----------
    Allen, R. G., Pereira, L. S., Raes, D., Smith, M. (1998). Crop evapotranspiration. FAO Irrigation and
    Drainage Paper 56, chapter 4 (pan method).

    Examples
    --------
    >>> rule = CleanupRule(floor_m2=1.0, evaporation_mm_day=8.0)
    >>> float(drying_days(dry_kg=30.08, moisture=0.06, rule=rule).round(3))
    0.343
    """
    rule = CleanupRule() if rule is None else rule
    number("moisture", moisture, at_least=0, below=1)
    water_kg = np.asarray(dry_kg, np.float64) * moisture / (1.0 - moisture)
    days: NDArray[np.float64] = water_kg / (rule.pan_factor * rule.evaporation_mm_day * rule.floor_m2)
    return days


def clean_up(*, wet_kg: ArrayLike, grade: ArrayLike, rule: CleanupRule | None = None) -> Cleanup:
    """Follow a heap of dug sand to the clean product.

    Parameters
    ----------
    wet_kg : array_like of float
        Mass of the sand as dug, kilograms.
    grade : array_like of float
        Mass of magnetics per dry mass, 0 to 1; one for all or of the same shape.
    rule : CleanupRule, optional
        How it is cleaned.

    Returns
    -------
    Cleanup
        Streams, purity, recovery, hours and containers.

    Raises
    ------
    InputError
        If a mass is below 0 or a grade no share.

    Notes
    -----
    Steady state: with shares ``r_1, r_2, ...`` of one kind of grain, what goes round again is ``c = sum over
    k > 1 of r_1 ... r_(k-1) (1 - r_k)`` of what enters the first pass, so ``1 / (1 - c)`` of the new feed
    enters it; the product takes ``r_1 r_2 ...`` and the tailings ``1 - r_1`` of that (mass balance of closed
    circuits, Wills and Finch 2016). Every kilogram dug ends as oversize, product or tailings.

    Examples
    --------
    >>> found = clean_up(wet_kg=1000.0, grade=0.2)
    >>> float(found.purity.round(2)), float(found.recovery.round(2)), float(found.middlings.grade.round(1))
    (0.94, 0.99, 0.3)
    """
    rule = CleanupRule() if rule is None else rule
    wet, share = np.broadcast_arrays(np.asarray(wet_kg, np.float64), np.asarray(grade, np.float64))
    if not (np.isfinite(wet) & (wet >= 0)).all():
        raise InputError("Invalid 'wet_kg'. It must hold finite numbers of at least 0.")
    if not ((share >= 0) & (share <= 1)).all():
        raise InputError("Invalid 'grade'. It must hold numbers between 0 and 1.")
    dry = wet * (1.0 - rule.moisture)
    feed = Stream(magnetics_kg=dry * share, rest_kg=dry * (1.0 - share))
    # A screen cannot hold back more magnetics than there are.
    held = rule.oversize_share * dry
    held_magnetics = np.minimum(held * rule.oversize_grade, feed.magnetics_kg)
    held_rest = np.minimum(held - held_magnetics, feed.rest_kg)
    oversize = Stream(magnetics_kg=held_magnetics, rest_kg=held_rest)
    streams: dict[str, tuple[NDArray[np.float64], ...]] = {}
    passed_kg = [np.zeros_like(dry) for _ in rule.passes]
    for kind, new_kg in (
        ("magnetics", feed.magnetics_kg - held_magnetics),
        ("rest", feed.rest_kg - held_rest),
    ):
        taken = [getattr(one, f"{kind}_share") for one in rule.passes]
        reach = np.cumprod(taken)
        round_again = float(sum(reach[k - 1] * (1.0 - taken[k]) for k in range(1, len(taken))))
        entering = new_kg / (1.0 - round_again)
        streams[kind] = (entering * reach[-1], entering * (1.0 - taken[0]), entering * round_again)
        passed_kg = [kg + entering * left for kg, left in zip(passed_kg, (1.0, *reach[:-1]), strict=True)]
    product, tailings, middlings = (
        Stream(magnetics_kg=streams["magnetics"][part], rest_kg=streams["rest"][part]) for part in range(3)
    )
    buckets = [kg / rule.dry_bulk_kg_m3 * 1000.0 / rule.bucket_litres for kg in passed_kg]
    dug = dry / rule.dry_bulk_kg_m3 * 1000.0 / rule.bucket_litres
    litres = product.dry_kg / rule.product_bulk_kg_m3 * 1000.0
    whole = feed.magnetics_kg
    return Cleanup(
        feed=feed,
        oversize=oversize,
        product=product,
        tailings=tailings,
        middlings=middlings,
        water_kg=wet * rule.moisture,
        purity=product.grade,
        recovery=np.divide(product.magnetics_kg, whole, out=np.zeros_like(whole), where=whole > 0),
        spread_hours=dug * rule.spread_minutes / 60.0,
        screen_hours=dug * rule.screen_minutes / 60.0,
        magnet_hours=np.sum(buckets, axis=0) * rule.magnet_minutes / 60.0,
        drying_days=drying_days(dry_kg=dry, moisture=rule.moisture, rule=rule),
        product_litres=litres,
        containers=litres / rule.container_litres,
    )
