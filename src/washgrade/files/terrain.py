"""The site's own DEM on disk, and the relief picture under the map."""

from __future__ import annotations

import hashlib
import math
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from washgrade.errors import GroundError, SiteError
from washgrade.files.places import crs_name
from washgrade.files.site import replacing
from washgrade.land.dem import Dem
from washgrade.land.grids import bands
from washgrade.land.tiles.network import LargeDem
from washgrade.land.tiles.store import Scratch

__all__ = [
    "PICTURE_CELLS",
    "RELIEF_PIXELS",
    "read_terrain",
    "read_window",
    "relief_png",
    "terrain_bands",
    "terrain_stamp",
    "write_terrain",
]

_STAMP = "WASHGRADE_STAMP"
# Longest side of the relief picture: about the pixels of a large screen, and a few hundred kilobytes.
RELIEF_PIXELS = 2048
# Heights from which a relief picture is made: twice as many each way as it has pixels. More do not show.
PICTURE_CELLS = (2 * RELIEF_PIXELS) ** 2


def terrain_stamp(dem: Dem) -> str:
    """Make a short name of a DEM from all that it holds.

    Parameters
    ----------
    dem : Dem
        The heights.

    Returns
    -------
    str
        The first 32 hex digits of a SHA-256; equal DEMs have equal stamps.
    """
    place = (dem.shape, float(dem.cell_m), float(dem.west_m), float(dem.north_m), dem.crs)
    digest = hashlib.sha256(repr(place).encode())
    for band in bands(dem.shape):
        heights = dem.elevation_m[band]
        # All voids count alike, whatever bits their NaN has.
        alike = np.where(np.isnan(heights), np.float32(np.nan), heights).astype("<f4")
        digest.update(np.ascontiguousarray(alike).data)
    return digest.hexdigest()[:32]


def write_terrain(path: Path, dem: Dem) -> str:
    """Write a DEM as a cloud-optimised GeoTIFF, whole or not at all; the same DEM gives the same bytes.

    Parameters
    ----------
    path : Path
        The file to be.
    dem : Dem
        The heights.

    Returns
    -------
    str
        Its stamp, which the file carries as a tag.

    Raises
    ------
    SiteError
        If it cannot be written.
    """
    import rasterio
    from rasterio import Affine
    from rasterio.crs import CRS
    from rasterio.errors import RasterioError
    from rasterio.shutil import copy
    from rasterio.windows import Window

    stamp = terrain_stamp(dem)
    rows, cols = dem.shape
    with replacing(path) as draft, Scratch() as scratch:
        try:
            plain_file = scratch.folder / "plain.tif"
            with rasterio.open(
                plain_file,
                "w",
                driver="GTiff",
                height=rows,
                width=cols,
                count=1,
                dtype="float32",
                crs=CRS.from_user_input(dem.crs),
                transform=Affine(dem.cell_m, 0.0, dem.west_m, 0.0, -dem.cell_m, dem.north_m),
                nodata=math.nan,
            ) as plain:
                for band in bands(dem.shape):
                    window = Window(0, band.start, cols, band.stop - band.start)
                    plain.write(dem.elevation_m[band].astype(np.float32, copy=False), 1, window=window)
                plain.set_band_unit(1, "metre")
                plain.update_tags(**{_STAMP: stamp})
            # Average in the overviews, so that a coarse view shows the ground and not a stray cell.
            options = {"compress": "DEFLATE", "predictor": "YES", "overview_resampling": "AVERAGE"}
            options["bigtiff"] = "IF_SAFER"
            # Missing rights show here as the system's own error, which `replacing` puts into words.
            draft.touch()
            copy(plain_file, draft, driver="COG", **options)
        except RasterioError as error:
            raise SiteError(
                f"{path} cannot be written ({error}). Check the rights and room of its folder."
            ) from None
    return stamp


@contextmanager
def _opened(path: Path) -> Iterator[Any]:
    """Open the site's own DEM; whatever is wrong with it is put into words."""
    import rasterio
    from rasterio.errors import RasterioError

    if not path.is_file():
        raise SiteError(
            f"There is no {path.name} in {path.parent}. Build the ground first: washgrade ground."
        )
    try:
        with rasterio.open(path) as source:
            yield source
    except (RasterioError, AttributeError) as error:
        raise SiteError(f"{path} is damaged ({error}). Build the ground again: washgrade ground.") from None


def terrain_bands(path: Path, *, whole_rows: int) -> Iterator[tuple[Dem, str]]:
    """Read the site's own DEM in bands of rows, from the north.

    Parameters
    ----------
    path : Path
        The ``terrain.tif``.
    whole_rows : int
        Every band has a multiple of so many rows, but for the last.

    Yields
    ------
    dem : Dem
        The heights of a band.
    stamp : str
        The stamp that the file carries; empty if it has none.

    Raises
    ------
    SiteError
        If it is missing or cannot be read.
    """
    from pyproj import CRS
    from rasterio.windows import Window

    with _opened(path) as source:
        (rows, cols), transform, stamp = source.shape, source.transform, str(source.tags().get(_STAMP, ""))
        crs = crs_name(CRS.from_wkt(source.crs.to_wkt()))
        at_once = max(next(bands(source.shape)).stop // whole_rows, 1) * whole_rows
        for top in range(0, rows, at_once):
            heights = source.read(1, window=Window(0, top, cols, min(at_once, rows - top)))
            yield (
                # A band may be void throughout.
                LargeDem(
                    elevation_m=heights.astype(np.float32, copy=False),
                    cell_m=transform.a,
                    west_m=transform.c,
                    north_m=transform.f - top * transform.a,
                    crs=crs,
                ),
                stamp,
            )


def read_window(path: Path, rows: slice, cols: slice) -> tuple[NDArray[np.float32], str]:
    """Read a part of the site's own DEM.

    Parameters
    ----------
    path : Path
        The ``terrain.tif``.
    rows, cols : slice
        Which, both within the file.

    Returns
    -------
    heights_m : ndarray of float32, shape (rows, cols)
        Metres, NaN where unknown.
    stamp : str
        The stamp that the file carries; empty if it has none.

    Raises
    ------
    SiteError
        If it is missing or cannot be read.
    """
    from rasterio.windows import Window

    with _opened(path) as source:
        window = Window.from_slices(rows, cols)
        heights_m = source.read(1, window=window).astype(np.float32, copy=False)
        return heights_m, str(source.tags().get(_STAMP, ""))


def read_terrain(path: Path, *, most_cells: int | None = None) -> tuple[Dem, str]:
    """Read the site's own DEM.

    Parameters
    ----------
    path : Path
        The ``terrain.tif``.
    most_cells : int, optional
        A DEM of more cells is read coarser, each cell the mean of as few by as few as bring it below, from
        the overviews of the file; a strip in the south or east that is no whole cell wide is left out then.

    Returns
    -------
    dem : Dem
        The heights.
    stamp : str
        The stamp that the file carries; empty if it has none.

    Raises
    ------
    SiteError
        If it is missing or cannot be read.
    """
    from pyproj import CRS
    from rasterio.enums import Resampling
    from rasterio.windows import Window

    with _opened(path) as source:
        transform, (rows, cols) = source.transform, source.shape
        step = 1 if most_cells is None else max(math.ceil(math.sqrt(rows * cols / most_cells)), 1)
        rows, cols = max(rows // step, 1), max(cols // step, 1)
        elevation_m = source.read(
            1,
            window=Window(0, 0, cols * step, rows * step),
            out_shape=(rows, cols),
            resampling=Resampling.average,
        )
        wkt, stamp = source.crs.to_wkt(), source.tags().get(_STAMP, "")
    dem = Dem(
        elevation_m=elevation_m.astype(np.float32, copy=False),
        cell_m=transform.a * step,
        west_m=transform.c,
        north_m=transform.f,
        crs=crs_name(CRS.from_wkt(wkt)),
    )
    return dem, str(stamp)


def relief_png(
    dem: Dem, shade: NDArray[np.uint8], *, longest_px: int = RELIEF_PIXELS, grey_levels: int = 64
) -> tuple[bytes, tuple[float, float, float, float]]:
    """Warp a picture on the DEM's grid to the map's projection and write it as a small PNG.

    A picture laid straight into its longitude/latitude box would be off by up to 100 m over 5 km, because
    grid north is not north and because web maps are drawn on Mercator's projection.

    Parameters
    ----------
    dem : Dem
        The grid; its voids become transparent.
    shade : ndarray of uint8, shape (rows, cols) or (rows, cols, 4)
        Grey, or red, green, blue and opacity.
    longest_px : int, default 2048
        Longest side of the picture, pixels.
    grey_levels : int, default 64
        Greys kept of a grey picture: few enough to pack well, more than the eye tells apart in a relief.

    Returns
    -------
    png : bytes
        The picture in EPSG:3857; the same input gives the same bytes.
    bounds : tuple of float
        West, south, east and north edge, degrees.

    Raises
    ------
    GroundError
        If the picture is not on the DEM's grid.
    """
    from pyproj import Transformer
    from rasterio import Affine
    from rasterio.crs import CRS
    from rasterio.warp import Resampling, reproject

    rows, cols = dem.shape
    if shade.shape[:2] != (rows, cols) or shade.shape[2:] not in {(), (4,)} or shade.dtype != np.uint8:
        raise GroundError(
            f"Invalid 'shade' of shape {shade.shape} and type {shade.dtype}. It must be uint8 of shape "
            f"({rows}, {cols}) "
            f"or ({rows}, {cols}, 4)."
        )
    known = np.isfinite(dem.elevation_m)
    grey = shade.ndim == 2
    if grey:
        step = max(256 // grey_levels, 1)
        even = np.minimum(shade // step * step + step // 2, 255)
        layers = np.stack([even, np.where(known, 255, 0)]).astype(np.uint8)
    else:
        layers = np.moveaxis(shade, 2, 0).copy()
        layers[3] = np.where(known, layers[3], 0)

    to_map = Transformer.from_crs(dem.crs, "EPSG:3857", always_xy=True)
    east_m, south_m = dem.west_m + cols * dem.cell_m, dem.north_m - rows * dem.cell_m
    west, south, east, north = to_map.transform_bounds(
        dem.west_m, south_m, east_m, dem.north_m, densify_pts=41
    )
    # Mercator stretches by 1/cos(latitude): as many pixels as there are cells, unless that is too many.
    pixel = max((east - west) / cols, max(east - west, north - south) / longest_px)
    width, height = max(math.ceil((east - west) / pixel), 1), max(math.ceil((north - south) / pixel), 1)
    width, height = min(width, longest_px), min(height, longest_px)
    east, south = west + width * pixel, north - height * pixel
    warped = np.zeros((len(layers), height, width), dtype=np.uint8)
    reproject(
        layers,
        warped,
        src_transform=Affine(dem.cell_m, 0.0, dem.west_m, 0.0, -dem.cell_m, dem.north_m),
        src_crs=CRS.from_user_input(dem.crs),
        dst_transform=Affine(pixel, 0.0, west, 0.0, -pixel, north),
        dst_crs=CRS.from_epsg(3857),
        # Between pixels as large as the cells a mix would only blur; into larger ones the mean is what is
        # seen.
        resampling=Resampling.average if pixel > 1.5 * (east - west) / cols else Resampling.nearest,
    )
    warped[:-1, warped[-1] == 0] = 0
    if grey:
        warped[0] = np.minimum(warped[0] // step * step + step // 2, 255) * (warped[1] > 0)
        warped[1] = np.where(warped[1] >= 128, 255, 0)
    png = _smallest_png(warped)
    to_degrees = Transformer.from_crs("EPSG:3857", "EPSG:4326", always_xy=True)
    lon, lat = to_degrees.transform([west, east], [south, north])
    return png, (lon[0], lat[0], lon[1], lat[1])


def _smallest_png(layers: NDArray[np.uint8]) -> bytes:
    # The plain picture, or one with a palette if it has few enough colours: whichever is smaller.
    plain = _png(layers)
    rgba = layers if len(layers) == 4 else layers[[0, 0, 0, 1]]
    packed = np.ascontiguousarray(np.moveaxis(rgba, 0, 2)).view("<u4")[..., 0]
    colours, numbers = np.unique(packed, return_inverse=True)
    if len(colours) > 256:
        return plain
    palette = {
        k: tuple(int(colour) >> shift & 255 for shift in (0, 8, 16, 24)) for k, colour in enumerate(colours)
    }
    picture = numbers.reshape(1, *layers.shape[1:]).astype(np.uint8)
    return min(plain, _png(picture, palette), key=len)


def _png(layers: NDArray[np.uint8], palette: dict[int, tuple[int, ...]] | None = None) -> bytes:
    import warnings

    from rasterio.errors import NotGeoreferencedWarning
    from rasterio.io import MemoryFile

    count, height, width = layers.shape
    options: dict[str, Any] = {
        "driver": "PNG",
        "count": count,
        "height": height,
        "width": width,
        "dtype": "uint8",
    }
    with warnings.catch_warnings(), MemoryFile() as memory:
        # A PNG has no place of its own; the page holds it.
        warnings.simplefilter("ignore", NotGeoreferencedWarning)
        with memory.open(**options, zlevel=9) as picture:
            picture.write(layers)
            if palette is not None:
                picture.write_colormap(1, palette)
        return bytes(memory.read())
