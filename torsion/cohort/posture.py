"""Posture: what exceeds the control pairs, in which posture does not change.

Two photos of one posture also differ: by the measurement, the head, the camera and the eye's fixation.  A
pair is the difference of two photos.  So these alone give a seated-supine pair half the variance of a
seated-seated control plus half that of a supine-supine one; posture adds to that.
"""

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from torsion.cohort.columns import POSTURES
from torsion.cohort.estimates import Estimate, finite, unknown
from torsion.cohort.resampling import bootstrapped

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["Posture", "posture_effect"]

_FEWEST_PAIRS = 3


@dataclass(frozen=True, slots=True)
class Posture:
    """Posture's own part of the torsion, degrees.

    Attributes
    ----------
    of, pairs : dict
        Number of pairs of each kind, and of the usable ones among them.
    control_rms_deg : dict
        Root mean square of each kind of control: what one must expect without a change of posture.
    mean_deg : Estimate
        Mean of the seated-supine pairs less that of the controls, excyclo-positive.
    absolute_mean_deg : Estimate
        The same of the sizes.
    sd_deg : Estimate
        Spread that posture adds, the controls' variance taken out.
    note : str
    """

    of: dict[str, int]
    pairs: dict[str, int]
    control_rms_deg: dict[str, float | None]
    mean_deg: Estimate
    absolute_mean_deg: Estimate
    sd_deg: Estimate
    note: str


def posture_effect(data: "pd.DataFrame", *, rng: np.random.Generator, resamples: int = 2000) -> Posture:
    """Take what the controls show out of the seated-supine pairs.

    Parameters
    ----------
    data : DataFrame
        Of `torsion.cohort.observations.observations`.
    rng : Generator
        For the bootstrap over patients.
    resamples : int, optional

    Returns
    -------
    Posture
        Without numbers where there are fewer than 3 seated-supine or 3 control pairs.
    """
    used = data[data["usable"]]
    x, kind = used["torsion_deg"].to_numpy(dtype=float), used["posture"].to_numpy(dtype=str)
    given = {name: int(np.sum(data["posture"] == name)) for name in POSTURES}
    counts = {name: int(np.sum(kind == name)) for name in POSTURES}
    rms = {name: finite(_rms(x[kind == name])) for name in POSTURES[1:]}
    patients = int(used["patient"].nunique())
    controls = [name for name in POSTURES[1:] if counts[name] >= _FEWEST_PAIRS]
    if counts[POSTURES[0]] < _FEWEST_PAIRS or not controls:
        needs = (
            f"This needs at least {_FEWEST_PAIRS} seated-supine pairs and as many controls of one posture."
        )
        none, moved = unknown(patients, needs), counts[POSTURES[0]]
        said = needs if controls else _MOVED_ONLY
        return Posture(given, counts, rms, none, none, none, said if moved else _CONTROLS_ONLY)

    def statistic(rows: NDArray[np.intp]) -> NDArray[np.float64]:
        return _effect(x[rows], kind[rows], controls)

    found = bootstrapped(statistic, used["patient"].to_numpy(), rng=rng, resamples=resamples, spreads=(2,))
    one = f"Only {controls[0]} controls: the other posture is taken to scatter as much."
    note = "" if len(controls) == 2 else one
    return Posture(given, counts, rms, found[0], found[1], found[2], note)


_MOVED_ONLY = (
    f"With fewer than {_FEWEST_PAIRS} usable control pairs of one posture the torsion found holds what head, "
    "camera and fixation add between any two photos."
)
_CONTROLS_ONLY = (
    "No usable pair goes from seated to supine: these pairs show what head, camera and fixation add between "
    "any two photos, and nothing about posture."
)


def _effect(x: NDArray[np.float64], kind: NDArray[np.str_], controls: list[str]) -> NDArray[np.float64]:
    moved = x[kind == POSTURES[0]]
    still = [x[kind == name] for name in controls]
    if moved.size < 2 or any(part.size == 0 for part in still):
        return np.full(3, np.nan)
    # The order of two photos of one posture is arbitrary, hence squares about zero.
    expected = float(np.mean([np.mean(part**2) for part in still]))
    excess = float(np.var(moved, ddof=1)) - expected
    return np.array(
        [
            np.mean(moved) - np.mean([np.mean(part) for part in still]),
            np.mean(np.abs(moved)) - np.mean([np.mean(np.abs(part)) for part in still]),
            math.sqrt(max(0.0, excess)),
        ]
    )


def _rms(x: NDArray[np.float64]) -> float:
    return math.sqrt(float(np.mean(x**2))) if x.size else math.nan
