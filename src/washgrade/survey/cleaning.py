"""The clean-up of a heap of sand: its mass balance, and what the user's own weighings say of the magnets."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from washgrade.errors import InputError
from washgrade.units import show_share

if TYPE_CHECKING:
    from washgrade.dig.cleanup import Cleanup, CleanupRule, Stream
    from washgrade.dig.weighings import PassFit
    from washgrade.files.settings import Settings

__all__ = ["CleanupPlan", "plan_cleanup"]

STREAMS = (
    ("feed", "dug, dry"),
    ("oversize", "held back by the screen"),
    ("product", "clean product"),
    ("tailings", "left by the first pass"),
    ("middlings", "going round again"),
)
# Our choice: masses and grades that say so different yields deserve a word.
YIELDS_APART = 0.1


@dataclass(frozen=True, slots=True, kw_only=True)
class CleanupPlan:
    """What becomes of a heap of sand.

    Parameters
    ----------
    settings : Settings
        The site's settings.
    rule : CleanupRule
        How it is cleaned, own weighings counted.
    cleaned : Cleanup
        The balance.
    wet_kg, grade : float
        Mass of the sand as dug, and its grade.
    fits : dict of str to PassFit
        What own weighings say of the first pass and of later ones.
    """

    settings: Settings
    rule: CleanupRule
    cleaned: Cleanup
    wet_kg: float
    grade: float
    fits: dict[str, PassFit]

    @property
    def buckets(self) -> float:
        """Buckets of sand as dug, by its dry bulk."""
        dry_m3 = float(self.cleaned.feed.dry_kg) / self.rule.dry_bulk_kg_m3
        return dry_m3 * 1000.0 / self.rule.bucket_litres

    def streams(self) -> list[tuple[str, str, Stream]]:
        """List the streams of the balance.

        Returns
        -------
        list of (str, str, Stream)
            Name, words and masses.
        """
        return [(name, words, getattr(self.cleaned, name)) for name, words in STREAMS]

    @property
    def sentences(self) -> tuple[str, ...]:
        """What own weighings say, and what to look after, in plain words."""
        told = []
        for which, fit in self.fits.items():
            count = "one weighing" if fit.weighings == 1 else f"{fit.weighings} weighings"
            takes, drags = fit.magnet_pass.magnetics_share, fit.magnet_pass.rest_share
            told.append(
                f"By {count} the {which} pass takes {show_share(takes, 1)} of the magnetics and drags "
                f"{show_share(drags, 1)} of the rest along. To keep it: {which}_pass_magnetics_share = "
                f"{takes:.4f} and {which}_pass_rest_share = {drags:.4f} in site.toml."
            )
            other = fit.yield_share_by_grades
            if other is not None and abs(other - fit.yield_share) > YIELDS_APART * fit.yield_share:
                told.append(
                    f"Its masses say that {show_share(fit.yield_share, 1)} became concentrate, its grades "
                    f"{show_share(other, 1)}: one of them is off. The masses are used."
                )
            if fit.lost_share is not None and abs(fit.lost_share) > 0.02:
                told.append(
                    f"{show_share(fit.lost_share, 1)} of its feed is in neither concentrate nor tailings: "
                    "weigh dry, and sweep."
                )
        if float(self.cleaned.purity) < 0.9:
            told.append("The product is less than 90 % magnetic: one more pass would clean it.")
        told.append(
            "The feed must be fully dry. Screen with the wind at your back and a fitted mask: the dust harms "
            "lungs. Strong magnets crush fingers and disturb pacemakers."
        )
        return tuple(told)

    def as_json(self) -> dict[str, Any]:
        """Lay the balance out for other programs.

        Returns
        -------
        dict
            Stable names, SI units.
        """
        from dataclasses import asdict

        home = self.cleaned
        return {
            "wet_kg": self.wet_kg,
            "grade": self.grade,
            "moisture": self.rule.moisture,
            "water_kg": float(home.water_kg),
            "buckets": self.buckets,
            "streams": {
                name: {
                    "dry_kg": float(stream.dry_kg),
                    "magnetics_kg": float(stream.magnetics_kg),
                    "grade": float(stream.grade),
                }
                for name, _, stream in self.streams()
            },
            "purity": float(home.purity),
            "recovery": float(home.recovery),
            "drying_days": float(home.drying_days),
            "hours": {
                "spread": float(home.spread_hours),
                "screen": float(home.screen_hours),
                "magnet": float(home.magnet_hours),
            },
            "product_litres": float(home.product_litres),
            "containers": float(home.containers),
            "passes": [asdict(one) for one in self.rule.passes],
            "fits": {
                which: {
                    "magnetics_share": fit.magnet_pass.magnetics_share,
                    "rest_share": fit.magnet_pass.rest_share,
                    "weighings": fit.weighings,
                    "yield_share": fit.yield_share,
                    "yield_share_by_grades": fit.yield_share_by_grades,
                    "lost_share": fit.lost_share,
                }
                for which, fit in self.fits.items()
            },
            "notes": list(self.sentences),
        }


def plan_cleanup(
    site: Path | str,
    *,
    grade: float,
    wet_kg: float | None = None,
    buckets: float | None = None,
    moisture: float | None = None,
    weighings: Path | None = None,
) -> CleanupPlan:
    """Follow a heap of sand to clean product.

    Parameters
    ----------
    site : Path or str
        The site folder.
    grade : float
        Mass of magnetics per dry mass of the sand, 0 to 1.
    wet_kg : float, optional
        Mass as dug, kilograms; or
    buckets : float, optional
        how many buckets of it.
    moisture : float, optional
        Water per wet mass; the site's setting unless told.
    weighings : Path, optional
        A file of own weighings, to which the passes are fitted.

    Returns
    -------
    CleanupPlan
        The balance.

    Raises
    ------
    InputError
        If not exactly one of mass and buckets is given, or a value or a weighing cannot be right.
    SiteError
        If there is no such site.
    """
    import numpy as np

    from washgrade.checks import number
    from washgrade.dig.cleanup import clean_up
    from washgrade.dig.weighings import fit_pass
    from washgrade.files.weighings import read_weighings
    from washgrade.survey.steps import settings

    chosen = settings(site)
    if (wet_kg is None) == (buckets is None):
        raise InputError("Give either the mass of the sand or the number of buckets: exactly one of them.")
    number("grade", grade, at_least=0, at_most=1)
    rule = chosen.cleanup
    if moisture is not None:
        rule = replace(rule, moisture=number("moisture", moisture, at_least=0, below=0.5))
    fits = {}
    if weighings is not None:
        fits = {which: fit_pass(some) for which, some in read_weighings(weighings).items() if some}
        first = fits["first"].magnet_pass if "first" in fits else rule.passes[0]
        later = [fits["later"].magnet_pass] if "later" in fits else list(rule.passes[1:2])
        rule = replace(rule, passes=(first, *later * (len(rule.passes) - 1)))
    if wet_kg is None:
        assert buckets is not None  # noqa: S101  (for mypy)
        number("buckets", buckets, above=0)
        dry_kg = buckets * rule.bucket_litres / 1000.0 * rule.dry_bulk_kg_m3
        wet_kg = dry_kg / (1.0 - rule.moisture)
    number("wet_kg", wet_kg, above=0)
    return CleanupPlan(
        settings=chosen,
        rule=rule,
        cleaned=clean_up(wet_kg=np.array(wet_kg), grade=np.array(grade), rule=rule),
        wet_kg=wet_kg,
        grade=grade,
        fits=fits,
    )
