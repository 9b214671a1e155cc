"""How much memory there is, and whether a ground is worked on in memory or by tiles."""

from __future__ import annotations

import os
from dataclasses import dataclass
from pathlib import Path

from washgrade.checks import number
from washgrade.land.tiles.drain import memory_in_core_bytes

__all__ = ["MemoryPlan", "available_bytes", "budget_bytes", "plan_memory"]

# Of the memory that is free, the share that a ground may take. Our choice: the rest is for whatever else
# runs, and for what the figure of what it takes leaves out.
FREE_SHARE = 0.7
# Taken to be free where the system does not say. Our choice: half of what a small laptop has.
UNKNOWN_BYTES = 4_000_000_000
MEMINFO = Path("/proc/meminfo")
# What a container may take and what it takes; files that were read count, but are given back.
GROUP_LIMIT = Path("/sys/fs/cgroup/memory.max")
GROUP_STAT = Path("/sys/fs/cgroup/memory.stat")


@dataclass(frozen=True, slots=True, kw_only=True)
class MemoryPlan:
    """How a ground is worked on.

    Parameters
    ----------
    budget_bytes : int
        Memory that the whole program may take.
    by_tiles : bool
        Whether it is worked on by tiles, with its grids in scratch files.
    sentence : str
        Which it is, and why.
    """

    budget_bytes: int
    by_tiles: bool
    sentence: str


def available_bytes() -> int:
    """Memory that is free on this machine, or in this container.

    Returns
    -------
    int
        Bytes; 4 GB where the system does not say.

    Examples
    --------
    >>> available_bytes() > 10**6
    True
    """
    free = [value for value in (_free_of_machine(), _free_of_group()) if value is not None]
    return max(min(free), 0) if free else UNKNOWN_BYTES


def _free_of_machine() -> int | None:
    """What Linux says of free memory, else what other systems say of free pages."""
    found = _named_number(MEMINFO, "MemAvailable:")
    if found is not None:
        return found * 1024
    names = getattr(os, "sysconf_names", {})
    if "SC_AVPHYS_PAGES" in names and "SC_PAGE_SIZE" in names:
        pages, size = os.sysconf("SC_AVPHYS_PAGES"), os.sysconf("SC_PAGE_SIZE")
        if pages > 0 and size > 0:
            return pages * size
    return None


def _free_of_group() -> int | None:
    """What the container has left, if it has a limit."""
    try:
        limit = int(GROUP_LIMIT.read_text(encoding="ascii"))
    except (OSError, ValueError):
        return None
    return limit - (_named_number(GROUP_STAT, "anon") or 0)


def _named_number(path: Path, name: str) -> int | None:
    """Read the number that follows a name on a line of a file; None if there is none."""
    try:
        for line in path.read_text(encoding="ascii", errors="replace").splitlines():
            words = line.split()
            if len(words) >= 2 and words[0] == name:
                return int(words[1])
    except (OSError, ValueError):
        return None
    return None


def budget_bytes(memory_bytes: int | None) -> int:
    """Memory that the program may take.

    Parameters
    ----------
    memory_bytes : int or None
        What was told; seven tenths of what is free if None.

    Returns
    -------
    int
        Bytes.

    Raises
    ------
    InputError
        If it is not above 0.

    Examples
    --------
    >>> budget_bytes(4 * 10**9)
    4000000000
    """
    if memory_bytes is None:
        return int(FREE_SHARE * available_bytes())
    return int(number("memory_bytes", memory_bytes, above=0))


def plan_memory(shape: tuple[int, int], *, budget: int, is_told: bool) -> MemoryPlan:
    """Decide whether a ground is worked on in memory or by tiles.

    Parameters
    ----------
    shape : tuple of int
        Its rows and columns.
    budget : int
        From `budget_bytes`.
    is_told : bool
        Whether a person told it.

    Returns
    -------
    MemoryPlan
        By tiles if it takes more than the budget in memory.

    Examples
    --------
    >>> plan_memory((1000, 1000), budget=4 * 10**9, is_told=True).sentence
    'Worked on in memory: that takes about 60 MB of the 4 GB allowed.'
    >>> plan_memory((10_000, 10_000), budget=4 * 10**9, is_told=True).sentence
    'Worked on by tiles, with scratch files: in memory it would take about 6 GB, and 4 GB are allowed.'
    """
    needed = memory_in_core_bytes(shape)
    by_tiles = needed > budget
    takes, has = _shown(needed), _shown(budget)
    if by_tiles:
        limit = f"{has} are allowed" if is_told else f"{has} may be taken of what is free here"
        sentence = (
            f"Worked on by tiles, with scratch files: in memory it would take about {takes}, and {limit}."
        )
    else:
        # What is free differs from run to run, so it is not told where it does not matter.
        limit = f" of the {has} allowed" if is_told else ""
        sentence = f"Worked on in memory: that takes about {takes}{limit}."
    return MemoryPlan(budget_bytes=budget, by_tiles=by_tiles, sentence=sentence)


def _shown(size: float) -> str:
    """Bytes in words."""
    return f"{size / 1e9:.3g} GB" if size >= 1e9 else f"{max(size / 1e6, 1):.3g} MB"
