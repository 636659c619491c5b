"""The bands of both photos unrolled, one above the other, so that a person can see whether they match."""

import cv2
import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from numpy.typing import NDArray

from torsion.deformation import displacement
from torsion.eye_picture import EyePicture, mirrored_eye
from torsion.measurement import Measurement
from torsion.unwrap import BANDS, Band, grid, sample

__all__ = ["bands_figure", "unrolled_pair"]

Bytes = NDArray[np.uint8]
Doubles = NDArray[np.float64]

_COLUMNS = 1440  # four a degree; 0.13 mm each in print
_ROWS: dict[Band, int] = {"iris": 120, "limbus": 100}
_TITLES: dict[Band, str] = {"iris": "IRIS", "limbus": "LIMBUS"}
_INK = "#000000"
_EVEN = 0.12  # limbus radii over which light and contrast are evened out
_FAINT = 1.5  # grey levels; contrast below it is noise, and stays faint
_GREY, _STEP = 140.0, 55.0  # grey of no detail, and of one standard deviation
_MASKED = 255


def bands_figure(measurement: Measurement, *, size_in: tuple[float, float]) -> Figure:
    """Draw limbal band and iris of both photos unrolled, the supine photo brought into register.

    Parameters
    ----------
    measurement : Measurement
        With a map between the photos.
    size_in : (float, float)
        Width and height, inches.

    Returns
    -------
    Figure
        For each band the seated strip above the supine one, directions of the seated photo along them; grey
        only, masked parts hatched.
    """
    figure = Figure(figsize=size_in, facecolor="white")
    left, right, top, bottom, gap = 0.075, 0.995, 0.995, 0.075, 0.035
    share = [_ROWS[band] for band in reversed(BANDS)]
    height = (top - bottom - gap) / sum(share)
    for band, rows in zip(reversed(BANDS), share, strict=True):
        axes = figure.add_axes((left, top - height * rows, right - left, height * rows))
        _draw_band(axes, measurement, band, ticks=band == BANDS[0])
        top -= height * rows + gap
    return figure


def unrolled_pair(measurement: Measurement, band: Band) -> tuple[Bytes, Bytes]:
    """One band of both photos on the polar grid of the seated photo.

    Parameters
    ----------
    measurement : Measurement
        With a map between the photos.
    band : {"iris", "limbus"}

    Returns
    -------
    seated, supine : (rows, columns) uint8 ndarray
        Grey values with even light, rows from the outer to the inner edge, columns counter-clockwise from the
        right of the seated photo; 255 where masked.

    Raises
    ------
    ValueError
        If there is no map between the photos.
    """
    first, second, view = measurement.seated.picture, measurement.supine.picture, measurement.view
    start_deg, parameters = measurement.start_deg, measurement.parameters
    if first is None or second is None or view is None or start_deg is None or parameters is None:
        msg = "bands can be drawn only where both photos show an eye and a map between them was found"
        raise ValueError(msg)
    if view.mirrored:
        second = mirrored_eye(second)
    seated, supine = (
        grid(eye.pupil, band, _COLUMNS, rows=_ROWS[band], turn_deg=turn_deg)
        for eye, turn_deg in ((first, 0.0), (second, start_deg))
    )
    # Iris and white of the eye lie at different depths: each is met where its own part of the map puts it.
    dx, dy = displacement(parameters, supine.x, supine.y, supine.depth, band)
    return _strip(first, seated.x, seated.y), _strip(second, supine.x + dx, supine.y + dy)


def _strip(eye: EyePicture, x: NDArray[np.floating], y: NDArray[np.floating]) -> Bytes:
    """Green channel with light and contrast evened out, as grey."""
    green = eye.rgb[..., 1].astype(np.float32)
    valid = eye.valid.astype(np.float32)
    share = np.maximum(_blurred(valid, eye), 1e-3)
    detail = np.asarray((green - _blurred(green * valid, eye) / share) * valid, np.float32)
    contrast = np.sqrt(_blurred(detail**2, eye) / share)
    even = detail / (contrast + _FAINT)
    grey = _GREY + _STEP * sample(even.astype(np.float32), eye, x, y, cubic=True)[::-1]
    shown = sample(valid, eye, x, y)[::-1] > 0.5
    return np.where(shown, np.clip(grey, 0.0, _MASKED - 1.0), _MASKED).astype(np.uint8)


def _blurred(picture: NDArray[np.float32], eye: EyePicture) -> NDArray[np.float32]:
    blurred = cv2.GaussianBlur(picture, (0, 0), _EVEN * eye.px_per_radius)
    return np.asarray(blurred, np.float32)


def _draw_band(axes: Axes, measurement: Measurement, band: Band, *, ticks: bool) -> None:
    seated, supine = unrolled_pair(measurement, band)
    both = np.vstack([seated, supine[::-1]])
    axes.imshow(_hatched(both), extent=(0.0, 360.0, -1.0, 1.0), aspect="auto", cmap="gray", vmin=0, vmax=255)
    axes.axhline(0.0, color=_INK, lw=1.2)
    axes.set(yticks=[], xticks=range(0, 360, 30))
    axes.tick_params(labelbottom=ticks, labelsize=6.5, length=2.5, pad=1.5)
    if ticks:
        axes.set_xticklabels([f"{angle}°" for angle in range(0, 360, 30)])
    for y, word in ((0.5, "seated"), (-0.5, "supine")):
        axes.text(-3.0, y, word, ha="right", va="center", size=7, color=_INK)
    axes.text(-24.0, 0.0, _TITLES[band], ha="center", va="center", size=7, weight="bold", rotation=90)


def _hatched(strip: Bytes) -> Bytes:
    rows, columns = np.mgrid[: strip.shape[0], : strip.shape[1]]
    stripe = (rows + columns) // 2 % 6 == 0
    return np.where((strip == _MASKED) & stripe, 185, strip).astype(np.uint8)
