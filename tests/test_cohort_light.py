"""Photos that wait without their pictures are measured as if they had them, however they lie."""

from functools import cache

import numpy as np
import pytest
from PIL import Image

import torsion
from torsion.cohort.manifest import read_manifest
from torsion.cohort.pairs import measure_group, pair_of
from torsion.cohort.places import content_digest
from torsion.demo_layers import load_layers, take_photo
from torsion.measurement import MeasureOptions
from torsion.photo import TURNS
from torsion.record import measurement_record
from torsion.validate_checks import Check, Task
from torsion.validate_work import prepare_photo, work

TURN_DEG = 6.0


@cache
def drawn():
    layers = load_layers()
    return take_photo(layers["seated"], 0.0, role="seated"), take_photo(
        layers["supine"], TURN_DEG, role="supine"
    )


def written(folder, *, turned_deg=0, mirrored=False):
    """Write a pair of which the supine picture is turned and, after that, mirrored."""
    seated, supine = drawn()
    supine = np.rot90(supine, turned_deg // 90)
    supine = supine[:, ::-1] if mirrored else supine
    for name, pixels in (("seated.png", seated), ("supine.png", supine)):
        Image.fromarray(np.ascontiguousarray(pixels)).save(folder / name, compress_level=1)
    return folder / "seated.png", folder / "supine.png"


def of_cohort(folder, columns, cells):
    (folder / "list.csv").write_text(
        f"patient,eye,seated,supine{columns}\n1,OD,seated.png,supine.png{cells}\n"
    )
    (row,) = read_manifest(folder / "list.csv").rows
    (found,) = measure_group((pair_of(row, content_digest(row.seated), content_digest(row.supine)),))
    return found


@pytest.mark.parametrize(
    ("mirrored", "stated"), [(False, False), (False, True), (True, True)], ids=["found", "stated", "mirrored"]
)
@pytest.mark.parametrize("turned_deg", TURNS)
def test_a_cohort_holds_the_record_of_a_measurement(turned_deg, mirrored, stated, tmp_path):
    pair = written(tmp_path, turned_deg=turned_deg, mirrored=mirrored)
    options = MeasureOptions(mirrored=mirrored, turned_deg=turned_deg if stated else 0)
    expected = torsion.measure(*pair, eye="OD", options=options)
    assert expected.verdict != "refuse"
    assert (expected.view.turn_deg, expected.view.mirrored) == (turned_deg, mirrored)
    cells = f",{'yes' if mirrored else ''},{turned_deg if stated else ''}"
    found = of_cohort(tmp_path, ",mirrored,turned", cells)
    assert found.record == measurement_record(expected)


def test_a_photo_that_changes_before_it_is_read_again_is_the_reason(tmp_path, monkeypatch):
    written(tmp_path, turned_deg=180)
    from torsion.cohort import pairs

    def once(seated, supine, *, whole, **options):
        (tmp_path / "supine.png").write_bytes((tmp_path / "seated.png").read_bytes())
        return whole()

    monkeypatch.setattr(pairs, "measure_light", once)
    assert of_cohort(tmp_path, "", "").reason == "'supine.png' was changed while the cohort was measured"


@pytest.mark.parametrize("turned_deg", [90, 180])
def test_a_validation_answers_as_a_measurement(turned_deg, tmp_path):
    seated, supine = written(tmp_path, turned_deg=turned_deg)
    expected = torsion.measure(seated, supine)
    task = Task(prepare_photo(supine), supine, ((Check("same", 0, 1), prepare_photo(seated)),))
    (found,) = work(task)
    assert found.rotation_deg == expected.rotation_deg
    assert found.standard_uncertainty_deg == expected.standard_uncertainty_deg
    assert found.flags == expected.flags
