"""Slips of the caller: a word that is none of those allowed is refused, and never taken for another.

The choices are found by introspection, so that a new one cannot be forgotten: each either has a call here, or
stands in `INSIDE`.
"""

import importlib
import inspect
import pkgutil
import typing
from collections.abc import Callable, Iterator
from typing import Any, Literal

import numpy as np
import pytest
from PIL import Image

import torsion
from torsion.angles import rotation_name
from torsion.centroid import centroid
from torsion.keratometry import cornea_from_powers
from torsion.landmark_pairs import LandmarkPair, fit_pairs
from torsion.measurement import measure_pair
from torsion.plan import incision_side, plan_lens
from torsion.uncertainty import Part

BLANK = np.full((200, 220), 128, np.uint8)
LEVEL = {"first_px": (0.0, 0.0), "second_px": (100.0, 1.0)}
PAIRS = [LandmarkPair(str(x), x, y, x + 3.0, y) for x, y in ((0.0, 0.0), (90.0, 5.0), (40.0, 70.0))]
CORNEA = cornea_from_powers(42.0, 44.0, steep_deg=90.0)
POWERS = {"flat_d": 42.0, "steep_d": 44.0, "steep_deg": 90.0}

# What a call needs beside the choice.
CALLS: dict[str, dict[str, Any]] = {
    "angles.rotation_name": {"rotation_deg": 3.0, "standard_uncertainty_deg": 0.1},
    "astigmatism.refraction_from_power": {"power_d": [0.0, 0.0, 0.5]},
    "axis.check_plan": {"axis_deg": 90.0, "incision_deg": None},
    "axis.transfer_axis": {"planned_deg": 90.0, "rotation_deg": 1.0, "registration_deg": 0.1},
    "both_eyes.both_eyes": {
        "right_deg": 5.0,
        "left_deg": 4.0,
        "right_standard_uncertainty_deg": 0.2,
        "left_standard_uncertainty_deg": 0.2,
    },
    "centroid.Centroid.ellipse": {"self": centroid([1.0, 2.0, 1.5], [10.0, 20.0, 15.0])},
    "intake.photo_from_array": {"array": BLANK},
    "intake.read_photo": {"path": "blank.png"},
    "keratometry.cornea_from_astigmatism": {"cylinder_d": 2.0, "meridian_deg": 90.0},
    "keratometry.cornea_from_powers": POWERS,
    "landmark_pairs.fit_pairs": {"pairs": PAIRS},
    "landmark_survey.survey_landmarks": {"seated": BLANK},
    "level.reference_tilt": {**LEVEL, "kind": "canthi", "posture": "seated"},
    "marking.read_marks": {"seated": BLANK},
    "point_marks.two_point_mark": {**LEVEL, "measurement": measure_pair(BLANK, BLANK)},
    "measurement.conclude": {
        "measured": measure_pair(BLANK, BLANK),
        "axis_deg": 90.0,
        "incision_deg": None,
    },
    "measurement.measure_pair": {"seated": BLANK, "supine": BLANK, "axis_deg": 90.0},
    "plan.incision_side": {"incision_deg": 180.0},
    "plan.plan_lens": {"cornea": CORNEA},
    "preparation.prepare": {"photo": BLANK},
    "several.measure": {"seated": BLANK, "supine": BLANK, "axis_deg": 90.0},
    "uncertainty.method_parts": {},
}

# Stages that only other stages call, with what has been read already; types check these.
INSIDE = {
    "band_plots.unrolled_pair",
    "cohort.light.measure_light",
    "cohort.observations.observations",
    "cohort.repeatability.repeatability",
    "cohort.statistics.summarise",
    "deformation.displacement",
    "demo_layers.take_photo",
    "demo_page.demo_page",
    "ink.candidates",
    "ink_strip_plots.axis_shown_deg",
    "ink_strip_plots.draw_strip",
    "ink_strip_plots.shown_deg",
    "laterality.Laterality.contradicts",
    "lens_rotation.read_baseline",
    "limbal_bar.measure_bar",
    "limbal_bar.rough_edges",
    "limbal_ring.Ring.contrast",
    "limbal_ring.Ring.signal",
    "mark_frame.read_mark",
    "match.pair_flags",
    "pictures.figure_bytes",
    "raster.finished",
    "readers.decode",
    "register.register",
    "unwrap.grid",
    "unwrap.rows_for",
    "validate_summary.count_of",
    "validate_verdict.judge",
    "wording.reason_words",
    "wording.verdict_word",
}


class _Missing(type):
    """Stands for what is imported for type checkers only."""

    def __getattr__(cls, name: str) -> type:
        if name.startswith("__"):  # or whoever looks for `__wrapped__` is led in a ring
            raise AttributeError(name)
        return Unknown

    def __getitem__(cls, _item: object) -> type:
        return Unknown


class Unknown(metaclass=_Missing):
    pass


class Names(dict[str, Any]):
    """Names of a module; others are unknown."""

    def __missing__(self, name: str) -> Any:
        builtins = self["__builtins__"]
        return builtins.get(name, Unknown)


def functions() -> Iterator[tuple[str, Callable[..., Any], Names]]:
    for module in pkgutil.walk_packages(torsion.__path__, "torsion."):
        if module.name.startswith("torsion.cli"):
            continue  # there, the words are those of options
        loaded = importlib.import_module(module.name)
        home = module.name.removeprefix("torsion.")
        for name in getattr(loaded, "__all__", ()):
            value = getattr(loaded, name)
            if getattr(value, "__module__", None) != module.name:
                continue
            if inspect.isclass(value):
                for inner, method in inspect.getmembers(value, inspect.isroutine):
                    if not inner.startswith("_") and getattr(method, "__module__", None) == module.name:
                        yield f"{home}.{name}.{inner}", method, Names(vars(loaded))
            elif inspect.isfunction(value):
                yield f"{home}.{name}", value, Names(vars(loaded))


def words(hint: object) -> tuple[str, ...]:
    """Words that a type hint allows, a sequence of them or nothing beside them included."""
    if typing.get_origin(hint) is Literal:
        return tuple(word for word in typing.get_args(hint) if isinstance(word, str))
    return tuple(word for inner in typing.get_args(hint) for word in words(inner))


def choices() -> Iterator[tuple[str, str, tuple[str, ...], bool]]:
    """Yield function, parameter, the words allowed, and whether it takes several of them."""
    for name, function, names in functions():
        for parameter, hint in typing.get_type_hints(function, localns=names).items():
            if parameter == "eye" and str in (hint, *typing.get_args(hint)):
                yield name, parameter, ("OD", "OS", "R", "L"), False
            elif parameter != "return" and words(hint):
                yield name, parameter, words(hint), "Sequence" in str(hint)


FOUND = list(choices())
DOORS = [choice for choice in FOUND if choice[0] in CALLS]
each_door = pytest.mark.parametrize(("name", "parameter", "allowed", "several"), DOORS)


@pytest.fixture(autouse=True)
def blank_file(tmp_path, monkeypatch):
    Image.fromarray(BLANK).save(tmp_path / "blank.png")
    monkeypatch.chdir(tmp_path)


def call(name: str, parameter: str, value: object) -> object:
    function = pkgutil.resolve_name(f"torsion.{name}")
    others = {key: given for key, given in CALLS[name].items() if key != parameter}
    return function(**others, **{parameter: value})


def test_every_choice_has_a_call_or_is_inside():
    assert {name for name, *_ in FOUND} == CALLS.keys() | INSIDE
    assert CALLS.keys().isdisjoint(INSIDE)


@each_door
def test_what_is_allowed_is_taken(name, parameter, allowed, several):
    for word in allowed:
        assert call(name, parameter, [word] if several else word) is not None or name == "axis.check_plan"


@each_door
def test_a_slip_is_refused(name, parameter, allowed, several):
    for word in (*(word.swapcase() for word in allowed if parameter != "eye"), "one_frame", "x", "", 1):
        with pytest.raises(ValueError, match=rf"must be .*, not {word!r}$"):
            call(name, parameter, [word] if several else word)


@pytest.mark.parametrize(("one", "other"), [("R", "OD"), ("l", "OS")])
def test_both_names_of_an_eye_mean_the_same(one, other):
    assert rotation_name(3.0, 0.1, one) == rotation_name(3.0, 0.1, other)
    assert incision_side(180.0, one) == incision_side(180.0, other)
    assert plan_lens(CORNEA, eye=one).eye == other
    assert fit_pairs(PAIRS, eye=one).direction == fit_pairs(PAIRS, eye=other).direction


def test_a_part_of_another_distribution_is_refused():
    with pytest.raises(ValueError, match="distribution must be normal or uniform, not 'Uniform'"):
        Part("ink_width", 1.0, distribution="Uniform")
