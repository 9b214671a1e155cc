"""Taking in what a form sends: fields, and files that stream to disk within limits."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import IO, TYPE_CHECKING
from urllib.parse import parse_qsl

from washgrade.desk.access import SECRET_FIELD
from washgrade.errors import InputError

if TYPE_CHECKING:
    from starlette.requests import Request

__all__ = ["GROUND_LIMITS", "RECORD_LIMITS", "Limits", "Received", "Refused", "receive_form", "safe_name"]

# A form without files: our choice, because the longest notes are some thousand letters.
MOST_FORM_BYTES = 1_000_000
LONGEST_NAME = 120
_TOO_LONG = "The form is longer than 1 MB. Shorten the note, or take in a file instead."
_RESERVED = re.compile(r"(con|prn|aux|nul|com\d|lpt\d)(\.|$)", re.IGNORECASE)


@dataclass(frozen=True, slots=True, kw_only=True)
class Limits:
    """How much a form may bring.

    Parameters
    ----------
    most_bytes : int
        Of all its files together.
    most_files : int
        How many.
    instead : str
        What to do with more.
    """

    most_bytes: int
    most_files: int
    instead: str


GROUND_LIMITS = Limits(
    most_bytes=2_000_000_000,
    most_files=60,
    instead="Put larger ones into a folder, and start the desk with: washgrade desk SITE --files FOLDER.",
)
"""Our choice, because a browser takes minutes for more, and copies it."""

RECORD_LIMITS = Limits(
    most_bytes=50_000_000, most_files=20, instead="Take them in one after the other, or split them."
)
"""Our choice: some hundred thousand records."""


class Refused(InputError):
    """A form that cannot be taken.

    Parameters
    ----------
    sentence : str
        Why.
    status : int
        The HTTP status that says the same.
    """

    def __init__(self, sentence: str, *, status: int) -> None:
        self.status = status
        super().__init__(sentence)


@dataclass(slots=True, kw_only=True)
class Received:
    """What a form brought.

    Parameters
    ----------
    fields : dict of str to list of str
        Values by the name of the field.
    files : dict of str to list of Path
        Files by the name of the field, stored.
    """

    fields: dict[str, list[str]] = field(default_factory=dict)
    files: dict[str, list[Path]] = field(default_factory=dict)

    def text(self, name: str) -> str:
        """Give the one value of a field.

        Parameters
        ----------
        name : str
            Its name.

        Returns
        -------
        str
            Without blanks around; empty if it was left empty.
        """
        return self.fields.get(name, [""])[-1].strip()

    def texts(self) -> Mapping[str, str]:
        """Give the one value of every field.

        Returns
        -------
        dict of str to str
            By name.
        """
        return {name: self.text(name) for name in self.fields}


def safe_name(name: str) -> str:
    """Check the name that a file came with, and write it so that any system takes it.

    Parameters
    ----------
    name : str
        What the browser said.

    Returns
    -------
    str
        A plain name.

    Raises
    ------
    InputError
        If it holds a path, a control character, or nothing to go by.

    Examples
    --------
    >>> safe_name("Valley (north) 2025.tif")
    'Valley (north) 2025.tif'
    >>> safe_name("../site.gpkg")
    Traceback (most recent call last):
    ...
    washgrade.errors.InputError: Invalid file name '../site.gpkg'. It must be a plain name, without a path.
    """
    if re.search(r"[/\\\x00]", name) or re.match(r"[A-Za-z]:", name) or name.strip() in {".", ".."}:
        raise InputError(f"Invalid file name {name!r}. It must be a plain name, without a path.")
    kept = unicodedata.normalize("NFC", name)
    kept = "".join(letter if letter.isalnum() or letter in " ._-()+" else "_" for letter in kept)
    kept = kept.strip(" .")
    if not re.search(r"\w", kept) or _RESERVED.match(kept):
        raise InputError(f"Invalid file name {name!r}. It must have letters, and be no name of a device.")
    stem, dot, ending = kept.rpartition(".")
    return kept if len(kept) <= LONGEST_NAME else f"{stem[: LONGEST_NAME - 1 - len(ending)]}{dot}{ending}"


def _free_path(folder: Path, name: str) -> Path:
    # A file that is there stays: the new one takes a number.
    path, number = folder / name, 2
    while path.exists():
        path = folder / f"{Path(name).stem}-{number}{Path(name).suffix}"
        number += 1
    return path


async def receive_form(
    request: Request,
    *,
    is_own_form: Callable[[str], bool],
    folder: Path | None = None,
    limits: Limits | None = None,
) -> Received:
    """Take in a form; its files go straight to disk, and away again if anything is wrong.

    Parameters
    ----------
    request : Request
        The request.
    is_own_form : callable
        Whether the value of `SECRET_FIELD` is right; that field comes before any file.
    folder : Path, optional
        Where files go; made if it is missing. A form with files is refused if left out.
    limits : Limits, optional
        Of the files.

    Returns
    -------
    Received
        Fields and files.

    Raises
    ------
    Refused
        If it is too large, from elsewhere, or no form.
    """
    head, _, rest = request.headers.get("content-type", "").partition(";")
    if head.strip().lower() == "multipart/form-data":
        boundary = re.search(r'boundary="?([^";]{1,200})"?', rest)
        if boundary is None:
            raise Refused("The form does not say where its parts end. Send it from the desk.", status=400)
        taker = _Taker(boundary.group(1), is_own_form, folder, limits)
        try:
            taker.check_length(request.headers.get("content-length", ""))
            async for piece in request.stream():
                taker.take(piece)
            return taker.end()
        except BaseException:
            taker.drop()
            raise
    body = b""
    async for piece in request.stream():
        body += piece
        if len(body) > MOST_FORM_BYTES:
            raise Refused(_TOO_LONG, status=413)
    received = Received()
    for name, value in parse_qsl(body.decode("utf-8", errors="replace"), keep_blank_values=True):
        received.fields.setdefault(name, []).append(value)
    _check_secret(received, is_own_form)
    return received


def _check_secret(received: Received, is_own_form: Callable[[str], bool]) -> None:
    if not is_own_form(received.fields.get(SECRET_FIELD, [""])[0]):
        raise Refused(
            "The form is not one of this run of the desk. Nothing was done; open the page again and send it "
            "once more.",
            status=403,
        )


class _Taker:
    """One form of parts, taken piece by piece."""

    def __init__(
        self,
        boundary: str,
        is_own_form: Callable[[str], bool],
        folder: Path | None,
        limits: Limits | None,
    ) -> None:
        from python_multipart.multipart import MultipartParser

        self.received = Received()
        self.is_own_form, self.folder, self.limits = is_own_form, folder, limits
        self.file_bytes = self.field_bytes = self.file_count = 0
        self.open_file: IO[bytes] | None = None
        self.part: Path | None = None
        self.stored: list[Path] = []
        self.name, self.file_name, self.value = "", None, b""
        self.header, self.header_value = b"", b""
        self.ended = False
        self.parser = MultipartParser(
            boundary.encode("latin-1"),
            {
                "on_part_begin": self._begin,
                "on_header_field": self._header_name,
                "on_header_value": self._header_text,
                "on_header_end": self._header_end,
                "on_headers_finished": self._headers_end,
                "on_part_data": self._data,
                "on_part_end": self._part_end,
                "on_end": self._end,
            },
        )

    name: str
    file_name: str | None

    def check_length(self, told: str) -> None:
        """Refuse at once what says itself that it is too large."""
        if self.limits is not None and told.isdigit():
            self._check_bytes(int(told) - MOST_FORM_BYTES)

    def take(self, piece: bytes) -> None:
        """Take the next piece."""
        from python_multipart.exceptions import FormParserError

        if not piece:
            return
        try:
            self.parser.write(piece)
        except FormParserError:
            raise Refused("The form is broken. Send it again from the desk.", status=400) from None

    def end(self) -> Received:
        """Give what came, all of it stored."""
        if not self.ended:
            raise Refused("The form ended early. Nothing was kept; send it again.", status=400)
        _check_secret(self.received, self.is_own_form)
        return self.received

    def drop(self) -> None:
        """Take away what was stored."""
        if self.open_file is not None:
            self.open_file.close()
        for path in (*self.stored, *([self.part] if self.part else [])):
            path.unlink(missing_ok=True)

    def _check_bytes(self, count: int) -> None:
        if self.limits is not None and count > self.limits.most_bytes:
            raise Refused(
                f"The files are larger than {self.limits.most_bytes / 1e6:,.0f} MB together. "
                f"{self.limits.instead}",
                status=413,
            )

    def _begin(self) -> None:
        self.name, self.file_name, self.value = "", None, b""

    def _header_name(self, data: bytes, start: int, end: int) -> None:
        self.header += data[start:end]

    def _header_text(self, data: bytes, start: int, end: int) -> None:
        self.header_value += data[start:end]

    def _header_end(self) -> None:
        if self.header.lower() == b"content-disposition":
            from python_multipart.multipart import parse_options_header

            _, options = parse_options_header(self.header_value)
            self.name = options.get(b"name", b"").decode("utf-8", errors="replace")
            # The parser would keep only what follows the last backslash; a path shall be refused instead.
            told = re.search(rb'filename="((?:[^"\\]|\\.|\\)*)"', self.header_value)
            if b"filename" in options:
                raw = told.group(1) if told else options[b"filename"]
                self.file_name = raw.decode("utf-8", errors="replace").replace("%22", '"')
        self.header, self.header_value = b"", b""

    def _headers_end(self) -> None:
        if not self.file_name:
            return
        _check_secret(self.received, self.is_own_form)
        if self.folder is None or self.limits is None:
            raise Refused("This form takes no files.", status=400)
        self.file_count += 1
        if self.file_count > self.limits.most_files:
            raise Refused(
                f"There are more than {self.limits.most_files} files. {self.limits.instead}", status=413
            )
        try:
            self.file_name = safe_name(self.file_name)
        except InputError as error:
            raise Refused(str(error), status=422) from None
        try:
            self.folder.mkdir(parents=True, exist_ok=True)
            self.part = _free_path(self.folder, f".{self.file_name}.part")
            self.open_file = self.part.open("wb")
        except OSError as error:
            raise Refused(
                f"The file {self.file_name} cannot be kept in {self.folder} ({error.strerror}).", status=507
            ) from None

    def _data(self, data: bytes, start: int, end: int) -> None:
        if self.open_file is None:
            self.field_bytes += end - start
            if self.field_bytes > MOST_FORM_BYTES:
                raise Refused(_TOO_LONG, status=413)
            self.value += data[start:end]
            return
        self.file_bytes += end - start
        self._check_bytes(self.file_bytes)
        try:
            self.open_file.write(data[start:end])
        except OSError as error:
            raise Refused(
                f"The file {self.file_name} cannot be kept ({error.strerror}). Is the disk full?", status=507
            ) from None

    def _part_end(self) -> None:
        if self.open_file is None:
            if self.file_name is None and self.name:
                text = self.value.decode("utf-8", errors="replace")
                self.received.fields.setdefault(self.name, []).append(text)
            return
        self.open_file.close()
        self.open_file = None
        if self.folder is None or self.part is None or not self.file_name:
            return
        path = _free_path(self.folder, self.file_name)
        self.part.rename(path)
        self.part = None
        self.stored.append(path)
        self.received.files.setdefault(self.name, []).append(path)

    def _end(self) -> None:
        self.ended = True
