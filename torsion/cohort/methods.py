"""Methods: the paragraph of a paper with the cohort's figures filled in, ready to be edited."""

from torsion._version import __version__
from torsion.cohort.columns import POSTURES
from torsion.cohort.estimates import Estimate
from torsion.cohort.repeatability import Repeatability
from torsion.cohort.statistics import Summary

__all__ = [
    "count",
    "degrees",
    "headline",
    "is_of_controls",
    "main_repeats",
    "methods_paragraphs",
    "percent",
    "plain_number",
]

_WITHIN = (
    "Repeatability is the within-subject standard deviation by one-way analysis of variance and 1.96 √2 "
    "times it"
)


def degrees(one: Estimate, *, signed: bool = False) -> str:
    """Write an estimate in degrees with its interval.

    Examples
    --------
    >>> degrees(Estimate(1.234, (-0.5, 3.0), 20), signed=True), degrees(Estimate(None, None, 0))
    ('+1.23° (95 % CI −0.50 to +3.00)', 'not known')
    """
    if one.value is None:
        return "not known"
    form = "+.2f" if signed else ".2f"
    value, *ends = [round(number, 2) + 0.0 for number in (one.value, *(one.interval_95 or ()))]  # no -0.00
    text = f"{value:{form}}°"
    if ends:
        text += f" (95 % CI {ends[0]:{form}} to {ends[1]:{form}})"
    return text.replace("-", "−")


def percent(one: Estimate) -> str:
    """Write a share in per cent with its interval.

    Examples
    --------
    >>> percent(Estimate(0.636, (0.54, 0.72), 107))
    '64 % (95 % CI 54 to 72)'
    """
    if one.value is None:
        return "not known"
    text = f"{100.0 * one.value:.0f} %"
    if one.interval_95 is not None:
        text += f" (95 % CI {100.0 * one.interval_95[0]:.0f} to {100.0 * one.interval_95[1]:.0f})"
    return text


def headline(summary: Summary) -> str:
    """Say the main finding in two sentences."""
    torsion = summary.torsion
    if is_of_controls(summary):
        return _still_words(summary)
    if torsion.mean_deg.value is None:
        return (
            f"{count(torsion.eyes, 'eye')} of {count(torsion.patients, 'patient')}: too few for a mean "
            "with an interval."
        )
    low, high = torsion.mean_deg.interval_95 or (0.0, 0.0)
    mean = abs(torsion.mean_deg.value)
    sense = "excyclo" if low > 0.0 else "incyclo" if high < 0.0 else "in no preferred sense"
    average = f"by {mean:.1f}° {sense} on average" if low > 0.0 or high < 0.0 else f"{sense} on average"
    size = torsion.absolute_mean_deg.value or 0.0
    share = torsion.shares.get("3", Estimate(None, None, 0)).value
    text = f"Eyes turned {average}, and by {size:.1f}° whatever the sense"
    text += "." if share is None else f"; {100.0 * share:.0f} % turned by 3° or more."
    return f"{text} {_common_words(summary)}".strip()


def main_repeats(summary: Summary) -> Repeatability | None:
    """Repeatability of repeats: of seated-supine pairs where there are any, else of controls."""
    found = [one for one in summary.repeatability if one.eyes and one.over == "repeat"]
    return min(found, key=lambda one: POSTURES.index(one.posture), default=None)


def is_of_controls(summary: Summary) -> bool:
    """Say whether all pairs are of one posture, so that they tell of repeatability and not of torsion."""
    return not summary.posture.of[POSTURES[0]]


def methods_paragraphs(summary: Summary) -> list[str]:
    """Write the methods section and its main results.

    Parameters
    ----------
    summary : Summary

    Returns
    -------
    list of str
        Paragraphs of plain text.  What only the authors know stands in square brackets.
    """
    if is_of_controls(summary):
        return [_measured(summary), _repeats_analysed(summary), *_further(summary)]
    return [_measured(summary), _analysed(summary), _found(summary), *_further(summary)]


def _measured(summary: Summary) -> str:
    refused, rows = summary.refusals, summary.repeated_rows
    repeated = f" ({count(rows, 'further row')} of the list held photographs again)" if rows else ""
    postures = "repeatedly in one posture" if is_of_controls(summary) else "seated and supine"
    return (
        f"Each eye was photographed {postures} with [camera, lens, light, distance, fixation]; "
        "[drops and anaesthesia]. The rotation between both photographs was measured by registration of "
        f"the iris and of the limbal vessels (torsion {__version__}), which states a standard uncertainty "
        "for every pair and refuses pairs that do not match. Pairs with the verdict "
        f"{' or '.join(summary.verdicts_used)} were used. "
        f"Of {count(refused.pairs, 'pair')}, {refused.pairs - refused.usable} gave no usable rotation"
        f"{repeated}. "
        "[Blinding, time between the photographs, consent and approval.]"
    )


def _analysed(summary: Summary) -> str:
    """Say how the figures were found; a method only where a figure was found by it."""
    torsion = summary.torsion
    said = [
        "Torsion is stated excyclo-positive in each eye (counter-clockwise in right, clockwise in left eyes, "
        "as the examiner sees the photograph). Several pairs of one eye were averaged.",
        _intervals(summary),
    ]
    if torsion.true_sd_deg.value is not None:
        said.append("The variance of the measurement was taken out of spread and mean absolute value.")
    if summary.both_eyes.symmetric.mean_deg.value is not None:
        said.append(
            "With r and l both eyes' rotations in the picture, common rotation (head tilt, camera roll) "
            "is (r + l)/2 and symmetric cyclotorsion (r − l)/2."
        )
    if any(one.within_sd_deg.value is not None for one in summary.repeatability):
        said.append(f"{_WITHIN}.")
    if any(one.icc.value is not None for one in summary.repeatability):
        said.append("The intraclass correlation is the form (1,1).")
    if any(one.sd is not None for one in summary.agreement.values()):
        said.append("Limits of agreement are mean ± 1.96 SD with variance between and within patients.")
    if any(one.p_adjusted is not None for one in summary.dependence):
        said.append("p values for several covariates were adjusted by Holm's method.")
    return " ".join(one for one in said if one)


def _intervals(summary: Summary) -> str:
    """Say by which method each kind of interval was found, and nothing where there is none."""
    torsion = summary.torsion
    of_shares = any(one.interval_95 is not None for one in torsion.shares.values())
    methods = {
        "the mean by a linear mixed model with a random effect of the patient whose correlation between the "
        "eyes may be negative": torsion.mean_deg.interval_95,
        "shares by Wilson's interval with the design effect": of_shares,
        "standard deviations and agreement by the jackknife over patients": torsion.sd_deg.interval_95,
        "all other intervals by a bias-corrected and accelerated bootstrap over patients "
        f"({summary.resamples} resamples)": torsion.absolute_mean_deg.interval_95,
    }
    used = [words for words, interval in methods.items() if interval]
    return f"Both eyes of a patient were handled as clustered: {', '.join(used)}." if used else ""


def _repeats_analysed(summary: Summary) -> str:
    return (
        f"{_WITHIN}, with intervals by the jackknife over patients. It holds what head, camera and fixation "
        "add between two photographs of one posture, and the measurement."
    )


def _found(summary: Summary) -> str:
    torsion = summary.torsion
    shares = ", ".join(f"{name}° or more in {percent(one)}" for name, one in torsion.shares.items())
    reach = (
        ""
        if torsion.range_deg is None
        else f", range {torsion.range_deg[0]:.1f}° to {torsion.range_deg[1]:.1f}°"
    )
    return (
        f"{count(torsion.eyes, 'eye')} of {count(torsion.patients, 'patient')} "
        f"{'was' if torsion.eyes == 1 else 'were'} analysed. Mean torsion was "
        f"{degrees(torsion.mean_deg, signed=True)}, SD {degrees(torsion.sd_deg)}, median "
        f"{degrees(torsion.median_deg, signed=True)}{reach.replace('-', '−')}; mean absolute torsion "
        f"{degrees(torsion.absolute_mean_deg)}. Without the measurement's variance the SD was "
        f"{degrees(torsion.true_sd_deg)} and the mean absolute torsion "
        f"{degrees(torsion.true_absolute_mean_deg)}. "
        f"Torsion was {shares}. Excyclotorsion was found in {percent(torsion.excyclo)} of eyes, "
        f"incyclotorsion in {percent(torsion.incyclo)}, none beyond two standard uncertainties in "
        f"{percent(torsion.none)}."
    )


def _further(summary: Summary) -> list[str]:
    found = []
    both = summary.both_eyes
    if both.symmetric.mean_deg.value is not None:
        found.append(
            f"In {count(both.patients, 'patient')} with both eyes symmetric cyclotorsion was "
            f"{degrees(both.symmetric.mean_deg, signed=True)}, SD {degrees(both.symmetric.sd_deg)}; common "
            f"rotation {degrees(both.common.mean_deg, signed=True)}, SD {degrees(both.common.sd_deg)}."
        )
    if summary.posture.sd_deg.value is not None:
        found.append(
            f"Beyond the control pairs, posture added {degrees(summary.posture.sd_deg)} of spread and "
            f"{degrees(summary.posture.absolute_mean_deg, signed=True)} of mean absolute torsion."
        )
    for one in summary.repeatability:
        if one.eyes:
            found.append(
                f"Repeats ({one.posture}, {one.over}s, {count(one.eyes, 'eye')}): within-subject SD "
                f"{degrees(one.within_sd_deg)}, repeatability coefficient {degrees(one.coefficient_deg)}"
                + (f", ICC(1,1) {plain_number(one.icc)}." if one.posture == POSTURES[0] else ".")
            )
    for name, method in summary.agreement.items():
        if method.sd is not None:
            found.append(
                f"{name.removeprefix('method.')} minus photographs ({count(method.pairs, 'pair')}): bias "
                f"{degrees(method.bias, signed=True)}, limits of agreement "
                f"{degrees(method.lower, signed=True)} and {degrees(method.upper, signed=True)}."
            )
    return [*found, summary.refusals.selection.sentence]


def _still_words(summary: Summary) -> str:
    counts = summary.posture.of
    kinds = " and ".join(f"{number} {name}" for name, number in counts.items() if number)
    text = f"{kinds} pairs, none from seated to supine: they tell of repeatability, not of torsion."
    repeats = main_repeats(summary)
    if repeats is None or repeats.coefficient_deg.value is None:
        return text
    size = repeats.coefficient_deg.value
    return f"{text} Two values of an eye differ by less than {size:.2f}° in 95 of 100 cases."


def _common_words(summary: Summary) -> str:
    common, symmetric = summary.both_eyes.common.sd_deg.value, summary.both_eyes.symmetric.sd_deg.value
    if common is None or symmetric is None or common + symmetric == 0.0:
        return ""
    share = 100.0 * common**2 / (common**2 + symmetric**2)
    return (
        f"{share:.0f} % of the variance in patients with both eyes is common rotation: head tilt or camera "
        "roll, not torsion."
    )


def count(number: int, noun: str) -> str:
    """Write a number with its noun.

    Examples
    --------
    >>> count(1, "eye"), count(0, "pair")
    ('1 eye', '0 pairs')
    """
    return f"{number} {noun}" if number == 1 else f"{number} {noun}s"


def plain_number(one: Estimate) -> str:
    """Write an estimate without a unit, with its interval."""
    if one.value is None:
        return "not known"
    interval = (
        "" if one.interval_95 is None else f" (95 % CI {one.interval_95[0]:.2f} to {one.interval_95[1]:.2f})"
    )
    return f"{one.value:.2f}{interval}".replace("-", "−")
