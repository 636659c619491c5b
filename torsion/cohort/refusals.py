"""Refusals: pairs without a usable rotation, why, and whether that depends on how far the eye turned."""

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from torsion.cohort.clusters import clustered_share
from torsion.cohort.columns import POSTURES
from torsion.cohort.estimates import Estimate, unknown
from torsion.cohort.moments import THRESHOLDS_DEG
from torsion.cohort.observations import method_columns
from torsion.flags import FLAGS

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["Refusals", "Selection", "refusals"]

# Patients with a known size, and refused pairs among theirs (common practice, no source).
_FEWEST_KNOWN = 10
_FEWEST_REFUSED = 5


@dataclass(frozen=True, slots=True)
class Selection:
    """Whether pairs that were refused had turned further.

    Attributes
    ----------
    known_by : str
        Where the size of refused pairs is known from: another method's column, or other pairs of the same
        eye.
    pairs, refused : int
        Seated-supine pairs of known size, and how many of them were refused.
    per_degree : Estimate
        Change of the share refused with each degree of torsion; 0 without selection.
    sentence : str
        The same said aloud.
    """

    known_by: str
    pairs: int
    refused: int
    per_degree: Estimate
    sentence: str


@dataclass(frozen=True, slots=True)
class Refusals:
    """What became of the pairs.

    Attributes
    ----------
    pairs, usable : int
    refused : Estimate
        Share of pairs without a usable rotation, input errors included.
    verdicts : dict
        Verdict -> pairs; ``error`` where the input could not be used.
    reasons : dict
        Why pairs were not usable -> pairs, most frequent first; a pair may have several reasons.
    bounds : dict
        Threshold in degrees -> lowest and highest share of eyes at or above it, whatever eyes without a
        usable pair would have shown.
    selection : Selection
    """

    pairs: int
    usable: int
    refused: Estimate
    verdicts: dict[str, int]
    reasons: dict[str, int]
    bounds: dict[str, tuple[float, float]]
    selection: Selection


def refusals(data: "pd.DataFrame", eyes: "pd.DataFrame") -> Refusals:
    """Count what was not usable, and look for selection.

    Parameters
    ----------
    data : DataFrame
        Of `torsion.cohort.observations.observations`.
    eyes : DataFrame
        Of `torsion.cohort.observations.eyes`.

    Returns
    -------
    Refusals
    """
    lost = data[~data["usable"]]
    verdicts = data["verdict"].where(data["verdict"] != "", "error").value_counts()
    order = [name for name in ("accept", "review", "refuse", "error") if name in verdicts]
    return Refusals(
        pairs=len(data),
        usable=int(data["usable"].sum()),
        refused=clustered_share(~data["usable"].to_numpy(dtype=bool), data["patient"].to_numpy()),
        verdicts={name: int(verdicts[name]) for name in order},
        reasons=_reasons(lost),
        bounds=_bounds(data, eyes),
        selection=_selection(data),
    )


def _reasons(lost: "pd.DataFrame") -> dict[str, int]:
    counts: dict[str, int] = {}
    for flags, reason in zip(lost["flags"], lost["reason"], strict=True):
        named = [name for name in flags.split(";") if name in FLAGS and FLAGS[name].verdict == "refuse"]
        for name in named or [_kind(reason)]:
            counts[name] = counts.get(name, 0) + 1
    return dict(sorted(counts.items(), key=lambda item: (-item[1], item[0])))


def _kind(reason: str) -> str:
    return "the input could not be used" if reason else "left out by its verdict"


def _bounds(data: "pd.DataFrame", eyes: "pd.DataFrame") -> dict[str, tuple[float, float]]:
    """Shares if every eye without a usable pair lay below, or at and above, the threshold."""
    moved = data[data["posture"] == POSTURES[0]]
    everyone = len(moved[["patient", "eye"]].drop_duplicates())
    if not everyone:
        return {}
    size, unknown_eyes = eyes["torsion_deg"].abs(), everyone - len(eyes)
    hits = {f"{limit:g}": int((size >= limit).sum()) for limit in THRESHOLDS_DEG}
    return {name: (count / everyone, (count + unknown_eyes) / everyone) for name, count in hits.items()}


def _selection(data: "pd.DataFrame") -> Selection:
    moved = data[data["posture"] == POSTURES[0]].reset_index(drop=True)
    lost = ~moved["usable"].to_numpy(dtype=bool)
    if moved.empty:
        sentence = "No pair goes from seated to supine, so no torsion is missing from these figures."
        return Selection("", 0, 0, unknown(0, sentence), sentence)
    if not lost.any():
        sentence = "Every seated-supine pair gave a rotation, so no torsion is missing from these figures."
        return Selection("", len(moved), 0, unknown(len(moved), sentence), sentence)
    best: Selection | None = None
    for name, size in _known_sizes(moved):
        found = _trend(name, np.abs(size), lost, moved["patient"].to_numpy(dtype=str))
        if found.per_degree.value is not None:
            return found
        best = best or found
    if best is not None:
        return best
    sentence = (
        "Whether the refused pairs had turned further is not known: no other method and no second pair "
        "tells. The figures hold for the pairs that could be measured."
    )
    return Selection("", 0, 0, unknown(0, sentence), sentence)


def _known_sizes(moved: "pd.DataFrame") -> list[tuple[str, NDArray[np.float64]]]:
    """Sizes of pairs known without their own measurement, best source first."""
    import pandas as pd

    sources = [
        (name, pd.to_numeric(moved[name], errors="coerce").to_numpy(dtype=float))
        for name in method_columns(moved)
    ]
    value = moved["torsion_deg"].where(moved["usable"])
    groups = value.groupby([moved["patient"], moved["eye"]])
    others = groups.transform("count") - value.notna()
    total = groups.transform("sum") - value.fillna(0.0)
    sources.append(("other pairs of the same eye", (total / others.where(others > 0)).to_numpy(dtype=float)))
    return [(name, size) for name, size in sources if np.isfinite(size).any()]


def _trend(
    name: str, size: NDArray[np.float64], lost: NDArray[np.bool_], patients: NDArray[np.str_]
) -> Selection:
    from statsmodels.api import OLS, add_constant

    known = np.isfinite(size)
    x, y = size[known], lost[known].astype(float)
    groups = np.unique(patients[known], return_inverse=True)[1]
    n, refused = (int(groups.max()) + 1 if groups.size else 0), int(y.sum())
    if n < _FEWEST_KNOWN or refused < _FEWEST_REFUSED or refused == y.size or np.ptp(x) == 0.0:
        sentence = (
            f"Whether the refused pairs had turned further cannot be told: the size of only {refused} of "
            f"them is known ({name.removeprefix('method.')}). The figures hold for the pairs that could be "
            "measured."
        )
        return Selection(name, y.size, refused, unknown(n, sentence), sentence)
    fit = OLS(y, add_constant(x)).fit(cov_type="cluster", cov_kwds={"groups": groups}, use_t=True)
    low, high = (float(end) for end in fit.conf_int()[1])
    slope = float(fit.params[1])
    effect = Estimate(slope, (low, high), n, "linear probability, variance robust to clusters")
    return Selection(name, y.size, refused, effect, _said(name, slope, low, high))


def _said(name: str, slope: float, low: float, high: float) -> str:
    interval = f"95 % interval {100 * low:+.1f} to {100 * high:+.1f}; sizes by {name.removeprefix('method.')}"
    size = f"{100 * slope:+.1f} percentage points a degree ({interval})".replace("-", "−")
    if low > 0.0:
        return f"Pairs that turned further were refused more often, {size}: large torsion is understated."
    if high < 0.0:
        return f"Pairs that turned further were refused less often, {size}: large torsion is overstated."
    return (
        f"No sign that refusal depends on torsion, {size}; a dependence within that interval is not excluded."
    )
