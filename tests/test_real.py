"""What the method must show on real photos: ``pytest -m real`` with TORSION_PHOTOS naming a folder."""

import pytest

from tests.benchmarks.methods import load_method
from tests.benchmarks.photos import VARIABLE, list_eyes, photo_folder
from tests.benchmarks.study import run_study

pytestmark = [
    pytest.mark.real,
    pytest.mark.skipif(photo_folder() is None, reason=f"{VARIABLE} names no folder of photos"),
]

FIRST_EYES = 60
# Floors: share of same-eye pairs accepted; closure and turned ring, median and 95th percentile in degrees.
MIN_ACCEPTED = 0.85
MAX_CLOSURE = (0.25, 1.0)
MAX_TURNED = (0.10, 0.40)


def sets() -> list[str]:
    folder = photo_folder()
    return sorted(path.name for path in folder.iterdir() if path.is_dir()) if folder else ["none"]


@pytest.mark.parametrize("set_name", sets())
def test_real_photos(set_name):
    folder = photo_folder()
    assert len(list_eyes(folder, set_name)) > 1
    _, reports = run_study(folder, set_name, [load_method("torsion")], limit_eyes=FIRST_EYES, different=500)
    report = reports["torsion"]
    accepted = report["gates"]["accepted"]
    assert report["same"]["accepted"] >= MIN_ACCEPTED * report["same"]["pairs"]
    assert report["different"]["accepted"] == 0
    assert report["mirrored"]["accepted"] == 0
    assert accepted["closure"]["median"] <= MAX_CLOSURE[0]
    assert accepted["closure"]["p95"] <= MAX_CLOSURE[1]
    assert accepted["turned"]["median"] <= MAX_TURNED[0]
    assert accepted["turned"]["p95"] <= MAX_TURNED[1]
    assert accepted["swapped"]["p95"] <= MAX_TURNED[1]
