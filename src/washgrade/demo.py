"""The demo's files: where they are, and laying them out in a folder."""

from __future__ import annotations

import shutil
from pathlib import Path

from washgrade.errors import SiteError

__all__ = ["SLIP_NOTE", "demo_files", "lay_out"]

SLIP_NOTE = "decimal point slipped"
FILES = (
    "README.md",
    "dem.tif",
    "samples.csv",
    "storms.csv",
    "digs.csv",
    "looks.csv",
    "property.geojson",
    "no_go.geojson",
    "access.geojson",
    "truth.csv",
)


def demo_files() -> Path:
    """Folder of the demo's files: inside an installed package, or beside the sources of a checkout.

    Returns
    -------
    Path
        The folder.

    Raises
    ------
    SiteError
        If the installation lacks them.
    """
    package = Path(__file__).resolve().parent
    for folder in (package / "demo_site", package.parents[1] / "demo_site"):
        if (folder / "dem.tif").is_file():
            return folder
    raise SiteError("This installation lacks the demo's files. Install washgrade again.")


def lay_out(site: Path) -> Path:
    """Copy the demo's files into a site folder.

    Parameters
    ----------
    site : Path
        The folder; it may be missing, empty, or hold an earlier demo.

    Returns
    -------
    Path
        The folder ``files`` in it, with the copies.

    Raises
    ------
    SiteError
        If it holds anything else, or cannot be written.
    """
    source = demo_files()
    target = site / "files"
    if site.exists() and not site.is_dir():
        raise SiteError(f"{site} is a file. The demo needs a folder of its own.")
    if site.is_dir() and any(site.iterdir()) and not (target / "truth.csv").is_file():
        raise SiteError(f"The folder {site} holds other things. Give the demo an empty or a new folder.")
    try:
        target.mkdir(parents=True, exist_ok=True)
        for name in FILES:
            shutil.copyfile(source / name, target / name)
    except OSError as error:
        raise SiteError(
            f"The folder {site} cannot be written ({error.strerror}). Check its rights."
        ) from None
    return target
