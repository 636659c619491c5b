"""Figures of a validation.  Shape, hatching and words carry what colour carries."""

from collections.abc import Sequence
from typing import Any

import numpy as np
from matplotlib.figure import Figure
from matplotlib.ticker import NullLocator

from torsion.cohort.panels import BLUE, GREEN, GREY, INK, PALE, VERMILION, dress, panel
from torsion.validate import Validation, bands_apart
from torsion.validate_checks import MAX_TURN_DEG, Answered
from torsion.validate_summary import closures, turned_errors
from torsion.wording import printable

__all__ = ["figures"]

_STYLES = {
    "turned ring": (BLUE, "-", "o"),
    "closure": (VERMILION, "--", "s"),
    "iris less limbus": (GREEN, ":", "^"),
}
_KINDS = {
    "same": ("one eye", BLUE, "o"),
    "different": ("different eyes", VERMILION, "x"),
}
_VERDICTS = {"accept": (BLUE, ""), "review": (PALE, "///"), "refuse": (VERMILION, "xx")}
_MOST_EYES = 24
_WIDTH = 5.2  # inches
_LEAST_DEG, _MOST_DEG = 0.01, 10.0  # ends of the logarithmic axes: a hundredth of a degree is nothing

Pairs = list[tuple[float, float]]


def figures(validation: Validation) -> dict[str, Figure]:
    """Draw what there are data for: ``eyes``, ``errors``, ``stated``, ``turned`` and ``evidence``."""
    errors = _errors(validation)
    drawn = {"eyes": _eyes_figure(validation)}
    if any(errors.values()):
        drawn["errors"] = _errors_figure(errors)
        drawn["stated"] = _stated_figure(errors)
    if errors["turned ring"]:
        drawn["turned"] = _turned_figure(validation.answers)
    if any(one.evidence is not None for one in validation.answers):
        drawn["evidence"] = _evidence_figure(validation.answers)
    return drawn


def _errors(validation: Validation) -> dict[str, Pairs]:
    """Known errors, each with its stated uncertainty, by what they are known from."""
    eyes: dict[str, list[int]] = {}
    for k, eye in enumerate(validation.eyes):
        eyes.setdefault(eye, []).append(k)
    around = [pair for photos in eyes.values() for pair in closures(validation.answers, photos)]
    return {
        "turned ring": [(error, stated) for _, error, stated in turned_errors(validation.answers)],
        "closure": around,
        "iris less limbus": bands_apart(validation.answers),
    }


def _eyes_figure(validation: Validation) -> Figure:
    """Draw the verdicts of each eye's pairs, the worst eyes first."""
    shown = [one for one in validation.by_eye if one.pairs][:_MOST_EYES]
    figure, axes = panel(_WIDTH, 1.4 + 0.26 * max(len(shown), 3))
    names = [printable(one.eye if len(one.eye) <= 22 else f"…{one.eye[-21:]}") for one in shown]
    left = np.zeros(len(shown))
    for verdict, (colour, hatch) in _VERDICTS.items():
        share = np.array([100.0 * getattr(one, verdict) / one.pairs for one in shown])
        axes.barh(range(len(shown)), share, 0.72, left=left, color=colour, hatch=hatch, edgecolor=INK,
                  linewidth=0.6, label=verdict)  # fmt: skip
        left = left + share
    for row, one in enumerate(shown):
        axes.text(101, row, f"{one.accept} of {one.pairs}", va="center", fontsize=8)
    axes.set_yticks(range(len(shown)), names, parse_math=False)
    axes.set_xlim(0, 100)
    axes.invert_yaxis()
    dress(axes, "pairs of one eye, %", "")
    figure.legend(frameon=False, fontsize=8, ncols=3, loc="outside upper center")
    return figure


def _errors_figure(errors: dict[str, Pairs]) -> Figure:
    """Draw the share of known errors up to each size."""
    figure, axes = panel(_WIDTH, 3.3)
    for name, pairs in errors.items():
        if pairs:
            colour, line, _ = _STYLES[name]
            size = np.sort(np.clip(np.abs([error for error, _ in pairs]), _LEAST_DEG, _MOST_DEG))
            share = 100.0 * np.arange(1, size.size + 1) / size.size
            x, y = np.concatenate([[size[0]], size, [_MOST_DEG]]), np.concatenate([[0.0], share, [100.0]])
            axes.step(x, y, where="post", color=colour, ls=line, lw=1.8, label=f"{name} (n = {size.size})")
    axes.axhline(95, color=GREY, lw=0.7)
    axes.axvline(1.0, color=GREY, lw=0.7)
    axes.set_xscale("log")
    _degrees(axes.xaxis)
    axes.set_xlim(_LEAST_DEG, _MOST_DEG)
    axes.set_ylim(0, 101)
    dress(axes, "size of the error, degrees", "up to so much, %")
    axes.legend(frameon=False, fontsize=8, loc="lower right")
    return figure


def _stated_figure(errors: dict[str, Pairs]) -> Figure:
    """Draw each known error against what was stated for it."""
    figure, axes = panel(_WIDTH, 3.7)
    ends = np.array([_LEAST_DEG, _MOST_DEG])
    for times, style in ((1.0, "-"), (3.0, "--")):
        axes.plot(ends, times * ends, color=INK, lw=1.0, ls=style)
    axes.fill_between(ends, 3.0 * ends, 100.0, color=VERMILION, alpha=0.12, lw=0.0)
    for name, pairs in errors.items():
        if pairs:
            colour, _, marker = _STYLES[name]
            error, stated = np.abs(np.array(pairs)).T
            axes.plot(np.clip(stated, *ends), np.clip(error, *ends), marker, ms=3.5, mfc="none", mec=colour,
                      mew=0.8, ls="none", label=name)  # fmt: skip
    axes.text(0.013, 6.0, "too sure: over 3 times the stated", fontsize=8, va="center", color=INK)
    axes.text(9.0, 2.4, "as stated", fontsize=8, ha="right", va="top", color=INK)
    axes.set(xscale="log", yscale="log", xlim=ends, ylim=ends)
    _degrees(axes.xaxis)
    _degrees(axes.yaxis)
    dress(axes, "stated standard uncertainty, degrees", "found error, degrees")
    axes.legend(frameon=False, fontsize=8, loc="lower right")
    return figure


def _turned_figure(answers: Sequence[Answered]) -> Figure:
    """Draw the error of each turned ring against its turn, with the stated uncertainty."""
    figure, axes = panel(_WIDTH, 3.3)
    found = turned_errors(answers)
    turn = [check.turned_deg for check, _, _ in found]
    error, stated = np.array([[error, stated] for _, error, stated in found]).T
    axes.errorbar(turn, error, yerr=2.0 * stated, fmt="o", ms=4, mfc="none", color=BLUE, ecolor=GREY, lw=0.8)
    axes.axhline(0.0, color=INK, lw=0.8)
    axes.set_xlim(-MAX_TURN_DEG - 1, MAX_TURN_DEG + 1)
    reach = 1.15 * max(0.3, float(np.max(np.abs(error) + 2.0 * stated)))
    axes.set_ylim(-reach, reach)
    dress(axes, "turn put in, degrees (counter-clockwise +)", "answer less turn, degrees")
    return figure


def _evidence_figure(answers: Sequence[Answered]) -> Figure:
    """Draw what tells one eye from different eyes: match, and lead over the best rival rotation."""
    figure, axes = panel(_WIDTH, 3.7)
    for kind, (name, colour, marker) in _KINDS.items():
        points = [
            (one.evidence, one.margin)
            for one in answers
            if one.check.kind == kind and one.evidence is not None and one.margin is not None
        ]
        if points:
            x, y = np.array(points).T
            axes.plot(x, y, marker, ms=4, mfc="none", mec=colour, mew=0.9, ls="none",
                      label=f"{name} (n = {len(points)})", alpha=0.8)  # fmt: skip
    dress(axes, "match: mean correlation of patches", "lead over the best rival rotation")
    axes.legend(frameon=False, fontsize=8, loc="upper left")
    return figure


def _degrees(axis: Any) -> None:  # noqa: ANN401 - as matplotlib
    axis.set_ticks([0.01, 0.03, 0.1, 0.3, 1.0, 3.0, 10.0], ["≤ 0.01", "0.03", "0.1", "0.3", "1", "3", "≥ 10"])
    axis.set_minor_locator(NullLocator())
