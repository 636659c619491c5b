"""Repeatability: how far two measurements of the same eye differ."""

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from torsion.cohort.columns import POSTURES
from torsion.cohort.estimates import Estimate, finite, unknown
from torsion.cohort.resampling import FEWEST_PATIENTS, cluster_bootstrap
from torsion.cohort.variance import components

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["Repeatability", "repeatability", "within_subject_sd"]

Over = Literal["repeat", "session"]
_KEYS: dict[Over, list[str]] = {
    "repeat": ["patient", "eye", "posture", "session"],
    "session": ["patient", "eye", "posture"],
}


@dataclass(frozen=True, slots=True)
class Repeatability:
    """How well measurements of one eye repeat, degrees.

    Attributes
    ----------
    over : {"repeat", "session"}
        What was repeated: pairs of one session, or sessions (each by the mean of its pairs).
    posture : str
    eyes, values : int
        Eyes (of one session) with at least two values, and their values.
    within_sd_deg : Estimate
        Within-subject standard deviation.
    coefficient_deg : Estimate
        Repeatability coefficient: two single values of an eye differ by less in 95 of 100 cases.
    icc : Estimate
        Intraclass correlation, form (1,1): one-way random, single value.  None for controls: no torsion
        tells their eyes apart, and the sign of each pair hangs on the order of its photos.
    over_stated : float or None
        Within-subject standard deviation over the stated standard uncertainty: near 1 where repeats scatter
        as stated, above it where the eye, the head or the camera moved between them.
    """

    over: Over
    posture: str
    eyes: int
    values: int
    within_sd_deg: Estimate
    coefficient_deg: Estimate
    icc: Estimate
    over_stated: float | None


def within_subject_sd(values: ArrayLike, subjects: ArrayLike) -> float:
    """Within-subject standard deviation by one-way analysis of variance.

    Parameters
    ----------
    values : array_like, shape (n,)
    subjects : array_like, shape (n,)
        Whose value it is.

    Returns
    -------
    float
        NaN where no subject has two values.

    Notes
    -----
    For two values a subject this is the root of ``sum(d^2) / (2 n)``, with d their difference: taken about
    zero, so that a drift from the first to the second counts as error.  The repeatability coefficient is
    ``1.96 sqrt(2)`` times it; Bland and Altman 1986 (doi:10.1016/S0140-6736(86)90837-8) take 2 in place of
    1.96.

    Examples
    --------
    >>> round(within_subject_sd([1.0, 3.0, 10.0, 10.0], ["a", "a", "b", "b"]), 4)
    1.0
    """
    return math.sqrt(components(values, subjects).within)


def repeatability(
    data: "pd.DataFrame",
    *,
    rng: np.random.Generator,
    over: Over = "repeat",
    posture: str = POSTURES[0],
    multiplier: float = 1.96,
    resamples: int = 2000,
) -> Repeatability:
    """Repeatability of the torsion of eyes that were measured more than once.

    Parameters
    ----------
    data : DataFrame
        Of `torsion.cohort.observations.observations`.
    rng : Generator
        For the bootstrap over patients.
    over : {"repeat", "session"}, optional
    posture : str, optional
        Which pairs.
    multiplier : float, optional
        Normal quantile of the coefficient, per single value.
    resamples : int, optional

    Returns
    -------
    Repeatability
        Without numbers where no eye has two values; without intervals below `FEWEST_PATIENTS` patients.
    """
    table = _grouped(data, over, posture)
    x, u = table["torsion_deg"].to_numpy(dtype=float), table["standard_uncertainty_deg"].to_numpy(dtype=float)
    subject = table["subject"].to_numpy(dtype=int)
    patients, eyes = int(table["patient"].nunique()), len(np.unique(subject))
    if not eyes:
        what = "two usable pairs in one session" if over == "repeat" else "usable pairs in two sessions"
        none = unknown(0, f"No eye has {what}.")
        return Repeatability(over, posture, 0, 0, none, none, none, None)

    def statistic(rows: NDArray[np.intp]) -> NDArray[np.float64]:
        # A patient drawn twice counts as two: a new subject begins where the rows go back.
        fresh = subject[rows] + subject.size * np.cumsum(np.diff(rows, prepend=rows[0]) <= 0)
        parts = components(x[rows], fresh)
        return np.array([math.sqrt(parts.within), parts.icc])

    intervals = cluster_bootstrap(
        statistic, table["patient"].to_numpy(), rng=rng, resamples=resamples, spreads=(0,)
    )
    sd, icc = statistic(np.arange(x.size))
    short = f"An interval needs at least {FEWEST_PATIENTS} patients; there are {patients}."
    note = " ".join([*([short] if patients < FEWEST_PATIENTS else []), *_shared(table, eyes)])
    method = "one-way analysis of variance"
    by = f"{method}, jackknife over patients, log scale" if intervals[0] else method
    factor = multiplier * math.sqrt(2.0)
    wide = None if intervals[0] is None else (factor * intervals[0][0], factor * intervals[0][1])
    stated = math.sqrt(float(np.mean(u**2)))
    return Repeatability(
        over,
        posture,
        eyes,
        x.size,
        Estimate(float(sd), intervals[0], patients, by, note),
        Estimate(factor * float(sd), wide, patients, by, note),
        _icc(icc, intervals[1], patients, note, eyes)
        if posture == POSTURES[0]
        else unknown(patients, _STILL),
        float(sd) / stated if stated > 0.0 else None,
    )


_STILL = "Pairs of one posture hold no torsion that would tell eyes apart."


def _icc(value: float, interval: tuple[float, float] | None, patients: int, note: str, eyes: int) -> Estimate:
    if eyes < 2 or finite(value) is None:
        return unknown(patients, "An intraclass correlation needs two eyes that differ.")
    form = "ICC(1,1): one-way random effects, single value"
    return Estimate(value, interval, patients, form + (", bootstrap over patients" if interval else ""), note)


def _shared(table: "pd.DataFrame", eyes: int) -> list[str]:
    """Say where repeats are not independent, since the error of a photo that they share is shared too."""
    if not {"seated", "supine"} <= set(table.columns):  # as with means of sessions
        return []
    photos = table.melt("subject", ["seated", "supine"]).replace("", None).dropna()
    count = photos.loc[photos.duplicated(["subject", "value"]), "subject"].nunique()
    text = f"Repeats of {count} of {eyes} eyes share a photo; between fresh photos the scatter may differ."
    return [text] if count else []


def _grouped(data: "pd.DataFrame", over: Over, posture: str) -> "pd.DataFrame":
    """Rows of eyes with at least two values, with the number of their ``subject``, patients together."""
    used = data[data["usable"] & (data["posture"] == posture)]
    keys = _KEYS[over]
    if over == "session":
        columns = ["torsion_deg", "standard_uncertainty_deg"]
        used = used.groupby([*keys, "session"], as_index=False, sort=True)[columns].mean()
    sizes = used.groupby(keys)["torsion_deg"].transform("size")
    used = used[sizes >= 2].sort_values(keys, kind="stable").reset_index(drop=True)
    used["subject"] = used.groupby(keys, sort=True).ngroup()
    return used
