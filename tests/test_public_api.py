"""The front door: widening it is a visible act."""

import ast
import importlib
import importlib.metadata
import inspect

import pytest

import torsion

PUBLIC = [
    "Ellipse",
    "MeasureOptions",
    "Measurement",
    "Photo",
    "PhotoError",
    "PrepareOptions",
    "PreparedPhoto",
    "TorsionError",
    "__version__",
    "measure",
    "photo_from_array",
    "prepare",
    "read_photo",
    "transfer_axis",
]


def test_public_names_are_pinned():
    assert torsion.__all__ == PUBLIC
    assert dir(torsion) == sorted(PUBLIC)


@pytest.mark.parametrize("name", PUBLIC)
def test_every_public_name_loads_and_says_what_it_is(name):
    value = getattr(torsion, name)
    if name != "__version__":
        assert inspect.getdoc(value)
        assert name in importlib.import_module(value.__module__).__all__


def test_type_checkers_see_what_is_loaded_at_first_use():
    (block,) = (node for node in ast.parse(inspect.getsource(torsion)).body if isinstance(node, ast.If))
    seen = {alias.name: node.module for node in block.body for alias in node.names}
    assert seen == torsion._HOME


@pytest.mark.parametrize("name", [n for n in PUBLIC if n.islower() and n != "__version__"])
def test_data_come_by_position_and_options_by_keyword(name):
    parameters = inspect.signature(getattr(torsion, name)).parameters.values()
    positional = [p for p in parameters if p.kind is p.POSITIONAL_OR_KEYWORD]
    assert all(p.default is p.empty for p in positional), "an option is given by keyword"
    assert not any(p.kind in (p.VAR_KEYWORD, p.VAR_POSITIONAL) for p in parameters)


def test_an_unknown_name_is_an_attribute_error():
    with pytest.raises(AttributeError, match="has no attribute 'twist'"):
        _ = torsion.twist


def test_the_version_is_that_of_the_installed_package():
    assert importlib.metadata.version("torsion") == torsion.__version__


def test_errors_can_be_caught_as_the_usual_ones():
    assert issubclass(torsion.PhotoError, torsion.TorsionError)
    assert issubclass(torsion.PhotoError, ValueError)
