"""Both eyes of a patient: the turn that they share in the picture, and the torsion that is symmetric.

With r and l the rotations of right and left eye in the camera's frame (counter-clockwise positive), the
common rotation is (r + l)/2 and symmetric cyclotorsion (r - l)/2, excyclo-positive.  A tilted head, a rolled
camera and a conjugate turn of both eyes all are common rotation; photographs cannot tell them apart.
"""

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from torsion.cohort.estimates import Estimate, mean_estimate, unknown
from torsion.cohort.resampling import bootstrapped

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["Binocular", "Part", "both_eyes", "pairs_of_eyes"]


@dataclass(frozen=True, slots=True)
class Part:
    """One part of the rotation of both eyes, degrees.

    Attributes
    ----------
    mean_deg, sd_deg, absolute_mean_deg : Estimate
    true_sd_deg : Estimate
        With the measurement's variance taken out.
    range_deg : tuple of float or None
    """

    mean_deg: Estimate
    sd_deg: Estimate
    absolute_mean_deg: Estimate
    true_sd_deg: Estimate
    range_deg: tuple[float, float] | None


@dataclass(frozen=True, slots=True)
class Binocular:
    """What both eyes tell together.

    Attributes
    ----------
    patients : int
        With a usable value for both eyes.
    symmetric : Part
        Excyclo-positive.
    common : Part
        Counter-clockwise positive in the picture.
    correlation : Estimate
        Of right and left eye in the camera's frame: near 1 where head tilt or camera roll dominates, near -1
        where symmetric cyclotorsion does.
    before, after : dict
        Numbers of patients by the signs of both eyes as measured, and by symmetric cyclotorsion once the
        common part is taken out.
    note : str
    """

    patients: int
    symmetric: Part
    common: Part
    correlation: Estimate
    before: dict[str, int]
    after: dict[str, int]
    note: str


def pairs_of_eyes(eyes: "pd.DataFrame") -> "pd.DataFrame":
    """Put both eyes of a patient side by side.

    Parameters
    ----------
    eyes : DataFrame
        One row an eye: ``patient, eye, rotation_deg, standard_uncertainty_deg``.

    Returns
    -------
    DataFrame
        One row a patient with both eyes: ``patient, right_deg, left_deg`` (camera frame), ``common_deg,
        symmetric_deg`` and their ``standard_uncertainty_deg``.
    """
    import pandas as pd

    columns = ["patient", "rotation_deg", "standard_uncertainty_deg"]
    right, left = (eyes.loc[eyes["eye"] == eye, columns].set_index("patient") for eye in ("OD", "OS"))
    both = right.add_suffix("_right").join(left.add_suffix("_left"), how="inner").sort_index()
    right_deg, left_deg = both["rotation_deg_right"], both["rotation_deg_left"]
    return pd.DataFrame(
        {
            "patient": both.index,
            "right_deg": right_deg.to_numpy(),
            "left_deg": left_deg.to_numpy(),
            "common_deg": ((right_deg + left_deg) / 2.0).to_numpy(),
            "symmetric_deg": ((right_deg - left_deg) / 2.0).to_numpy(),
            "standard_uncertainty_deg": np.hypot(
                both["standard_uncertainty_deg_right"], both["standard_uncertainty_deg_left"]
            ).to_numpy()
            / 2.0,
        }
    )


def both_eyes(pairs: "pd.DataFrame", *, rng: np.random.Generator, resamples: int = 2000) -> Binocular:
    """Split the rotation of both eyes into its common and its symmetric part.

    Parameters
    ----------
    pairs : DataFrame
        Of `pairs_of_eyes`.
    rng : Generator
        For the bootstrap over patients.
    resamples : int, optional

    Returns
    -------
    Binocular
        Without numbers where no patient has both eyes.
    """
    right, left = pairs["right_deg"].to_numpy(dtype=float), pairs["left_deg"].to_numpy(dtype=float)
    u = pairs["standard_uncertainty_deg"].to_numpy(dtype=float)
    common, symmetric = (right + left) / 2.0, (right - left) / 2.0
    return Binocular(
        patients=right.size,
        symmetric=_part(symmetric, u, rng, resamples),
        common=_part(common, u, rng, resamples),
        correlation=_correlation(right, left),
        before=_by_signs(right, left),
        after=_by_sign(symmetric, u),
        note=(
            "Common rotation holds head tilt, camera roll and any conjugate turn of both eyes; where the "
            "eyes were photographed one after the other, roll differs between them and is in both parts."
        ),
    )


def _part(x: NDArray[np.float64], u: NDArray[np.float64], rng: np.random.Generator, resamples: int) -> Part:
    def statistic(rows: NDArray[np.intp]) -> NDArray[np.float64]:
        variance = float(np.var(x[rows], ddof=1))
        true = max(0.0, variance - float(np.mean(u[rows] ** 2)))
        return np.array([math.sqrt(variance), float(np.mean(np.abs(x[rows]))), math.sqrt(true)])

    if x.size < 2:
        none = unknown(x.size, f"This needs at least 2 patients with both eyes; there are {x.size}.")
        return Part(none, none, none, none, None)
    found = bootstrapped(statistic, np.arange(x.size), rng=rng, resamples=resamples, spreads=(0, 2))
    sd, absolute, true_sd = found
    return Part(mean_estimate(x), sd, absolute, true_sd, (float(x.min()), float(x.max())))


def _correlation(right: NDArray[np.float64], left: NDArray[np.float64]) -> Estimate:
    """Pearson's correlation with Fisher's interval."""
    from scipy.stats import pearsonr

    n = right.size
    if n < 4:
        return unknown(n, f"A correlation needs at least 4 patients with both eyes; there are {n}.")
    if np.ptp(right) == 0.0 or np.ptp(left) == 0.0:
        return unknown(n, "One eye shows the same rotation in every patient.")
    found = pearsonr(right, left)
    ends = found.confidence_interval(0.95)
    interval = (float(ends.low), float(ends.high))
    return Estimate(float(found.statistic), interval, n, "Pearson, Fisher's interval")


def _by_signs(right: NDArray[np.float64], left: NDArray[np.float64]) -> dict[str, int]:
    """Count patients by what their eyes seem to do, whatever the uncertainty."""
    counts = {
        "both excyclo": int(np.sum((right > 0.0) & (left < 0.0))),
        "both incyclo": int(np.sum((right < 0.0) & (left > 0.0))),
        "both counter-clockwise": int(np.sum((right > 0.0) & (left > 0.0))),
        "both clockwise": int(np.sum((right < 0.0) & (left < 0.0))),
    }
    return counts | {"an eye did not turn": right.size - sum(counts.values())}


def _by_sign(symmetric: NDArray[np.float64], u: NDArray[np.float64]) -> dict[str, int]:
    turned = np.abs(symmetric) > 2.0 * u
    return {
        "excyclo": int(np.sum(turned & (symmetric > 0.0))),
        "incyclo": int(np.sum(turned & (symmetric < 0.0))),
        "none": int(np.sum(~turned)),
    }
