"""Letters and pages: fonts that are put into the file, text that fits, and numbered pages."""

from __future__ import annotations

import unicodedata
from functools import cache
from typing import Any

from reportlab.lib.colors import HexColor
from reportlab.pdfbase import pdfmetrics
from reportlab.pdfbase.ttfonts import TTFont
from reportlab.pdfgen.canvas import Canvas

__all__ = [
    "BOLD",
    "ITALIC",
    "PLAIN",
    "Paper",
    "colour",
    "fit",
    "fitting_size_pt",
    "printable",
    "text_width_pt",
    "wrap",
]

# Bitstream Vera comes with reportlab and may be put into any file (its licence lies beside it). It has the
# letters of Western and much of Central European writing.
_FILES = {"Vera": "Vera.ttf", "Vera-Bold": "VeraBd.ttf", "Vera-Italic": "VeraIt.ttf"}
PLAIN, BOLD, ITALIC = _FILES
MISSING = "?"


@cache
def _fonts() -> frozenset[int]:
    """Make the fonts known, and tell which signs they have."""
    for name, file in _FILES.items():
        pdfmetrics.registerFont(TTFont(name, file))
    return frozenset.intersection(*(frozenset(pdfmetrics.getFont(name).face.charToGlyph) for name in _FILES))


def printable(text: str) -> str:
    r"""Write a text with the signs that the fonts have.

    Parameters
    ----------
    text : str
        Any text.

    Returns
    -------
    str
        The same on one line; a letter with an accent that is missing loses it, another sign becomes "?".

    Examples
    --------
    >>> printable("Cañada\nőr 水"), printable("Ångström – 5 m²")
    ('Cañada or ?', 'Ångström – 5 m²')
    """
    known = _fonts()
    told = []
    for sign in unicodedata.normalize("NFC", " ".join(text.split())):
        if ord(sign) in known:
            told.append(sign)
            continue
        plain = [part for part in unicodedata.normalize("NFKD", sign) if not unicodedata.combining(part)]
        if plain and all(ord(part) in known for part in plain):
            told += plain
        elif not unicodedata.combining(sign) and not unicodedata.category(sign).startswith("C"):
            told.append(MISSING)
    return " ".join("".join(told).split())


def text_width_pt(text: str, font: str, size_pt: float) -> float:
    """Width of a text.

    Parameters
    ----------
    text : str
        On one line.
    font : str
        Its font.
    size_pt : float
        Size of the letters, points.

    Returns
    -------
    float
        Points.
    """
    _fonts()
    return float(pdfmetrics.stringWidth(text, font, size_pt))


def wrap(text: str, font: str, size_pt: float, width_pt: float) -> list[str]:
    """Break a text into lines that fit; a word that is longer than a line is broken too.

    Parameters
    ----------
    text : str
        Any text.
    font : str
        Its font.
    size_pt, width_pt : float
        Size of the letters and room, points.

    Returns
    -------
    list of str
        Lines, at least one.
    """
    lines = [""]
    for word in printable(text).split(" "):
        tried = f"{lines[-1]} {word}".strip()
        if text_width_pt(tried, font, size_pt) <= width_pt:
            lines[-1] = tried
            continue
        if lines[-1]:
            lines.append("")
        for sign in word:
            if lines[-1] and text_width_pt(lines[-1] + sign, font, size_pt) > width_pt:
                lines.append("")
            lines[-1] += sign
    return lines


def fit(text: str, font: str, size_pt: float, width_pt: float) -> str:
    """Shorten a text to one line.

    Parameters
    ----------
    text : str
        Any text.
    font : str
        Its font.
    size_pt, width_pt : float
        Size of the letters and room, points.

    Returns
    -------
    str
        The text, or its beginning and three dots.
    """
    whole = printable(text)
    if text_width_pt(whole, font, size_pt) <= width_pt:
        return whole
    while whole and text_width_pt(f"{whole}…", font, size_pt) > width_pt:
        whole = whole[:-1]
    return f"{whole.rstrip()}…"


def fitting_size_pt(text: str, font: str, width_pt: float, *, most_pt: float, least_pt: float) -> float:
    """Choose the size at which a text fits on one line.

    Parameters
    ----------
    text : str
        Any text.
    font : str
        Its font.
    width_pt : float
        Room, points.
    most_pt, least_pt : float
        Limits of the size, points; at the least size it may still not fit.

    Returns
    -------
    float
        Points.
    """
    whole_pt = text_width_pt(printable(text), font, most_pt)
    return max(min(most_pt, most_pt * width_pt / whole_pt if whole_pt else most_pt), least_pt)


@cache
def colour(hexadecimal: str) -> Any:
    """Colour by its red, green and blue, such as ``#1a2b3c``.

    Parameters
    ----------
    hexadecimal : str
        Six digits after a cross.

    Returns
    -------
    reportlab colour
        The colour.
    """
    return HexColor(hexadecimal)


class Paper(Canvas):  # type: ignore[misc]
    """A canvas whose pages are written at the end, when their number is known.

    Parameters
    ----------
    file : file object
        Where the bytes go.
    foot : callable
        Draws the foot of a page: takes the canvas, the number of the page and how many there are.
    """

    def __init__(self, file: Any, foot: Any) -> None:
        # Invariant: no time and no random name in the file, so that the same view gives the same bytes.
        _fonts()
        super().__init__(file, invariant=1, pageCompression=1, initialFontName=PLAIN)
        self._foot = foot
        self.kept: list[dict[str, Any]] = []

    def showPage(self) -> None:  # noqa: N802 - the name is the library's
        """Keep the page, and begin another."""
        self.kept.append(dict(self.__dict__))
        self._startPage()

    def save(self) -> None:
        """Write all pages."""
        for number, page in enumerate(self.kept, start=1):
            self.__dict__.update(page)
            self._foot(self, number, len(self.kept))
            super().showPage()
        super().save()
