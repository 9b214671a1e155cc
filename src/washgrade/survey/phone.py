"""What the page needs so that people can write records down in it."""

from __future__ import annotations

import uuid
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from washgrade.page.entry import Entering
    from washgrade.survey.answers import Estimate

__all__ = ["entering"]


def entering(found: Estimate) -> Entering:
    """Gather the forms of the page, from the same tables that judge records.

    Parameters
    ----------
    found : Estimate
        The estimate that the page shows.

    Returns
    -------
    Entering
        Forms, limits, and which of the browser's own records the notebook has already.
    """
    from washgrade.files.columns import KINDS
    from washgrade.files.notebook import read_records
    from washgrade.files.sample import PUREST_KG_PER_LITRE
    from washgrade.page.entry import Entering, entry_forms

    accuracy = next(column for column in KINDS["samples"].columns if column.name == "accuracy_m")
    return Entering(
        forms=entry_forms(KINDS),
        snap_max_m=found.settings.snap_max_m,
        accuracy_most_m=accuracy.at_most or 0.0,
        purest_kg_m3=1000.0 * PUREST_KG_PER_LITRE,
        # A struck one is known, too: it was taken in, and need not be brought again.
        known_ids=tuple(
            record.id for record in read_records(found.site, struck=True) if _from_a_browser(record.id)
        ),
    )


def _from_a_browser(record_id: str) -> bool:
    """Whether an id is a random UUID, as browsers make them."""
    try:
        return uuid.UUID(record_id).version == 4
    except ValueError:
        return False
