"""Icons of the installed page, drawn here: a wash that branches, dark streaks along it."""

from __future__ import annotations

import struct
import zlib

import numpy as np
from numpy.typing import NDArray

__all__ = ["icon_png"]

# Branches in shares of the side, from the mouth upward, each with its width; our choice, because it reads at
# 48 pixels. All of it lies within the middle 80 % that a round mask leaves.
_BRANCHES = (
    ((0.50, 0.83), (0.46, 0.66), 0.105),
    ((0.46, 0.66), (0.54, 0.46), 0.095),
    ((0.54, 0.46), (0.47, 0.16), 0.075),
    ((0.46, 0.66), (0.24, 0.46), 0.070),
    ((0.54, 0.46), (0.76, 0.28), 0.065),
)
_GROUND = (0x23, 0x1C, 0x17)
_SAND = (0xF6, 0xCF, 0x5B)
_STREAK = (0x74, 0x19, 0x5A)


def icon_png(size: int) -> bytes:
    r"""Draw the icon.

    Parameters
    ----------
    size : int
        Side in pixels.

    Returns
    -------
    bytes
        PNG, 8-bit RGB.

    References
    ----------
    Portable Network Graphics, second edition, W3C: chunks (5.3), filter type 0 (9.2).

    Examples
    --------
    >>> icon_png(48)[:4]
    b'\x89PNG'
    """
    # Four by four points to a pixel make smooth edges.
    fine = 4 * size
    middle = (np.arange(fine) + 0.5) / fine
    across, down = np.meshgrid(middle, middle)
    picture = np.empty((fine, fine, 3))
    picture[:] = _GROUND
    for tint, share in ((_SAND, 1.0), (_STREAK, 0.34)):
        for head, tail, width in _BRANCHES:
            picture[_beside(across, down, head, tail) < 0.5 * share * width] = tint
    small = picture.reshape(size, 4, size, 4, 3).mean(axis=(1, 3))
    rows = b"".join(b"\0" + row.tobytes() for row in np.rint(small).astype(np.uint8))
    head_data = struct.pack(">IIBBBBB", size, size, 8, 2, 0, 0, 0)
    return b"".join(
        (
            b"\x89PNG\r\n\x1a\n",
            _chunk(b"IHDR", head_data),
            _chunk(b"IDAT", zlib.compress(rows, 9)),
            _chunk(b"IEND", b""),
        )
    )


def _beside(
    across: NDArray[np.float64],
    down: NDArray[np.float64],
    head: tuple[float, float],
    tail: tuple[float, float],
) -> NDArray[np.float64]:
    # How far each point lies from a straight piece.
    run, rise = tail[0] - head[0], tail[1] - head[1]
    along = np.clip(
        ((across - head[0]) * run + (down - head[1]) * rise) / (run * run + rise * rise), 0.0, 1.0
    )
    return np.hypot(across - head[0] - along * run, down - head[1] - along * rise)


def _chunk(kind: bytes, data: bytes) -> bytes:
    body = kind + data
    return struct.pack(">I", len(data)) + body + struct.pack(">I", zlib.crc32(body))
