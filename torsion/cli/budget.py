"""``torsion budget``: how well the axis can be known, and what that will leave."""

from collections.abc import Mapping
from math import sqrt
from pathlib import Path
from typing import TYPE_CHECKING

import click
import numpy as np

from torsion.budget import Budget, axis_budget, saved_d
from torsion.cli import toric_types as types
from torsion.cli.photo_options import check_outputs, json_option, picture_option
from torsion.cli.toric_options import (
    as_usage_error,
    report,
    seed_option,
)
from torsion.cli.usage import refuse_idle
from torsion.files import BUDGET_SCHEMA
from torsion.uncertainty import METHODS, Method, Part, method_parts, published_part, vector_part, width_part

if TYPE_CHECKING:
    from matplotlib.figure import Figure

__all__ = ["command"]

_NOTHING_KNOWN_DEG = 180.0 / sqrt(12.0)
_NAMES = {"manual": "manual mark", "photo": "by photo", "uncorrected": "uncorrected"}


@click.command("budget")
@click.option(
    "--cylinder", type=types.dioptres, metavar="D", required=True, help="Cylinder of the lens at the cornea."
)
@click.option(
    "--cornea",
    type=types.dioptres,
    metavar="D",
    help="Astigmatism of the cornea; default: equal to the lens.",
)
@click.option(
    "--method",
    "methods",
    type=click.Choice(list(METHODS)),
    multiple=True,
    default=("manual", "photo"),
    show_default=True,
    help="Ways to bring the axis into the eye; several are compared.",
)
@click.option(
    "--keratometry", type=types.dioptres, metavar="D", help="Each component of the astigmatism vector."
)
@click.option(
    "--head-pose", type=types.uncertainty, metavar="U", help="Head pose, keratometry to marking or photo."
)
@click.option("--registration", type=types.uncertainty, metavar="U", help="Rotation between the photos.")
@click.option("--torsion", type=types.uncertainty, metavar="U", help="Turn on lying down, uncorrected.")
@click.option("--ink-width", type=types.degrees, metavar="DEG", help="Full width of the ink mark.")
@click.option("--mark-placing", type=types.uncertainty, metavar="U", help="Reference mark, seated.")
@click.option("--axis-marking", type=types.uncertainty, metavar="U", help="Axis set off from the mark.")
@click.option("--lens-placing", type=types.uncertainty, metavar="U", help="Lens turned to the axis.")
@click.option(
    "--postoperative-rotation", type=types.uncertainty, metavar="U", help="Lens turning afterwards."
)
@seed_option
@json_option
@picture_option
def command(
    *,
    cylinder: float,
    cornea: float | None,
    methods: tuple[Method, ...],
    seed: int,
    json_to: str | None,
    picture: Path | None,
    **given: float | types.Reading | None,
) -> None:
    """Uncertainty budget of the axis, part by part, and the cylinder it is likely to leave.

    An uncertainty is a standard uncertainty in degrees (2.5) or a published mean absolute error and its SD
    (2.4+-0.8).  Parts that are not given have the default values shown in the result, with their source.

    Example:

        torsion budget --cylinder 2 --axis-marking 2.4+-0.8
    """
    counted = {name for method in methods for name in METHODS[method]}
    idle = [f"--{name.replace('_', '-')}" for name in given if name not in counted]
    refuse_idle(*idle, when=True, why=f"is no part of --method {' or '.join(methods)}")
    check_outputs((), json_to=json_to, picture=picture)
    with as_usage_error():
        parts = _given_parts(given)
        budgets = [
            axis_budget(
                method_parts(method, given=parts),
                cornea_d=cylinder if cornea is None else cornea,
                cylinder_d=cylinder,
                rng=np.random.default_rng(seed),
                method=method,
            )
            for method in dict.fromkeys(methods)
        ]

    def draw() -> "Figure":
        from torsion.toric_plots import budget_figure  # matplotlib loads only here

        return budget_figure(budgets)

    saved = saved_d(budgets[0], budgets[1]) if len(budgets) == 2 else None
    result = {"methods": budgets, "saved_d": saved, "seed": seed}
    flags = tuple(dict.fromkeys(name for budget in budgets for name in budget.flags))
    report(
        BUDGET_SCHEMA, result, _text(budgets, saved), flags=flags, json_to=json_to, picture=picture, draw=draw
    )


def _given_parts(given: Mapping[str, float | types.Reading | None]) -> dict[str, Part]:
    return {name: _part(name, value) for name, value in given.items() if value is not None}


def _part(name: str, value: float | types.Reading) -> Part:
    if not isinstance(value, tuple):  # the two parts that are not typed as an uncertainty of the axis
        return vector_part(name, value) if name == "keratometry" else width_part(name, value)
    mean, sd = value
    return Part(name, mean) if sd is None else published_part(name, mean, sd)


def _text(budgets: list[Budget], saved: float | None) -> list[str]:
    first = budgets[0]
    names = list(dict.fromkeys(item.part.name for budget in budgets for item in budget.parts))
    lines = [
        f"Lens of {first.cylinder_d:.2f} D on a cornea of {first.cornea_d:.2f} D",
        "",
        "  standard uncertainty of the axis".ljust(36) + "".join(f"{_NAMES[b.method]:>20}" for b in budgets),
    ]
    lines += [
        "    " + name.replace("_", " ").ljust(32) + "".join(_cell(b, name) for b in budgets) for name in names
    ]
    rows = (
        ("  together", [_degrees(b.standard_uncertainty_deg) for b in budgets]),
        (
            "  95 of 100 axes within",
            [f"±{b.expanded_95_deg:.0f}°" if b.expanded_95_deg < 90.0 else "any" for b in budgets],
        ),
        ("  cylinder left, expected", [f"{b.simulated.mean_d:.2f} D" for b in budgets]),
        ("    95 % range", ["{:.2f} to {:.2f} D".format(*b.simulated.interval_95_d) for b in budgets]),
        (
            "    half a dioptre or less in",
            [f"{100 * b.simulated.probability_within_half_d:.0f} %" for b in budgets],
        ),
        ("    first order: root mean square", [f"{b.first_order_rms_d:.2f} D" for b in budgets]),
        ("      by simulation", [f"{b.simulated.rms_d:.2f} D" for b in budgets]),
        (
            "  improve first",
            [b.improve_first[0].replace("_", " ") if b.improve_first else "–" for b in budgets],
        ),
    )
    lines += [label.ljust(36) + "".join(f"{value:>20}" for value in values) for label, values in rows]
    if saved is not None:
        lines.append(
            f"  {_NAMES[budgets[1].method]} instead of {_NAMES[first.method]}: {_saved_words(saved)} expected"
        )
    return [*lines, "", "  where the numbers come from", *_sources(budgets)]


def _saved_words(saved_d: float) -> str:
    size = f"{abs(saved_d):.2f}"
    if not float(size):
        return "as much cylinder"
    return f"{size} D {'less' if saved_d > 0 else 'more'} cylinder"


def _cell(budget: Budget, name: str) -> str:
    for item in budget.parts:
        if item.part.name == name:
            return f"{_degrees(item.standard_uncertainty_deg)}  {100 * item.share:>3.0f} %".rjust(20)
    return "–".rjust(20)


def _degrees(value_deg: float) -> str:
    """Write a standard uncertainty; beyond that of an axis about which nothing is known it is no figure."""
    return f"{value_deg:.1f}°" if value_deg < _NOTHING_KNOWN_DEG else f"over {_NOTHING_KNOWN_DEG:.0f}°"


def _sources(budgets: list[Budget]) -> list[str]:
    parts = {item.part.name: item.part for budget in budgets for item in budget.parts}
    return [f"    {name.replace('_', ' ')}: {part.given}; {part.source}" for name, part in parts.items()]
