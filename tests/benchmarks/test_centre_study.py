"""What the study of the carried centre makes of pairs whose answer is known."""

from types import SimpleNamespace

import numpy as np
import pytest

import torsion
from tests.benchmarks import centre_study as study


def test_what_is_missing_is_told_apart_from_the_shift_of_the_iris(monkeypatch) -> None:
    limbus = torsion.Ellipse.circle(100.0, 100.0, 58.55)  # 10 pixels a millimetre
    matrix = np.array([[1.0, 0.0, 4.0], [0.0, 1.0, 0.0]])
    further = matrix + np.array([[0.0, 0.0, 2.0], [0.0, 0.0, 0.0]])
    monkeypatch.setattr(study, "iris_matrix", lambda found: further)
    carried = SimpleNamespace(pupil=SimpleNamespace(standard_uncertainty_mm=0.1))
    monkeypatch.setattr(study, "carried_centre", lambda found: carried)
    found = SimpleNamespace(matrix=matrix, supine=SimpleNamespace(limbus=limbus))
    pair = study.astray(found, np.array((90.0, 100.0)), np.array((97.0, 100.0)))
    assert pair.missing_mm == pytest.approx((0.3, 0.0))
    assert pair.shift_mm == pytest.approx((0.2, 0.0))
    monkeypatch.setattr(study, "carried_centre", lambda found: None)
    assert study.astray(found, np.array((90.0, 100.0)), np.array((97.0, 100.0))) is None


def test_report_of_known_pairs() -> None:
    pairs = [study.Astray((0.3, 0.0), (0.2, 0.0), 0.1), study.Astray((0.0, 0.1), (0.0, 0.1), 0.1), None]
    lines = study.report("made up", pairs).splitlines()
    assert lines[0].startswith("made up: 2/3 = 66.7 %")
    assert lines[1].startswith("  by the map of the limbus: 0.200 / 0.290 mm")
    assert lines[2].startswith("  by the map of the iris: 0.050 / 0.095 mm")
    assert "goes 1.40 of the way" in lines[3]  # (0.3 * 0.2 + 0.1 * 0.1) / (0.2 ** 2 + 0.1 ** 2)
    assert "holds 2/2" in lines[4]
    assert study.report("none", [None]).startswith("none: 0/1")
