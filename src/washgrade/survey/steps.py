"""What the steps share: dates, progress, opening a site."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from datetime import date, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from washgrade.errors import InputError

if TYPE_CHECKING:
    from washgrade.files.groundstore import GroundFacts
    from washgrade.files.settings import Settings
    from washgrade.files.site import Site

__all__ = ["Progress", "change_settings", "open_ground", "read_day", "settings", "silent", "stage"]

Progress = Callable[[str, float], None]


def silent(_step: str, _share: float) -> None:
    """Tell nobody how far it is."""


def stage(progress: Progress | None, begin_share: float, end_share: float) -> Progress:
    """Give one step its part of the whole bar."""
    tell = progress or silent
    return lambda step, share: tell(step, begin_share + (end_share - begin_share) * share)


def read_day(on: str | date | None) -> date:
    """Read a date; today where none is given."""
    if on is None:
        return date.today()
    if isinstance(on, datetime):
        return on.date()
    if isinstance(on, date):
        return on
    try:
        return date.fromisoformat(on.strip())
    except ValueError:
        raise InputError(f"Invalid 'on' of {on!r}. It must be a date such as 2025-03-04.") from None


def settings(site: Path | str) -> Settings:
    """Read the settings of a site.

    Parameters
    ----------
    site : Path or str
        The site folder.

    Returns
    -------
    Settings
        What ``site.toml`` says.

    Raises
    ------
    SiteError
        If there is no such site.
    InputError
        If ``site.toml`` holds something wrong.
    """
    from washgrade.files.site import open_site

    return open_site(site).settings


def change_settings(site: Path | str, changes: Mapping[str, Any]) -> Settings:
    """Change settings of a site; what else stands in ``site.toml`` stays, comments too.

    Parameters
    ----------
    site : Path or str
        The site folder.
    changes : mapping of str to object
        New values by the names of settings.

    Returns
    -------
    Settings
        All of them, as they stand now.

    Raises
    ------
    SiteError
        If there is no such site, or it cannot be written.
    InputError
        If a value is outside its limits, or a name is none; nothing is written then.
    """
    from dataclasses import asdict

    from washgrade.files.settings import Settings, changed_text
    from washgrade.files.site import open_site, replacing

    opened = open_site(site)
    stands = asdict(opened.settings)
    unknown = [name for name in changes if name not in stands]
    if unknown:
        raise InputError(f"Unknown setting {unknown[0]!r}. The names there are stand in site.toml.")
    chosen = Settings(**{**stands, **changes})
    # As checked: a whole number is one again, whatever it came as.
    new = {name: value for name, value in asdict(chosen).items() if value != stands[name]}
    if new:
        text = opened.settings_file.read_text(encoding="utf-8-sig")
        with replacing(opened.settings_file) as draft:
            draft.write_text(changed_text(text, new), encoding="utf-8")
    return chosen


def open_ground(site: Path | str) -> tuple[Site, GroundFacts]:
    """Open a site that has a ground."""
    from washgrade.files.groundstore import load_facts
    from washgrade.files.site import open_site

    opened = open_site(site)
    return opened, load_facts(opened)
