"""The study of photos changed on purpose: the changes, closure, and going on where it was stopped."""

from types import SimpleNamespace

import cv2
import numpy as np
import pytest

from tests.benchmarks import changed_study as study


@pytest.fixture
def photo() -> np.ndarray:
    y, x = np.mgrid[:200, :300]
    return np.dstack([60 + x // 4, 60 + y // 3, 150 - x // 4]).astype(np.uint8)


@pytest.mark.parametrize("name", study.CHANGES)
def test_every_change_gives_a_picture_and_leaves_the_photo(name, photo) -> None:
    before = photo.copy()
    changed = study.CHANGES[name](photo, np.random.default_rng(0))
    assert changed.dtype == np.uint8
    assert np.array_equal(photo, before)
    assert np.array_equal(changed, photo) == (name == "unchanged")


def test_changes_do_what_their_names_say(photo) -> None:
    changed = {name: change(photo, np.random.default_rng(0)) for name, change in study.CHANGES.items()}
    assert changed["a fifth of the size"].shape == (40, 60, 3)
    assert changed["darkened to 45 %"].mean() == pytest.approx(0.45 * photo.mean(), rel=0.01)
    assert changed["gamma 0.6"].mean() > photo.mean()
    assert (changed["noise of 12 levels"] - photo.astype(float)).std() == pytest.approx(12.0, rel=0.02)
    assert np.array_equal(changed["cut"], photo[18:191, 21:285])
    assert np.array_equal(changed["framed"][44:244, 72:372], photo)
    assert np.array_equal(changed["red and blue exchanged"][..., 0], photo[..., 2])
    warm = changed["warm cast"].mean(axis=(0, 1)) / photo.mean(axis=(0, 1))
    assert warm == pytest.approx((1.25, 1.0, 0.7), rel=0.01)
    assert changed["vignette"][0, 0].sum() < 0.5 * photo[0, 0].sum()
    assert changed["grey"].ndim == 2


def test_closure_takes_triples_of_accepted_pairs_only(tmp_path, photo, monkeypatch) -> None:
    shots = [tmp_path / f"{number}.png" for number in range(4)]
    for number, shot in enumerate(shots):
        cv2.imwrite(str(shot), np.full_like(photo, number))
    lies_deg = {0: 0.0, 1: 2.0, 2: 5.0, 3: 9.0}

    def measure(first, second):
        turn = lies_deg[second.number] - lies_deg[first.number] + 0.1 * (first.number == 0)
        verdict = "refuse" if second.number == 3 and first.number == 2 else "accept"
        return SimpleNamespace(verdict=verdict, rotation_deg=turn, flags=("weak_match", "eye_not_given"))

    fake = SimpleNamespace(
        prepare=lambda rgb: SimpleNamespace(
            number=int(rgb[0, 0, 0]), limbus=None if rgb[0, 0, 0] == 3 else 1
        ),
        measure=measure,
    )
    monkeypatch.setattr(study, "torsion", fake)
    found = study.measure_eye(shots, "unchanged")
    assert found[:4] == (4, 1, 6, 5)
    assert found.flags == ("weak_match",)
    assert found.closure_deg == pytest.approx((0.0, 0.0))  # 0-1-2 and 0-1-3: what photo 0 brings cancels
    cells = study.row("unchanged", [found, found]).split(" | ")
    assert cells[1:] == ["2 of 8", "10/12 = 83.3 % [55.2, 95.3]", "0.000 / 0.000 (4)", "weak_match 2 |"]


def test_finished_eyes_are_not_measured_again(tmp_path, monkeypatch, capsys) -> None:
    for eye in ("a", "b"):
        (tmp_path / "photos" / "set" / eye).mkdir(parents=True)
        (tmp_path / "photos" / "set" / eye / "1.png").touch()
    measured = []

    def measure_eye(shots, name):
        measured.append((shots[0].parent.name, name))
        return study.ChangedEye(5, 0, 10, 9, (0.1, 0.3), ("weak_match",))

    monkeypatch.setattr(study, "measure_eye", measure_eye)
    arguments = ["--photos", str(tmp_path / "photos"), "--set", "set", "--out", str(tmp_path / "out.jsonl")]
    tables = []
    for only in (["--only", "cut", "--limit-eyes", "1"], ["--only", "cut"], ["--only", "cut"]):
        study.main([*arguments, *only])
        tables.append(capsys.readouterr().out)
    assert measured == [("a", "cut"), ("b", "cut")]
    assert tables[1] == tables[2]
    assert "| cut | 0 of 10 | 18/20 = 90.0 %" in tables[1]
    assert "| 0.200 / 0.300 (4) | weak_match 2 |" in tables[1]


def test_photos_too_small_to_be_made_smaller_leave_that_line_out(tmp_path, photo, capsys) -> None:
    (tmp_path / "set" / "eye").mkdir(parents=True)
    cv2.imwrite(str(tmp_path / "set" / "eye" / "1.png"), photo)
    only = ["--only", "half the size", "--only", "unchanged"]
    study.main(["--photos", str(tmp_path), "--set", "set", *only])
    *_, half, unchanged = capsys.readouterr().out.splitlines()
    assert half.startswith("| half the size | not possible: 'array' is 150 x 100 px")
    assert unchanged.startswith("| unchanged | 1 of 1 |")
