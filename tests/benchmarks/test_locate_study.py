"""What the study of finding the eye counts, and the folder that keeps drawn photos."""

import numpy as np
import pytest
from scipy import ndimage

from tests.benchmarks import drawn_photos as drawn
from tests.benchmarks import locate_study as study
from tests.benchmarks.drawn_photos import Circle, DrawnPhoto


def _shown() -> DrawnPhoto:
    """Give an eye of three flat discs."""
    y, x = np.mgrid[:240, :320]
    levels = np.full((240, 320), 200.0)
    levels[np.hypot(x - 160, y - 120) < 80] = 110
    levels[np.hypot(x - 160, y - 120) < 30] = 20
    rgb = np.dstack([ndimage.gaussian_filter(levels, 1.5).astype(np.uint8)] * 3)
    return DrawnPhoto(rgb, "OD", 1, 2.5, Circle(160.0, 120.0, 80.0), Circle(160.0, 120.0, 30.0))


def test_what_is_found_is_told_from_the_truth_in_true_radii() -> None:
    shown = _shown()
    found = study.off_truth(shown, "flat")
    assert found[1:5] == pytest.approx((0.0, 0.0, 0.0, 0.0), abs=0.03)  # radii; a round edge is found closely
    moved = shown._replace(limbus=Circle(140.0, 120.0, 80.0), pupil=Circle(160.0, 120.0, 40.0))
    aside = study.off_truth(moved, "moved")
    assert aside.x == pytest.approx(0.25, abs=0.03)  # found 20 of 80 pixels further right
    assert aside.pupil_radius == pytest.approx(-0.25, abs=0.03)  # 30 pixels instead of 40
    assert aside.is_off
    assert not found.is_off
    nothing = study.off_truth(shown._replace(rgb=np.full_like(shown.rgb, 90)), "blank")
    assert not nothing.is_found
    assert not nothing.is_off


def test_report_of_drawn_photos_counts_each_failure_once(capsys) -> None:
    right = study.Off("right", 0.01, -0.02, 0.0, 0.03, False)
    photos = [
        right,
        right._replace(name="no pupil", pupil_radius=np.nan),
        right._replace(name="wide pupil", pupil_radius=0.2),
        right._replace(name="off", x=-0.3, pupil_radius=0.9),
        study.Off("none", np.nan, np.nan, np.nan, np.nan, False),
    ]
    lines = [line.split(" = ")[0].strip() for line in study.report_drawn("easy", photos).splitlines()]
    assert lines[:6] == [
        "easy: 5 photos",
        "no limbus: 1/5",
        "another thing taken for it: 1/5",
        "limbus right, no pupil: 1/3",
        "limbus right, pupil of another size: 1/3",
        "a second eye: 0/5",
    ]
    assert lines[6].startswith("centre across: 1.00 /")
    assert "limbus right, no pupil: no pupil\n" in capsys.readouterr().err
    assert "no limbus: 1/1" in study.report_drawn("hard", photos[4:])


def test_report_of_real_photos_holds_a_limbus_against_the_eyes_others() -> None:
    eye = [study.Shot(str(k), radius, 20.0, ()) for k, radius in enumerate((50.0, 51.0, 49.0, 60.0))]
    other = [study.Shot("a", np.nan, np.nan, ("no_eye",)), study.Shot("b", 90.0, np.nan, ("two_eyes",))]
    lines = [line.split(" = ")[0].strip() for line in study.report_photos([eye, other]).splitlines()]
    assert lines == [
        "6 photos of 2 eyes",
        "no eye: 1/6",
        "radius over 10 % off the eye's median: 1/6",
        "else, no pupil: 1/4",
        "a second eye: 1/6",
    ]


def test_cuttings_are_parts_of_the_picture_in_colour_and_in_grey() -> None:
    picture = np.random.default_rng(0).integers(0, 256, (700, 900, 3), dtype=np.uint8)
    parts = study.cuttings(picture, np.random.default_rng(1))
    assert len(parts) == 14  # the whole and six parts, twice
    assert sum(part.ndim == 2 for part in parts) == 7
    assert min(min(part.shape[:2]) for part in parts) >= 200
    assert len(study.cuttings(picture[..., 0], np.random.default_rng(1))) == 7
    assert study.cuttings(picture[:150], np.random.default_rng(1)) == []


def test_drawn_photos_are_drawn_once_and_come_back_as_they_were(tmp_path, monkeypatch) -> None:
    drawings = []

    def draw(preset, seed, *, shots):
        drawings.append((preset, seed, shots))
        return iter([_shown()] * sum(shots))

    monkeypatch.setattr(drawn, "draw_photos", draw)
    first, again = (drawn.drawn_photos("easy", 4, shots=(1, 1), cache=tmp_path) for _ in range(2))
    assert len(drawings) == 1
    for photos in (first, again):
        assert len(photos) == 2
        for photo in photos:
            assert photo[1:] == _shown()[1:]
            np.testing.assert_array_equal(photo.rgb, _shown().rgb)
    drawn.drawn_photos("easy", 4, shots=(2, 1), cache=tmp_path)
    drawn.drawn_photos("easy", 4, shots=(1, 1), cache=None)
    assert len(drawings) == 3


def test_a_folder_of_photos_must_be_named(monkeypatch, capsys) -> None:
    monkeypatch.setattr(study, "photo_folder", lambda: None)
    with pytest.raises(SystemExit, match="2"):
        study.main(["photos", "--set", "any"])
    assert "TORSION_PHOTOS" in capsys.readouterr().err
