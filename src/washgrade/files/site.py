"""A site on disk: one folder with ``site.gpkg``, ``terrain.tif``, ``site.toml`` and ``out/``."""

from __future__ import annotations

import os
import secrets
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path

from washgrade.errors import SiteError
from washgrade.files.geopackage import create_skeleton
from washgrade.files.settings import Settings, read_settings, settings_text

__all__ = ["Site", "check_place", "make_site", "open_site", "replacing"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Site:
    """The paths of one site.

    Parameters
    ----------
    folder : Path
        Where it lies.
    """

    folder: Path

    @property
    def geopackage(self) -> Path:
        """Ground layers and notebook."""
        return self.folder / "site.gpkg"

    @property
    def terrain(self) -> Path:
        """The projected DEM."""
        return self.folder / "terrain.tif"

    @property
    def settings_file(self) -> Path:
        """The settings, as TOML."""
        return self.folder / "site.toml"

    @property
    def out(self) -> Path:
        """What was rendered."""
        return self.folder / "out"

    @property
    def settings(self) -> Settings:
        """The settings as they stand now.

        Raises
        ------
        InputError
            If ``site.toml`` holds something wrong.
        SiteError
            If it cannot be read.
        """
        return read_settings(self.settings_file)


def make_site(folder: Path | str, settings: Settings | None = None) -> Site:
    """Lay out a site folder, or complete one; what is there already stays.

    Parameters
    ----------
    folder : Path or str
        Where; made if it is missing, its parent must be there.
    settings : Settings, optional
        Written into a new ``site.toml``; the defaults if left out.

    Returns
    -------
    Site
        The site.

    Raises
    ------
    SiteError
        If the folder cannot be made or written.
    """
    site = Site(folder=Path(folder))
    check_place(site.folder)
    try:
        site.folder.mkdir(exist_ok=True)
        site.out.mkdir(exist_ok=True)
    except OSError as error:
        raise SiteError(
            f"The folder {site.folder} cannot be made ({error.strerror}). Check its rights."
        ) from None
    create_skeleton(site.geopackage)
    if not site.settings_file.exists():
        with replacing(site.settings_file) as draft:
            draft.write_text(settings_text(settings), encoding="utf-8")
    return site


def check_place(folder: Path) -> None:
    """Refuse a site folder that cannot be made, before any work is done for it.

    Parameters
    ----------
    folder : Path
        The site folder, there or to be made.

    Raises
    ------
    SiteError
        If the folder around it is missing, or a file is there.
    """
    if folder.exists() and not folder.is_dir():
        raise SiteError(f"{folder} is a file. A site must be a folder.")
    if not folder.parent.is_dir():
        raise SiteError(
            f"There is no folder {folder.parent} to make {folder.name} in. Make it first, or check the path."
        )


def open_site(folder: Path | str) -> Site:
    """Open a site that is there.

    Parameters
    ----------
    folder : Path or str
        The site folder.

    Returns
    -------
    Site
        The site.

    Raises
    ------
    SiteError
        If there is no such folder, or it is not a site.
    """
    site = Site(folder=Path(folder))
    if not site.folder.is_dir():
        what = "is a file" if site.folder.exists() else "is not there"
        raise SiteError(
            f"The site folder {site.folder} {what}. Make one with: washgrade ground SITE --dem FILE."
        )
    if not site.geopackage.is_file():
        raise SiteError(
            f"{site.folder} is no site folder: it has no site.gpkg. Make one with: washgrade ground SITE "
            f"--dem FILE."
        )
    return site


@contextmanager
def replacing(path: Path) -> Iterator[Path]:
    """Write a file whole or not at all.

    Parameters
    ----------
    path : Path
        The file to be.

    Yields
    ------
    Path
        A draft beside it, which takes its place when the block ends well and goes when it does not.

    Raises
    ------
    SiteError
        If the folder is missing or cannot be written.
    """
    draft = path.with_name(f".{path.stem}-{secrets.token_hex(4)}{path.suffix}")
    try:
        if not path.parent.is_dir():
            raise SiteError(f"There is no folder {path.parent} to write {path.name} in. Make it first.")
        yield draft
        with draft.open("rb+") as written:
            os.fsync(written.fileno())
        draft.replace(path)
    except SiteError:
        raise
    except OSError as error:
        raise SiteError(
            f"{path} cannot be written ({error.strerror}). Check the rights of its folder."
        ) from None
    finally:
        with suppress(OSError):
            draft.unlink(missing_ok=True)
