"""What a file really holds, whatever its name says, and the rasters packed into archives."""

from __future__ import annotations

import re
import zipfile
from dataclasses import dataclass
from pathlib import Path

from washgrade.errors import GroundError

__all__ = [
    "RASTER_ENDINGS",
    "Raster",
    "missing_sources",
    "packed_rasters",
    "refuse_unreadable",
    "what_it_is",
]

# What a folder of tiles may hold: the endings under which agencies give heights away.
RASTER_ENDINGS = (".tif", ".tiff", ".asc", ".img", ".vrt", ".flt", ".bil", ".hgt", ".dem")

# First bytes, from the documents of each format: what a wrong download or a wrong name most often brings.
_SIGNS = (
    (b"%PDF", "a PDF document"),
    (b"PK\x03\x04", "a zip archive"),
    (b"PK\x05\x06", "an empty zip archive"),
    (b"\x1f\x8b", "packed with gzip; unpack it first"),
    (b"7z\xbc\xaf\x27\x1c", "a 7z archive; unpack it first"),
    (b"Rar!", "a RAR archive; unpack it first"),
    (b"BZh", "packed with bzip2; unpack it first"),
    (b"\xfd7zXZ", "packed with xz; unpack it first"),
    (b"LASF", "a cloud of lidar points; make a raster of heights of it first"),
    (b"SQLite format 3", "a database, such as a GeoPackage"),
    (b"\x89PNG", "a PNG picture"),
    (b"\xff\xd8\xff", "a JPEG picture"),
    (b"\x00\x00\x27\x0a", "a shapefile"),
)
_MISSING_SOURCE = re.compile(r"<SourceFilename([^>]*)>([^<]*)</SourceFilename>")


@dataclass(frozen=True, slots=True)
class Raster:
    """Where one raster lies: a file, or a member of a zip archive.

    Parameters
    ----------
    path : Path
        The file.
    member : str, optional
        Its member, if the file is a zip archive.
    """

    path: Path
    member: str = ""

    @property
    def name(self) -> str:
        """What people call it."""
        return f"{self.path.name}/{self.member}" if self.member else self.path.name

    @property
    def address(self) -> str:
        """What GDAL calls it."""
        if not self.member:
            return str(self.path)
        # Braces let GDAL take an archive of any ending.
        return f"/vsizip/{{{self.path.resolve()}}}/{self.member}"


def refuse_unreadable(path: Path) -> None:
    """Refuse a file that is missing, empty, a folder or closed to the reader.

    Parameters
    ----------
    path : Path
        The file.

    Raises
    ------
    GroundError
        If it is.
    """
    try:
        if not path.exists():
            raise GroundError(f"{path.name}: There is no such file in {path.absolute().parent}.")
        if path.is_dir():
            raise GroundError(f"{path.name}: This is a folder. It must be a file.")
        with path.open("rb") as file:
            first = file.read(1)
    except PermissionError:
        raise GroundError(
            f"{path.name}: You have no right to read the file. Ask its owner, or read a copy of your own."
        ) from None
    except OSError as error:
        raise GroundError(f"{path.name}: The disk gives no file back ({error.strerror}).") from None
    if not first:
        raise GroundError(f"{path.name}: The file is empty, 0 bytes long. Fetch it again.")


def what_it_is(path: Path) -> str:
    """Say what a file that is not what it should be seems to be.

    Parameters
    ----------
    path : Path
        A file that can be read.

    Returns
    -------
    str
        Such as ``a PDF document``; empty if nothing tells.

    Examples
    --------
    >>> what_it_is(Path(__file__))
    'a text'
    """
    with path.open("rb") as file:
        start = file.read(2048)
    for sign, words in _SIGNS:
        if start.startswith(sign):
            return words
    text = start.lstrip(b"\xef\xbb\xbf \r\n\t").lower()
    if text.startswith((b"<!doctype html", b"<html")):
        return "a web page, as when a download needs a log-in"
    if text.startswith(b"<?xml"):
        return "an XML text, such as the papers that come with a DEM"
    if start and all(byte >= 32 or byte in b"\r\n\t" for byte in start):
        return "a text"
    return ""


def packed_rasters(path: Path) -> list[Raster]:
    """Rasters in a zip archive, by name.

    Parameters
    ----------
    path : Path
        The archive.

    Returns
    -------
    list of Raster
        At least one.

    Raises
    ------
    GroundError
        If the archive is damaged, locked with a password or holds no raster.
    """
    refuse_unreadable(path)
    try:
        with zipfile.ZipFile(path) as archive:
            members = [entry for entry in archive.infolist() if not entry.is_dir()]
    except zipfile.BadZipFile:
        raise GroundError(f"{path.name}: The archive is damaged or cut short. Fetch it again.") from None
    rasters = [
        entry
        for entry in members
        if Path(entry.filename).suffix.lower() in RASTER_ENDINGS
        # What a Mac adds beside each file.
        and not entry.filename.startswith("__MACOSX/")
    ]
    if not rasters:
        raise GroundError(
            f"{path.name}: There is no raster in the archive. It must hold files that end in "
            f"{', '.join(RASTER_ENDINGS)}."
        )
    if any(entry.flag_bits & 1 for entry in rasters):
        raise GroundError(f"{path.name}: The archive is locked with a password. Unpack it first.")
    return [Raster(path, entry.filename) for entry in sorted(rasters, key=lambda entry: entry.filename)]


def missing_sources(path: Path) -> list[str]:
    """Files that a virtual raster refers to and that are not there.

    Parameters
    ----------
    path : Path
        A ``.vrt``.

    Returns
    -------
    list of str
        As the file names them.
    """
    found = []
    for attributes, name in _MISSING_SOURCE.findall(path.read_text(encoding="utf-8", errors="replace")):
        source = path.parent / name if 'relativeToVRT="1"' in attributes else Path(name)
        if not name.startswith("/vsi") and not source.exists():
            found.append(name)
    return list(dict.fromkeys(found))
