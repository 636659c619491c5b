"""Masked circular correlation along the columns of a band, and the peak of a curve between its samples."""

import numpy as np
from numpy.typing import NDArray

__all__ = ["masked_circular_correlation", "patch_correlation", "refine_peak"]

Doubles = NDArray[np.float64]


def masked_circular_correlation(
    reference: NDArray[np.floating],
    moving: NDArray[np.floating],
    *,
    reference_weight: NDArray[np.floating],
    moving_weight: NDArray[np.floating],
) -> tuple[NDArray[np.floating], NDArray[np.floating]]:
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
    first = np.conj(_spectra(reference, reference_weight))
    second = _spectra(moving, moving_weight)
    products = np.stack([(first[one] * second[two]).sum(axis=-2) for one, two in _PRODUCTS])
    return _correlation(np.fft.irfft(products, columns, axis=-1))


def patch_correlation(
    patches: NDArray[np.floating],
    moving: NDArray[np.floating],
    *,
    patch_weights: NDArray[np.floating],
    moving_weight: NDArray[np.floating],
    reach: int,
) -> tuple[NDArray[np.floating], NDArray[np.floating]]:
    """Correlate several weightings of one strip of a band with another band, at every lag and some rows off.

    The same as `masked_circular_correlation` of each with each, but each spectrum is worked out once, and in
    single precision, which is good to 1e-5 of a correlation.

    Parameters
    ----------
    patches : (rows, columns) ndarray
        Strip of the band.
    moving : (rows + 2 * reach, columns) ndarray
        The strip of the other band against which it stands, and `reach` rows more on both sides; rows beyond
        that band have a weight of zero.
    patch_weights : (n, rows, columns) ndarray
    moving_weight : (rows + 2 * reach, columns) ndarray
    reach : int

    Returns
    -------
    correlation, overlap : (n, 2 * reach + 1, columns) ndarray
        As of `masked_circular_correlation`; shifts from -reach to reach along the middle axis.
    """
    _, rows, columns = patch_weights.shape
    first = np.conj(_spectra(_single(patches)[None], _single(patch_weights))).transpose(3, 0, 1, 2)
    spectra = _spectra(_single(moving), _single(moving_weight))
    second = np.lib.stride_tricks.sliding_window_view(spectra, rows, axis=1).transpose(2, 0, 3, 1)
    first, second = np.ascontiguousarray(first), np.ascontiguousarray(second)  # frequency, power, row last
    products = np.stack([(first[:, one] @ second[:, two]).transpose(1, 2, 0) for one, two in _PRODUCTS])
    return _correlation(np.fft.irfft(products, columns, axis=-1), least_variance=1e-6)


def _single(values: NDArray[np.floating]) -> NDArray[np.float32]:
    return np.asarray(values, np.float32)


_PRODUCTS = ((0, 0), (1, 0), (0, 1), (1, 1), (2, 0), (0, 2))  # powers of both bands that are multiplied


def _spectra(band: NDArray[np.floating], weight: NDArray[np.floating]) -> NDArray[np.complexfloating]:
    """Spectra along the columns of the weight, and of the weighted first and second power."""
    values = np.where(weight > 0, band, band.dtype.type(0.0))
    powers = np.empty((3, *np.broadcast_shapes(band.shape, weight.shape)), np.result_type(band, weight))
    powers[0] = weight
    np.multiply(weight, values, out=powers[1])
    np.multiply(powers[1], values, out=powers[2])
    return np.asarray(np.fft.rfft(powers, axis=-1))


def _correlation(
    sums: NDArray[np.floating], *, least_variance: float = 1e-12
) -> tuple[NDArray[np.floating], NDArray[np.floating]]:
    """Correlation and overlap from the sums of `_PRODUCTS` over the common pixels."""
    overlap = np.maximum(sums[0], 0.0)
    reference, moving, product, square_reference, square_moving = sums[1:]
    # All times the square of the overlap: dividing each by it would take longer.
    square = overlap * overlap
    covariance = overlap * product - reference * moving
    variance = overlap * square_reference - reference * reference
    variance *= overlap * square_moving - moving * moving
    usable = (overlap > 1e-6 * max(1.0, float(overlap.max(initial=0.0)))) & (
        variance > least_variance * square * square
    )
    correlation = np.where(usable, covariance, 0.0) / np.sqrt(np.where(usable, variance, 1.0))
    return np.clip(correlation, -1.0, 1.0, out=correlation), overlap


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
