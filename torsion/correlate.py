"""Masked circular correlation along the columns of a band, and the peak of a curve between its samples."""

import numpy as np
from numpy.typing import NDArray

__all__ = ["masked_circular_correlation", "refine_peak"]

Doubles = NDArray[np.float64]


def masked_circular_correlation(
    reference: NDArray[np.floating],
    moving: NDArray[np.floating],
    *,
    reference_weight: NDArray[np.floating],
    moving_weight: NDArray[np.floating],
) -> tuple[Doubles, Doubles]:
    """Normalised correlation of two bands at every circular lag, over the pixels valid in both.

    The masked normalised correlation of D. Padfield (doi 10.1109/TIP.2011.2181402), made circular along the
    last axis and summed over the rows.

    Parameters
    ----------
    reference, moving : (..., rows, columns) ndarray
        Bands; leading axes are broadcast.
    reference_weight, moving_weight : (..., rows, columns) ndarray
        Weights, 0 where a pixel is not valid.  Values under a weight of zero play no part.

    Returns
    -------
    correlation : (..., columns) ndarray
        In [-1, 1]; the lag is positive where the content of `moving` lies at higher columns, where the
        eye has turned counter-clockwise.  Zero where there is no overlap or no contrast.
    overlap : (..., columns) ndarray
        Sum of the products of the weights.

    Raises
    ------
    ValueError
        If the bands differ in rows or columns.
    """
    if reference.shape[-2:] != moving.shape[-2:]:
        shapes = f"{reference.shape[-2:]} and {moving.shape[-2:]}"
        msg = f"both bands must have the same rows and columns, not {shapes}"
        raise ValueError(msg)
    columns = reference.shape[-1]

    def spectra(band: NDArray[np.floating], weight: NDArray[np.floating]) -> list[NDArray[np.complex128]]:
        values = np.where(weight > 0, band, 0.0)
        return [np.fft.rfft(part, axis=-1) for part in (weight, weight * values, weight * values * values)]

    first = [np.conj(part) for part in spectra(reference, reference_weight)]
    second = spectra(moving, moving_weight)

    def lags(one: int, two: int) -> Doubles:
        product = (first[one] * second[two]).sum(axis=-2)
        return np.asarray(np.fft.irfft(product, columns, axis=-1), np.float64)

    overlap = np.maximum(lags(0, 0), 0.0)
    safe = np.maximum(overlap, 1e-9)
    mean_reference, mean_moving = lags(1, 0) / safe, lags(0, 1) / safe
    covariance = lags(1, 1) / safe - mean_reference * mean_moving
    variance = (lags(2, 0) / safe - mean_reference**2) * (lags(0, 2) / safe - mean_moving**2)
    usable = (overlap > 1e-6 * max(1.0, float(overlap.max(initial=0.0)))) & (variance > 1e-12)
    correlation = np.where(usable, covariance / np.sqrt(np.where(usable, variance, 1.0)), 0.0)
    return np.clip(correlation, -1.0, 1.0), overlap


def refine_peak(curve: NDArray[np.floating], at: int) -> float:
    """Position of a peak of a circular curve to a fraction of a sample, by a parabola through three samples.

    Parameters
    ----------
    curve : (n,) ndarray
    at : int
        Index of the highest sample.

    Returns
    -------
    float
        Between ``at - 0.5`` and ``at + 0.5``; `at` itself where the curve does not bend downwards.

    Examples
    --------
    >>> refine_peak(np.array([0.0, 0.9, 1.0, 0.9, 0.0]), 2)
    2.0
    """
    before, here, after = (float(curve[(at + step) % len(curve)]) for step in (-1, 0, 1))
    bend = before - 2.0 * here + after
    if bend >= 0.0:
        return float(at)
    return at + float(np.clip(0.5 * (before - after) / bend, -0.5, 0.5))
