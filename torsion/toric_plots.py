"""Figures of the toric arithmetic.  Shape, hatching and words carry what colour carries."""

from collections.abc import Sequence

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patches import Circle
from matplotlib.patches import Ellipse as EllipsePatch
from numpy.typing import ArrayLike

from torsion.angles import wrap_axis_deg
from torsion.astigmatism import Astigmatism, double_angle
from torsion.budget import Budget
from torsion.centroid import Centroid, centroid
from torsion.plan import Plan
from torsion.recheck import Recheck
from torsion.toric import RULE_PERCENT_PER_DEG, TurnedLens, residual_cylinder_d

__all__ = ["budget_figure", "double_angle_figure", "plan_figure", "recheck_figure", "residual_figure"]

# Colours told apart by colour-blind eyes (Okabe & Ito's set).
_BLUE, _ORANGE, _GREEN, _GREY, _BLACK = "#0072B2", "#D55E00", "#009E73", "#6E6E6E", "#000000"
_METHOD_STYLE = ((_BLUE, ""), (_ORANGE, "///"), (_GREEN, "..."))
_METHOD_NAMES = {"manual": "manual mark", "photo": "by photo", "uncorrected": "torsion uncorrected"}
_RING_STEPS_D = (0.25, 0.5, 1.0, 2.0, 5.0, 10.0, 20.0, 50.0)  # the ellipse of three eyes is that wide
_NOTE = "A second check, not a medical device: the surgeon's judgement prevails."


def residual_figure(lens: TurnedLens) -> Figure:
    """Draw the cylinder left against the turn: exact, by the rule of thumb, and the case itself."""
    figure, axes = _one_panel()
    last = max(45.0, min(90.0, abs(lens.off_deg) + 10.0))
    turn = np.linspace(0.0, last, 361)
    axes.plot(
        turn, residual_cylinder_d(lens.cornea_d, lens.cylinder_d, turn), color=_BLUE, lw=2, label="exact"
    )
    axes.axhline(lens.cornea_d, color=_GREY, ls=":", lw=1.5, label="without the lens")
    if lens.annulling_turn_deg is not None:
        best = abs(lens.cornea_d - lens.cylinder_d)
        by_rule = best + RULE_PERCENT_PER_DEG / 100.0 * turn * (lens.cornea_d - best)
        axes.plot(turn, by_rule, color=_GREY, ls="--", lw=1.5, label="rule of thumb, 3.3 % a degree")
        axes.plot(
            lens.annulling_turn_deg,
            lens.cornea_d,
            "s",
            ms=8,
            mfc="white",
            mec=_BLACK,
            label=f"gains nothing from {lens.annulling_turn_deg:.1f}°",
        )
    left = abs(lens.residual.cylinder_d)
    axes.plot(
        abs(lens.off_deg), left, "o", ms=9, color=_ORANGE, label=f"{abs(lens.off_deg):g}°: {left:.2f} D left"
    )
    axes.set(xlim=(0.0, last), xlabel="turn off axis, degrees (either way)", ylabel="cylinder left, D")
    axes.set_ylim(bottom=0.0)
    axes.set_title(f"Lens of {lens.cylinder_d:.2f} D on a cornea of {lens.cornea_d:.2f} D")
    axes.legend(frameon=False)
    return figure


def plan_figure(plan: Plan) -> Figure:
    """Vectors of the plan in the double-angle plane, and the cylinder that each lens would leave."""
    figure = Figure(figsize=(10.0, 4.8), layout="constrained")
    plane, bars = figure.subplots(1, 2)
    vectors: list[tuple[str, Astigmatism, str, str, str]] = [
        ("cornea", plan.cornea.astigmatism, _BLUE, "-", "o"),
        ("to be corrected", plan.net, _BLACK, "-", "D"),
    ]
    if plan.change is not None:
        vectors.insert(1, ("operation adds", plan.change.astigmatism, _ORANGE, "--", "s"))
    ring = 2.45 * (plan.standard_uncertainty_d or 0.0)
    _draw_plane(plane, max(vector.cylinder_d for _, vector, *_ in vectors) + ring)
    for name, vector, colour, style, marker in vectors:
        x, y = vector.point
        plane.plot([0.0, x], [0.0, y], color=colour, ls=style, lw=2)
        plane.plot(x, y, marker, color=colour, ms=8, label=_vector_label(name, vector))
    if ring:
        plane.add_patch(Circle(tuple(plan.net.point), ring, fill=False, ls=":", ec=_BLACK))
        plane.plot([], [], ":", color=_BLACK, label="95 of 100 true values")
    plane.legend(frameon=False, loc="upper center", bbox_to_anchor=(0.5, -0.02), fontsize=9)
    plane.set_title("Double-angle plane, labelled with the meridian")
    _draw_choices(bars, plan)
    return _finish(figure, bars)


def recheck_figure(found: Recheck) -> Figure:
    """Cylinder left against the axis of the marks, with the present and the best axis."""
    figure, axes = _one_panel()
    turn = (
        np.linspace(-90.0, 90.0, 721) if abs(found.turn_deg or 0.0) > 40.0 else np.linspace(-60.0, 60.0, 481)
    )
    rest = found.rest.point - double_angle(found.cylinder_d, found.axis_deg + turn)
    axes.plot(turn, np.hypot(rest[:, 0], rest[:, 1]), color=_BLUE, lw=2)
    now = abs(found.refraction.cylinder_d)
    axes.plot(0.0, now, "o", ms=9, color=_ORANGE, label=f"now: marks at {_axis(found.axis_deg)}, {now:.2f} D")
    if found.best_axis_deg is not None and found.turn_deg is not None and found.gain is not None:
        left = abs(found.refraction_at_best.cylinder_d)
        label = f"best: marks at {_axis(found.best_axis_deg)}, {left:.2f} D"
        axes.plot(found.turn_deg, left, "D", ms=9, color=_BLACK, label=label, clip_on=False)
        spread = found.gain.turn_standard_uncertainty_deg
        axes.axvspan(
            found.turn_deg - spread,
            found.turn_deg + spread,
            color=_GREY,
            alpha=0.2,
            label=f"best axis within ±{spread:.0f}° (one standard uncertainty)",
        )
    axes.set(
        xlim=(turn[0], turn[-1]), xlabel="turn from where the lens lies now, degrees (counter-clockwise +)"
    )
    axes.set_ylabel("cylinder left, D")
    axes.set_ylim(bottom=0.0)
    # under the axis, where no curve can run through it
    axes.legend(frameon=False, loc="upper center", bbox_to_anchor=(0.5, -0.13), fontsize=9)
    axes.set_title(
        f"Lens of {found.cylinder_d:.2f} D at the cornea, in an eye of {found.rest.cylinder_d:.2f} D"
    )
    return figure


def budget_figure(budgets: Sequence[Budget]) -> Figure:
    """Share of each part in the variance of the axis: the longest bar is what to improve first."""
    names = list(dict.fromkeys(item.part.name for budget in budgets for item in budget.parts))
    share = {name: max(_share(budget, name) for budget in budgets) for name in names}
    names.sort(key=share.__getitem__)
    figure = Figure(figsize=(8.5, 1.6 + (0.25 + 0.25 * len(budgets)) * len(names)), layout="constrained")
    axes = figure.subplots()
    height = 0.8 / len(budgets)
    for index, (budget, (colour, hatch)) in enumerate(zip(budgets, _METHOD_STYLE, strict=False)):
        label = (
            f"{_METHOD_NAMES.get(budget.method, budget.method)}: ±{budget.standard_uncertainty_deg:.1f}°, "
            f"{budget.simulated.mean_d:.2f} D expected"
        )
        middle = np.arange(len(names)) + 0.4 - height * (index + 0.5)
        values = [100.0 * _share(budget, name) for name in names]
        axes.barh(middle, values, height * 0.92, color=colour, hatch=hatch, edgecolor="white", label=label)
        for y, value, name in zip(middle, values, names, strict=True):
            text = next(
                (f"{p.standard_uncertainty_deg:.1f}°" for p in budget.parts if p.part.name == name), "no part"
            )
            axes.text(value + 0.6, y, text, va="center", fontsize=8)
    axes.set_yticks(range(len(names)), [name.replace("_", " ") for name in names])
    axes.set_xlabel("share of the axis variance, %  (beside each bar: its standard uncertainty)")
    axes.set_xlim(0.0, 100.0 * max(share.values()) + 8.0)
    axes.set_title(f"What to improve first: lens of {budgets[0].cylinder_d:.2f} D")
    axes.legend(frameon=False, loc="lower right")
    return _finish(figure, axes)


def double_angle_figure(cylinder_d: ArrayLike, meridian_deg: ArrayLike, *, title: str = "") -> Figure:
    """Astigmatisms of a series in the double-angle plane, with their centroid and 95 % ellipses.

    Parameters
    ----------
    cylinder_d, meridian_deg : array_like, shape (n,)
        Magnitudes, dioptres, and steep meridians, degrees.
    title : str, optional
        Above the plot.
    """
    found = centroid(cylinder_d, meridian_deg)
    points = np.atleast_2d(double_angle(cylinder_d, meridian_deg))
    ellipses = _ellipses(found)
    drawn = np.vstack([points, *(patch.get_verts() for patch, _ in ellipses)])
    figure = Figure(figsize=(6.0, 6.4), layout="constrained")
    axes = figure.subplots()
    _draw_plane(axes, float(np.max(np.hypot(drawn[:, 0], drawn[:, 1]))))
    eyes = f"{found.n} eyes" if found.n > 1 else "1 eye"
    axes.plot(points[:, 0], points[:, 1], "o", ms=4, mfc="none", mec=_BLUE, label=eyes)
    axes.plot(*found.mean.point, "D", color=_ORANGE, ms=8, label=_vector_label("mean", found.mean))
    for patch, label in ellipses:
        axes.add_patch(patch)
        axes.plot([], [], patch.get_linestyle(), color=_BLACK, label=label)
    axes.set_title(title)
    axes.legend(frameon=False, loc="upper center", bbox_to_anchor=(0.5, -0.02), ncols=2, fontsize=9)
    return figure


def _ellipses(found: Centroid) -> list[tuple[EllipsePatch, str]]:
    """Outlines of where the mean and the next eye may lie, with what they are; none for too few eyes."""
    if found.n < 3:
        return []
    shapes = (
        (found.ellipse(of="mean"), "-", "95 % for the mean"),
        (found.ellipse(of="eyes"), "--", "95 % for the next eye"),
    )
    return [
        (
            EllipsePatch(
                shape.centre_d,
                2.0 * shape.semi_major_d,
                2.0 * shape.semi_minor_d,
                angle=shape.tilt_deg,
                fill=False,
                ls=style,
                lw=1.5,
            ),
            label,
        )
        for shape, style, label in shapes
    ]


def _one_panel() -> tuple[Figure, Axes]:
    figure = Figure(figsize=(7.5, 4.8), layout="constrained")
    axes = figure.subplots()
    _finish(figure, axes)
    return figure, axes


def _finish(figure: Figure, axes: Axes) -> Figure:
    axes.spines[["top", "right"]].set_visible(False)
    figure.text(0.005, 0.005, _NOTE, fontsize=7, color=_GREY, va="bottom")
    figure.get_layout_engine().set(rect=(0.0, 0.03, 1.0, 0.97))  # type: ignore[union-attr, call-arg]
    return figure


def _draw_plane(axes: Axes, reach_d: float) -> None:
    """Rings and meridians of the double-angle plane; a meridian of 90 lies to the left."""
    step = next((value for value in _RING_STEPS_D if reach_d <= 4.0 * value), _RING_STEPS_D[-1])
    rings = max(1, int(np.ceil(reach_d / step - 1e-9)))
    for index in range(1, rings + 1):
        axes.add_patch(Circle((0.0, 0.0), index * step, fill=False, ec="#C8C8C8", lw=0.8))
        x, y = double_angle(index * step, 11.25)
        axes.text(x, y, f"{index * step:g} D", fontsize=7, color=_GREY)
    outer = rings * step
    for meridian in (180.0, 22.5, 45.0, 67.5, 90.0, 112.5, 135.0, 157.5):
        x, y = double_angle(1.0, meridian)
        axes.plot([0.0, outer * x], [0.0, outer * y], color="#E0E0E0", lw=0.8, zorder=0)
        axes.text(1.1 * outer * x, 1.1 * outer * y, f"{meridian:g}°", ha="center", va="center", fontsize=8)
    axes.set(xlim=(-1.22 * outer, 1.22 * outer), ylim=(-1.22 * outer, 1.22 * outer), aspect="equal")
    axes.set_axis_off()


def _draw_choices(axes: Axes, plan: Plan) -> None:
    left = [abs(choice.residual.cylinder_d) for choice in plan.choices]
    places = [float(place) for place in range(len(left))]
    for place, choice, value in zip(places, plan.choices, left, strict=True):
        colour, hatch = (_ORANGE, "///") if choice.flips else (_BLUE, "")
        axes.barh(place, value, 0.7, color=colour, hatch=hatch, edgecolor="white")
        axes.text(value, place, f" {value:.2f} D", va="center", fontsize=8)
    names = [f"{choice.cylinder_d:.2f} D" if choice.cylinder_d else "no cylinder" for choice in plan.choices]
    axes.set_yticks(places, names)
    axes.invert_yaxis()
    axes.set_xlabel("cylinder left at the cornea, D")
    axes.set_xlim(0.0, 1.2 * max([*left, 0.1]))
    axis = "no axis" if plan.axis_deg is None else f"marks at {_axis(plan.axis_deg)}"
    axes.set_title(f"Lens cylinder on offer, {axis}")
    if any(choice.flips for choice in plan.choices):
        axes.barh(0, 0.0, color=_ORANGE, hatch="///", edgecolor="white", label="axis flips by 90°")
        axes.legend(frameon=False, loc="upper right", bbox_to_anchor=(1.0, -0.11), fontsize=9)


def _share(budget: Budget, name: str) -> float:
    return next((item.share for item in budget.parts if item.part.name == name), 0.0)


def _axis(axis_deg: float) -> str:
    return f"{wrap_axis_deg(round(axis_deg)):.0f}°"


def _vector_label(name: str, vector: Astigmatism) -> str:
    if vector.meridian_deg is None:
        return f"{name}: none"
    return f"{name}: {vector.cylinder_d:.2f} D at {_axis(vector.meridian_deg)}"
