"""Mean and scatter of a series of astigmatisms, in the double-angle plane."""

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from torsion.angles import read_choice
from torsion.astigmatism import Astigmatism, double_angle

__all__ = ["Centroid", "Ellipse", "centroid"]


@dataclass(frozen=True, slots=True)
class Ellipse:
    """Ellipse in the double-angle plane.

    Attributes
    ----------
    centre_d : tuple of float
        x and y, dioptres.
    semi_major_d, semi_minor_d : float
        Half axes, dioptres.
    tilt_deg : float
        Turn of the long axis in the plane (twice the angle on the eye), counter-clockwise, in [-90, 90].
    """

    centre_d: tuple[float, float]
    semi_major_d: float
    semi_minor_d: float
    tilt_deg: float


@dataclass(frozen=True, slots=True, eq=False)
class Centroid:
    """Mean of n astigmatisms and their scatter.

    Attributes
    ----------
    n : int
        Number of eyes.
    mean : Astigmatism
        Mean vector: its magnitude is less than the mean magnitude wherever the meridians differ.
    covariance_d2 : ndarray, shape (2, 2), read-only
        Covariance of single eyes in the double-angle plane (divisor n - 1), square dioptres.
    """

    n: int
    mean: Astigmatism
    covariance_d2: NDArray[np.float64]

    def ellipse(self, *, of: Literal["mean", "eyes"], coverage: float = 0.95) -> Ellipse:
        """Confidence ellipse of the mean, or prediction ellipse for one further eye.

        Parameters
        ----------
        of : {"mean", "eyes"}
            ``"mean"``: holds the true mean with the given probability (how well the mean is known).
            ``"eyes"``: holds the next eye with the given probability (how much eyes differ).
        coverage : float, optional
            Probability between 0 and 1.

        Returns
        -------
        Ellipse
            Exact for eyes scattered as a two-dimensional normal distribution.

        Raises
        ------
        ValueError
            If there are fewer than three eyes, the coverage is no probability, or `of` is another word.

        Notes
        -----
        Hotelling's statistic with two components; the F distribution with (2, m) degrees of freedom has the
        closed quantile ``m/2 ((1 - p)^(-2/m) - 1)``.
        """
        of = read_choice(of, ("mean", "eyes"), name="of")
        if self.n < 3:
            msg = f"an ellipse needs at least 3 eyes, not {self.n}"
            raise ValueError(msg)
        if not 0.0 < coverage < 1.0:
            msg = f"coverage must lie between 0 and 1, not {coverage:g}"
            raise ValueError(msg)
        free = self.n - 2
        f_quantile = free / 2.0 * ((1.0 - coverage) ** (-2.0 / free) - 1.0)
        spread = 1.0 / self.n if of == "mean" else 1.0 + 1.0 / self.n
        scale = 2.0 * (self.n - 1) / free * f_quantile * spread
        variances, directions = np.linalg.eigh(self.covariance_d2)
        minor, major = np.sqrt(np.clip(variances, 0.0, None) * scale)
        x, y = directions[:, 1]
        tilt = np.degrees(np.arctan2(y, x) if x >= 0 else np.arctan2(-y, -x))
        centre = self.mean.point
        return Ellipse((float(centre[0]), float(centre[1])), float(major), float(minor), float(tilt))


def centroid(cylinder_d: ArrayLike, meridian_deg: ArrayLike) -> Centroid:
    """Mean vector and covariance of astigmatisms.

    Parameters
    ----------
    cylinder_d : array_like, shape (n,)
        Magnitudes, dioptres.
    meridian_deg : array_like, shape (n,)
        Steep meridians, degrees; any value where the magnitude is nil.

    Returns
    -------
    Centroid
        With a covariance of zero for a single eye.

    Raises
    ------
    ValueError
        If there is no eye, or the numbers are not finite.

    Examples
    --------
    >>> centroid([1.0, 1.0], [5.0, 175.0]).mean  # the plain mean of the angles would say 90
    Astigmatism(cylinder_d=0.98481, meridian_deg=180.0)
    """
    points = np.atleast_2d(double_angle(cylinder_d, meridian_deg))
    if points.shape[0] == 0 or not np.all(np.isfinite(points)):
        msg = f"a mean needs at least one eye and finite numbers only, not {points.shape[0]} eyes with gaps"
        raise ValueError(msg)
    count = points.shape[0]
    mean = points.mean(axis=0)
    off = points - mean
    covariance = off.T @ off / max(count - 1, 1)
    covariance.flags.writeable = False
    return Centroid(count, Astigmatism.from_point(mean), covariance)
