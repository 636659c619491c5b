"""Statistics of a cohort: everything that `summary.json` and the report say, in one result."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from torsion.cohort.agreement import Agreement, agreement
from torsion.cohort.binocular import Binocular, both_eyes, pairs_of_eyes
from torsion.cohort.columns import POSTURES
from torsion.cohort.dependence import Dependence, dependence
from torsion.cohort.estimates import plain
from torsion.cohort.moments import Moments, describe
from torsion.cohort.observations import eyes, method_columns, observations
from torsion.cohort.posture import Posture, posture_effect
from torsion.cohort.refusals import Refusals, refusals
from torsion.cohort.repeatability import Over, Repeatability, repeatability
from torsion.cohort.sample_size import (
    patients_for_limits,
    patients_for_mean,
    subjects_for_icc,
    subjects_for_within_sd,
)
from torsion.flags import Verdict

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["SUMMARY_SCHEMA", "Needed", "Summary", "summarise"]

SUMMARY_SCHEMA = "torsion/cohort-summary/1"
SIGN = (
    "Torsion is excyclo-positive: the rotation in the camera's frame (counter-clockwise positive, as the "
    "examiner sees the photo) in a right eye, its negative in a left eye."
)
_HALF_WIDTHS_DEG = (0.25, 0.5, 1.0)
_SEED = 20

_FEWEST_IN_HEAD = 3


@dataclass(frozen=True, slots=True)
class Needed:
    """Patients that a next study needs for a wanted 95 % interval, given the spread found here.

    Attributes
    ----------
    half_width_deg : float
        Wanted half width, degrees.
    mean_one_eye, mean_both_eyes : int or None
        For the mean torsion, one eye or both eyes a patient.
    limits : dict
        Method -> for its limits of agreement, one pair a patient.
    """

    half_width_deg: float
    mean_one_eye: int | None
    mean_both_eyes: int | None
    limits: dict[str, int]


@dataclass(frozen=True, slots=True)
class Summary:
    """Statistics of a cohort; angles in degrees, torsion excyclo-positive.

    Attributes
    ----------
    torsion : Moments
        One value an eye, the mean of its usable seated-supine pairs.
    accepted_only : Moments
        The same from pairs with the verdict ``accept`` alone.
    right, left : Moments
        The same by eye.
    in_head : Moments or None
        The same against a line of the head, where the manifest gives level points.
    both_eyes : Binocular
    posture : Posture
    repeatability : tuple of Repeatability
        For each posture that was repeated, within a session and between sessions.
    agreement : dict
        Column of the manifest -> the other method against the photographs.
    dependence : tuple of Dependence
    refusals : Refusals
    sample_size : tuple of Needed
    subjects_for_within_sd : int
        To know the within-subject standard deviation within a tenth, two values each.
    subjects_for_icc : int or None
        To know the intraclass correlation found within ± 0.1, two values each.
    repeated_rows : int
        Rows left out because they hold the photos of an earlier one.
    verdicts_used : tuple of str
    resamples : int
        Of the bootstrap.
    """

    torsion: Moments
    accepted_only: Moments
    right: Moments
    left: Moments
    in_head: Moments | None
    both_eyes: Binocular
    posture: Posture
    repeatability: tuple[Repeatability, ...]
    agreement: dict[str, Agreement]
    dependence: tuple[Dependence, ...]
    refusals: Refusals
    sample_size: tuple[Needed, ...]
    subjects_for_within_sd: int
    subjects_for_icc: int | None
    repeated_rows: int
    verdicts_used: tuple[str, ...]
    resamples: int

    def to_dict(self) -> dict[str, Any]:
        """Fields for ``summary.json``: plain values, no NaN, the sign convention said."""
        fields = plain(self)
        assert isinstance(fields, dict)
        return {"schema": SUMMARY_SCHEMA, "sign": SIGN, **fields}


def summarise(
    table: "pd.DataFrame",
    *,
    methods: Sequence[str] | None = None,
    verdicts: Sequence[Verdict] = ("accept", "review"),
    rng: np.random.Generator | None = None,
    resamples: int = 2000,
) -> Summary:
    """Compute the statistics of a cohort.

    Parameters
    ----------
    table : DataFrame
        Results, one row for each pair of photos: columns of the manifest and of the flattened records.
        Cells may be text.  `torsion.cohort.observations.observations` says which columns are needed.
    methods : sequence of str, optional
        Columns that hold another method's degrees; those that begin with ``method.`` without it.
    verdicts : sequence of {"accept", "review", "refuse"}, optional
        Which measurements count.
    rng : Generator, optional
        For the bootstrap; without it a new one from a fixed seed, so that the same table gives the same
        summary.
    resamples : int, optional
        Of the bootstrap.

    Returns
    -------
    Summary
        A number that the table does not give is None, and a sentence says why.

    Raises
    ------
    TorsionError
        If a column is missing or a cell cannot be read.
    """
    rng = np.random.default_rng(_SEED) if rng is None else rng
    data = observations(table, verdicts=verdicts)
    by_eye = eyes(data)
    accepted = eyes(observations(table, verdicts=("accept",)))
    torsion = describe(by_eye, rng=rng, resamples=resamples)
    strict = torsion if accepted.equals(by_eye) else describe(accepted, rng=rng, resamples=resamples)
    repeats = _repeats(data, rng, resamples)
    names = method_columns(data) if methods is None else tuple(methods)
    agreements = {name: agreement(data, name) for name in names}
    icc = next((one.icc.value for one in repeats if one.over == "repeat"), None)
    return Summary(
        torsion=torsion,
        accepted_only=strict,
        right=describe(by_eye[by_eye["eye"] == "OD"], rng=rng, resamples=resamples),
        left=describe(by_eye[by_eye["eye"] == "OS"], rng=rng, resamples=resamples),
        in_head=_in_head(data, rng, resamples),
        both_eyes=both_eyes(pairs_of_eyes(by_eye), rng=rng, resamples=resamples),
        posture=posture_effect(data, rng=rng, resamples=resamples),
        repeatability=repeats,
        agreement=agreements,
        dependence=dependence(data),
        refusals=refusals(data, by_eye),
        sample_size=tuple(_needed(torsion, agreements, half) for half in _HALF_WIDTHS_DEG),
        subjects_for_within_sd=subjects_for_within_sd(0.1),
        subjects_for_icc=None if icc is None or not 0.0 <= icc < 1.0 else subjects_for_icc(icc, 0.2),
        repeated_rows=len(table) - len(data),
        verdicts_used=tuple(verdicts),
        resamples=resamples,
    )


def _repeats(data: "pd.DataFrame", rng: np.random.Generator, resamples: int) -> tuple[Repeatability, ...]:
    """Repeatability of whatever was repeated; that of seated-supine pairs is always there."""
    kinds: tuple[Over, ...] = ("repeat", "session")
    found = [
        repeatability(data, rng=rng, over=over, posture=posture, resamples=resamples)
        for posture in POSTURES
        for over in kinds
    ]
    return tuple(one for one in found if one.eyes or (one.over == "repeat" and one.posture == POSTURES[0]))


def _in_head(data: "pd.DataFrame", rng: np.random.Generator, resamples: int) -> Moments | None:
    known = data[data["in_head_deg"].notna()].drop(columns=["torsion_deg"])
    by_eye = eyes(known.rename(columns={"in_head_deg": "torsion_deg"}))
    if len(by_eye) < _FEWEST_IN_HEAD:
        return None
    return describe(by_eye, rng=rng, resamples=resamples)


def _needed(torsion: Moments, agreements: dict[str, Agreement], half_width_deg: float) -> Needed:
    sd, between = torsion.sd_deg.value, torsion.between_eyes
    limits = {
        name: patients_for_limits(found.sd, half_width_deg)
        for name, found in agreements.items()
        if found.sd is not None
    }
    if sd is None:
        return Needed(half_width_deg, None, None, limits)
    one = patients_for_mean(sd, half_width_deg)
    both = None if between is None else patients_for_mean(sd, half_width_deg, both_eyes=between)
    return Needed(half_width_deg, one, both, limits)
