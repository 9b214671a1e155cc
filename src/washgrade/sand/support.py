"""What an estimate rests on, in words: kept apart, so that a page may say them without loading a solver."""

from __future__ import annotations

__all__ = ["SUPPORT"]

SUPPORT = ("prior", "inferred", "near", "sampled")
"""From the least firm to the firmest: no sample on the tree, one somewhere on it, one close by, one here."""
