"""Figures of a cohort, fit for print.  Shape, hatching and words carry what colour carries."""

import math
import textwrap
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from torsion.cohort.agreement import Agreement
from torsion.cohort.columns import POSTURES
from torsion.cohort.moments import THRESHOLDS_DEG, Moments
from torsion.cohort.panels import (
    EYE_STYLE,
    GREY,
    INK,
    PALE,
    TURN_STYLE,
    WIDTH,
    dots,
    dress,
    panel,
    write,
)
from torsion.cohort.refusals import Refusals
from torsion.cohort.repeatability import Repeatability
from torsion.flags import FLAGS
from torsion.quantiles import COVERAGE

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.figure import Figure

__all__ = [
    "agreement_figure",
    "dial_figure",
    "histogram_figure",
    "posture_figure",
    "refusals_figure",
    "repeats_figure",
    "right_left_figure",
]

_DIAL_DEG = 15.0  # of torsion are drawn as a quarter turn; twice or more as much where an eye turned further


def histogram_figure(eyes: "pd.DataFrame", found: Moments) -> "Figure":
    """Draw how many eyes turned how far: excyclotorsion to the right, incyclotorsion hatched to the left."""
    from matplotlib.ticker import MaxNLocator

    x = eyes["torsion_deg"].to_numpy(dtype=float)
    figure, axes = panel(WIDTH, 3.4)
    reach = max(5.0, math.ceil(float(np.max(np.abs(x), initial=0.0))) + 0.5)
    step = 1.0 if reach <= 20.0 else 2.0
    edges = np.arange(0.0, reach + step, step)
    right, left = np.histogram(x[x >= 0.0], edges)[0], np.histogram(-x[x < 0.0], edges)[0]
    middle = (edges[:-1] + edges[1:]) / 2.0
    for (turn, (colour, hatch)), at, count in zip(
        TURN_STYLE.items(), (middle, -middle), (right, left), strict=True
    ):
        axes.bar(at, count, step, color=colour, edgecolor="white", hatch=hatch, label=turn)
    top = max(1, int(max(right.max(initial=0), left.max(initial=0))))
    for limit in THRESHOLDS_DEG:
        if limit < reach:
            for side in (limit, -limit):
                axes.axvline(side, color=GREY, lw=0.7, ls=":", zorder=0)
            write(axes, limit, 1.22 * top, f"{limit:g}°", color=GREY, ha="center", va="top")
    if found.mean_deg.value is not None and found.mean_deg.interval_95 is not None:
        low, high = found.mean_deg.interval_95
        axes.plot([low, high], [1.08 * top] * 2, color=INK, lw=2.5, solid_capstyle="butt")
        axes.plot(found.mean_deg.value, 1.08 * top, "D", color=INK, ms=6)
        words = f"mean {found.mean_deg.value:+.1f}°, 95 % CI".replace("-", "−")
        write(axes, high + 0.02 * reach, 1.08 * top, f" {words}", va="center")
    axes.set_xlim(-reach, reach)
    axes.set_ylim(0.0, 1.25 * top)
    axes.yaxis.set_major_locator(MaxNLocator(integer=True))
    dress(axes, "torsion, degrees: incyclo  ←  0  →  excyclo", "eyes")
    figure.legend(frameon=False, fontsize=8, ncols=2, loc="outside upper left")  # clear of bars and lines
    return figure


def dial_figure(eyes: "pd.DataFrame") -> "Figure":
    """Draw both eyes as the examiner sees them, the top of the dial turned as far as the eyes did.

    A tilted head or a rolled camera leans both dials the same way, symmetric cyclotorsion leans them apart or
    together.
    """
    from matplotlib.figure import Figure

    figure = Figure(figsize=(WIDTH, 2.6), layout="constrained", facecolor="white")
    furthest = float(np.max(np.abs(eyes["rotation_deg"].to_numpy(dtype=float)), initial=1.0))
    reach = min(90.0, _DIAL_DEG * math.ceil(furthest / _DIAL_DEG))
    for place, (eye, (_, _, name)) in enumerate(EYE_STYLE.items(), start=1):
        axes = figure.add_subplot(1, 2, place, projection="polar")
        values = eyes.loc[eyes["eye"] == eye, "rotation_deg"].to_numpy(dtype=float)
        excyclo = 1.0 if eye == "OD" else -1.0
        _draw_dial(axes, values, reach, excyclo)
        outward = "excyclo ←      → incyclo" if excyclo > 0.0 else "incyclo ←      → excyclo"
        axes.set_title(f"{name} ({eye}), n = {values.size}\n{outward}", fontsize=9)
    figure.text(
        0.5,
        0.01,
        f"as the examiner sees them; angles drawn {90.0 / reach:.2g} times as wide; line: mean",
        ha="center",
        fontsize=8,
    )
    handles, turns = figure.axes[0].get_legend_handles_labels()  # the other dial has the same
    figure.legend(handles, turns, frameon=False, fontsize=8, ncols=2, loc="outside upper left")
    return figure


def right_left_figure(pairs: "pd.DataFrame") -> "Figure":
    """Draw right against left eye in the camera's frame, with the diagonal on which a mere head tilt lies."""
    figure, axes = panel(4.4, 4.4)
    right, left = pairs["right_deg"].to_numpy(dtype=float), pairs["left_deg"].to_numpy(dtype=float)
    reach = 1.15 * max(3.0, float(np.max(np.abs(np.concatenate([right, left])), initial=0.0)))
    ends = [-reach, reach]
    axes.plot(ends, ends, color=GREY, lw=1.5, ls="--")
    for side in ("h", "v"):
        getattr(axes, f"ax{side}line")(0.0, color=PALE, lw=1.0, zorder=0)
    axes.plot(right, left, "o", **dots(len(pairs), INK))
    at = 0.93 * reach
    write(axes, at, at, "head tilt,\ncamera roll", ha="right", va="top", color=GREY, weight="bold")
    for (turn, (colour, _)), sign, ha, va in zip(
        TURN_STYLE.items(), (1.0, -1.0), ("right", "left"), ("bottom", "top"), strict=True
    ):
        axes.plot([0.0, sign * reach], [0.0, -sign * reach], color=colour, lw=1.5)
        write(axes, sign * at, -sign * at, f"both {turn}", ha=ha, va=va, color=colour, weight="bold")
    axes.set(xlim=ends, ylim=ends, aspect="equal")
    dress(axes, "right eye, degrees (counter-clockwise +)", "left eye, degrees (counter-clockwise +)")
    return figure


def posture_figure(data: "pd.DataFrame") -> "Figure":
    """Draw the share of pairs that differ by so much or more, controls beside seated-supine pairs."""
    figure, axes = panel(WIDTH, 3.4)
    styles = {
        "seated-supine": (INK, "-"),
        "seated-seated": (GREY, "--"),
        "supine-supine": (GREY, ":"),
    }
    used = data[data["usable"]]
    for posture, (colour, style) in styles.items():
        size = np.sort(used.loc[used["posture"] == posture, "torsion_deg"].abs().to_numpy(dtype=float))
        if size.size:
            share = 100.0 * (1.0 - np.arange(size.size) / size.size)
            x, y = np.concatenate([[0.0], size]), np.concatenate([share, [0.0]])
            axes.step(
                x, y, where="post", color=colour, ls=style, lw=1.8, label=f"{posture}, {size.size} pairs"
            )
    axes.set_xlim(left=0.0)
    axes.set_ylim(0.0, 101.0)
    dress(axes, "size of the rotation, degrees", "pairs turned by so much or more, %")
    axes.legend(frameon=False, fontsize=8)
    return figure


def repeats_figure(data: "pd.DataFrame", found: Repeatability) -> "Figure":
    """Draw how far each value lies from its eye's mean, with the band of 95 of 100 values.

    A value pulls the mean of its eye towards itself, the more the fewer there are, and the band with it.
    """
    keys = ["patient", "eye", "posture", *(["session"] if found.over == "repeat" else [])]
    used = data[data["usable"] & (data["posture"] == found.posture)]
    groups = used.groupby(keys)["torsion_deg"]
    used = used.assign(middle=groups.transform("mean"), number=groups.transform("size"))
    used = used[used["number"] >= 2]
    figure, axes = panel(WIDTH, 3.4)
    for eye, (marker, colour, name) in EYE_STYLE.items():
        part = used[used["eye"] == eye]
        apart = part["torsion_deg"] - part["middle"]
        axes.plot(part["middle"], apart, marker, label=name, **dots(len(used), colour))
    sd = found.within_sd_deg.value or 0.0
    band = COVERAGE * sd * math.sqrt(1.0 - found.eyes / found.values)
    for side in (-band, band):
        axes.axhline(side, color=INK, lw=1.2, ls="--")
    axes.axhline(0.0, color=PALE, lw=1.0, zorder=0)
    axes.set_title(f"within-subject SD {sd:.2f}°; dashed: for 95 of 100 values", fontsize=9)
    what = "torsion of the eye" if found.posture == POSTURES[0] else f"of the eye's {found.posture} pairs"
    dress(axes, f"mean {what}, degrees", "value less that mean, degrees")
    axes.margins(y=0.25)
    for handle in axes.legend(frameon=False, fontsize=8, ncols=2, loc="upper center").legend_handles:
        if handle is not None:
            handle.set_alpha(1.0)
    return figure


def agreement_figure(pairs: "pd.DataFrame", found: Agreement, name: str) -> "Figure":
    """Draw a Bland-Altman plot: difference against mean, limits with their intervals.

    Parameters
    ----------
    pairs : DataFrame
        Of `torsion.cohort.agreement.compared`.
    found : Agreement
    name : str
        Of the other method.
    """
    figure, axes = panel(WIDTH, 3.6)
    other, own = pairs["other_deg"].to_numpy(dtype=float), pairs["torsion_deg"].to_numpy(dtype=float)
    mean = (other + own) / 2.0
    axes.plot(mean, other - own, "o", **dots(mean.size, INK))
    lines = (
        (found.upper, "--", "upper limit", "bottom"),
        (found.bias, "-", "bias", "center"),
        (found.lower, "--", "lower limit", "top"),
    )
    for line, style, words, side in lines:
        if line.value is not None:
            axes.axhline(line.value, color=GREY, lw=1.5, ls=style)
            if line.interval_95 is not None:
                axes.axhspan(*line.interval_95, color=GREY, alpha=0.15, lw=0.0)
            place: dict[str, Any] = {"xy": (1.0, line.value), "xycoords": ("axes fraction", "data")}
            text = f" {words}\n {round(line.value, 1) + 0.0:+.1f}°".replace("-", "−")
            axes.annotate(text, xytext=(2, 0), textcoords="offset points", va=side, fontsize=8, **place)
    shown = np.append(other - own, [line.value for line, *_ in lines if line.value is not None])
    room = 0.15 * max(1.0, float(np.ptp(shown)))
    axes.set_ylim(float(shown.min()) - room, float(shown.max()) + room)  # a wide interval may run out of it
    if found.slope.value is not None and found.slope_p is not None and found.slope_p < 0.05:
        ends = np.array([mean.min(), mean.max()])
        middle = float(np.mean(other - own)) + found.slope.value * (ends - float(np.mean(mean)))
        axes.plot(ends, middle, color=INK, lw=1.8, ls="-.", label=f"slope {found.slope.value:+.2f}")
        axes.legend(frameon=False, fontsize=8)
    dress(axes, f"mean of {name} and photographs, degrees", f"{name} less photographs, degrees")
    return figure


def refusals_figure(found: Refusals) -> "Figure":
    """Draw how many pairs were not usable, by reason."""
    from matplotlib.ticker import MaxNLocator

    names = list(found.reasons)[:12]
    figure, axes = panel(WIDTH, 0.9 + 0.4 * max(1, len(names)))
    counts = [found.reasons[name] for name in names]
    bars = axes.barh(range(len(names)), counts, 0.7, color=GREY, edgecolor=INK)
    axes.bar_label(bars, padding=3, fontsize=8)
    axes.set_yticks(range(len(names)), [_reason(name) for name in names])
    axes.invert_yaxis()
    axes.set_xlim(0.0, 1.15 * max([1, *found.reasons.values()]))
    axes.xaxis.set_major_locator(MaxNLocator(integer=True))
    dress(axes, f"pairs without a usable rotation, of {found.pairs}", "")
    return figure


def _reason(name: str) -> str:
    said = name in FLAGS and len(FLAGS[name].meaning) < 60
    return textwrap.fill(FLAGS[name].meaning if said else name.replace("_", " "), 30)


def _draw_dial(
    axes: "Any",  # noqa: ANN401
    values: NDArray[np.float64],
    reach: float,
    excyclo: float,
) -> None:
    """Draw the upper half of a dial: bars by rotation, up is 0, counter-clockwise to the left.

    `excyclo` is the sign of rotations that turn this eye outwards.
    """
    magnified = 90.0 / reach
    edges = np.arange(-reach, reach + 1.0)
    counts = np.histogram(np.clip(values, -reach, reach), edges)[0]
    middle = np.radians(magnified * (edges[:-1] + 0.5))
    top = max(1, int(counts.max()))
    axes.set_theta_zero_location("N")
    for (turn, (colour, hatch)), sign in zip(TURN_STYLE.items(), (excyclo, -excyclo), strict=True):
        side = sign * middle > 0.0
        axes.bar(
            middle[side],
            counts[side],
            np.radians(magnified),
            bottom=0.45 * top,
            color=colour,
            hatch=hatch,
            edgecolor="white",
            label=turn,
        )
    axes.set_thetamin(-90.0)
    axes.set_thetamax(90.0)
    axes.set_ylim(0.0, 1.5 * top)
    marks: Sequence[float] = [reach * part / 3.0 for part in range(-3, 4)]
    axes.set_xticks(
        np.radians([magnified * mark for mark in marks]),
        ["0°" if mark == 0 else f"{mark:+g}°".replace("-", "−") for mark in marks],
        fontsize=8,
    )
    axes.set_yticks([])
    axes.grid(color=PALE)
    if values.size:
        mean = float(np.radians(magnified * np.clip(np.mean(values), -reach, reach)))
        axes.plot([mean, mean], [0.0, 1.5 * top], color=INK, lw=1.8)
        axes.plot(0.0, 0.0, "o", color=INK, ms=4)
