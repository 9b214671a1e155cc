"""The rules of each kind of record, in one table: its class, what it needs, how it is judged, its columns."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType
from typing import Any

from numpy.typing import NDArray

from washgrade.files import dig, look, sample, storm
from washgrade.files.columns import KINDS, known_names
from washgrade.files.judging import Frame
from washgrade.files.record import Record

__all__ = ["RULES", "Rules", "as_arrays", "kind_by_columns", "kind_by_name"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Rules:
    """What makes a record of one kind.

    Parameters
    ----------
    record : type
        Its class.
    lacks : callable
        Says what a set of filled columns still needs: pairs of what is missing and what there must be.
    judge : callable
        Checks values against each other and completes them in place; one sentence for each fault.
    arrays : callable
        Lays records of the kind out as columns.
    off_ground : callable
        Whether a record with these values may lie off the ground.
    """

    record: type[Record]
    lacks: Callable[[set[str]], list[tuple[str, str]]]
    judge: Callable[[dict[str, Any], Frame], list[str]]
    arrays: Callable[..., dict[str, NDArray[Any]]]
    off_ground: Callable[[Mapping[str, Any]], bool] = lambda _values: False


def _is_gauge(values: Mapping[str, Any]) -> bool:
    # The gauge of a neighbour tells of the rain here; a flood mark, or a bed that stayed dry, lies here.
    return not ({"mark_depth_m", "mark_width_m"} & values.keys() or values.get("no_flow"))


RULES: Mapping[str, Rules] = MappingProxyType(
    {
        "samples": Rules(
            record=sample.Sample, lacks=sample.lacks, judge=sample.judge, arrays=sample.sample_arrays
        ),
        "storms": Rules(
            record=storm.Storm,
            lacks=storm.lacks,
            judge=storm.judge,
            arrays=storm.storm_arrays,
            off_ground=_is_gauge,
        ),
        "digs": Rules(record=dig.Dig, lacks=dig.lacks, judge=dig.judge, arrays=dig.dig_arrays),
        "looks": Rules(record=look.Look, lacks=look.lacks, judge=look.judge, arrays=look.look_arrays),
    }
)
"""Rules by the name of the kind; the keys are those of `washgrade.files.columns.KINDS`."""

_KNOWN = {kind: known_names(KINDS[kind].columns) for kind in KINDS}


def kind_by_name(word: str) -> str:
    """Find a kind by what people call it.

    Parameters
    ----------
    word : str
        ``dig``, ``digs``, ``Dig``.

    Returns
    -------
    str
        A key of `RULES`; empty if it is none.

    Examples
    --------
    >>> kind_by_name("Look"), kind_by_name("rock")
    ('looks', '')
    """
    tidied = word.strip().lower()
    return next((kind for kind in KINDS if tidied in {kind, KINDS[kind].one}), "")


def kind_by_columns(names: set[str]) -> str:
    """Tell the kind of records from the columns that they fill.

    Parameters
    ----------
    names : set of str
        Names as found, tidied.

    Returns
    -------
    str
        The kind that knows most of the columns and lacks least; samples where that leaves two.

    Examples
    --------
    >>> kind_by_columns({"date", "lon", "lat", "rain_in"}), kind_by_columns({"date", "reach", "loads"})
    ('storms', 'digs')
    """

    def wrong(kind: str) -> tuple[int, int]:
        known = _KNOWN[kind]
        has = {known[name][0].name for name in names if name in known}
        # A mark without a place is still a storm: what is missing weighs less than what is strange.
        return sum(name not in known for name in names), len(RULES[kind].lacks(has))

    return min(KINDS, key=wrong)


def as_arrays(kind: str, records: Sequence[Record], **more: float) -> dict[str, NDArray[Any]]:
    """Lay records of one kind out as equal-length columns.

    Parameters
    ----------
    kind : str
        A key of `RULES`.
    records : sequence of Record
        Records of that kind.
    **more : float
        What the kind's own function takes, such as ``porosity`` for samples.

    Returns
    -------
    dict of str to ndarray, each of shape (records,)
        See `sample_arrays`, `storm_arrays`, `dig_arrays` and `look_arrays`.

    Examples
    --------
    >>> sorted(as_arrays("looks", []))[:4]
    ['accuracy_m', 'day', 'depth_m', 'easting_m']
    """
    return RULES[kind].arrays(records, **more)
