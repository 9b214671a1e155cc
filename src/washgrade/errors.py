r"""Every error and warning that washgrade raises on purpose.

::

    WashgradeError
    ├── InputError (ValueError)        a value that cannot be right: what, found, allowed
    │   ├── GroundError                the land: a DEM, a channel, a projection
    │   └── RecordError                a field record
    │       └── FileFaults             every fault of every row of one file, in one report
    └── SiteError (OSError)            the site folder: missing, broken, locked, unreadable
    WashgradeWarning (UserWarning)
    └── GroundWarning                  the ground was read, but something about it is doubtful

The command line turns each ``WashgradeError`` into its sentence and exit code 2.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

__all__ = [
    "FileFaults",
    "GroundError",
    "GroundWarning",
    "InputError",
    "RecordError",
    "SiteError",
    "WashgradeError",
    "WashgradeWarning",
]


class WashgradeError(Exception):
    """Root of all errors of the package."""


class InputError(WashgradeError, ValueError):
    """A value that cannot be right."""


class GroundError(InputError):
    """The land cannot be read or worked: a DEM, a channel, a projection.

    Parameters
    ----------
    said : str or callable
        The sentence, or what gives it from the reader's units, "us" or "metric", where it holds lengths or
        areas: those who find the fault do not know who reads of it.

    Examples
    --------
    >>> from washgrade.units import show_length
    >>> error = GroundError(lambda units: f"The line is {show_length(90, units)} long.")
    >>> str(error), error.sentence("us")
    ('The line is 90 m long.', 'The line is 295 ft long.')
    """

    def __init__(self, said: str | Callable[[str], str]) -> None:
        self._said = said
        super().__init__(self.sentence("metric"))

    def __reduce__(self) -> tuple[type[GroundError], tuple[str]]:
        # What crosses to another process is the sentence alone: a function would not.
        return type(self), (str(self),)

    def sentence(self, units: str) -> str:
        """Say it in somebody's units.

        Parameters
        ----------
        units : {"us", "metric"}
            What the reader is used to.

        Returns
        -------
        str
            The sentence.
        """
        return self._said if isinstance(self._said, str) else self._said(units)


class RecordError(InputError):
    """A field record that cannot be right."""


class FileFaults(RecordError):
    """All the faults found in one file of records.

    Parameters
    ----------
    faults : sequence of str
        One sentence for each fault, each beginning with the file and the row.
    """

    def __init__(self, faults: Sequence[str]) -> None:
        self.faults = tuple(faults)
        super().__init__("\n".join(self.faults))


class SiteError(WashgradeError, OSError):
    """The site folder is missing, broken, locked or unreadable."""


class WashgradeWarning(UserWarning):
    """Root of all warnings of the package."""


class GroundWarning(WashgradeWarning):
    """The ground was read, but something about it is doubtful."""
