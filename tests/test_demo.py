"""The demo says what the answer is, so the answer is measured here by other means."""

import io
import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner
from PIL import Image
from scipy import ndimage

from synthetic.sample import sample_files
from torsion.cli import main
from torsion.demo import DemoError, demo_files, draw_torsions, write_demo
from torsion.demo_layers import DemoLayers, compose, load_layers, take_photo

DATA = Path(__file__).parents[1] / "torsion" / "data"


@pytest.fixture(scope="module")
def layers() -> dict[str, DemoLayers]:
    return load_layers()


@pytest.fixture(scope="module")
def files() -> dict[str, bytes]:
    return demo_files([5.0, -8.5])


@pytest.fixture
def blank_photos(monkeypatch: pytest.MonkeyPatch) -> None:
    """Leave the photos blank where only names, order and pages are asked for."""
    shown = np.zeros((8, 12, 3), np.uint8)
    monkeypatch.setattr("torsion.demo.take_photo", lambda layers, rotation_deg, *, role: shown)


def without_lids(layers: DemoLayers) -> DemoLayers:
    return replace(layers, overlay=np.zeros_like(layers.overlay))


def ring(layers: DemoLayers, rotation_deg: float) -> np.ndarray:
    """Green of the ring just outside the limbus, unwrapped: radius by tenths of a degree."""
    picture = compose(without_lids(layers), rotation_deg)[:, :, 1]
    scale = np.sqrt(layers.limbus["major_px"] * layers.limbus["minor_px"])
    radius = scale * np.linspace(1.05, 1.6, 60)[:, None]
    angle = np.radians(np.arange(3600) / 10)[None, :]
    where = [layers.center_y_px - radius * np.sin(angle), layers.center_x_px + radius * np.cos(angle)]
    return ndimage.map_coordinates(picture, where, order=3)


def circular_shift_deg(first: np.ndarray, second: np.ndarray) -> float:
    """Counter-clockwise shift at the peak of the circular correlation, refined by a parabola."""
    first, second = (band - ndimage.uniform_filter1d(band, 301, mode="wrap") for band in (first, second))
    spectrum = np.conj(np.fft.rfft(first)) * np.fft.rfft(second)
    curve = np.fft.irfft(spectrum.sum(axis=0), 3600)
    peak = int(np.argmax(curve))
    before, top, after = curve[peak - 1], curve[peak], curve[(peak + 1) % 3600]
    shift = peak + (before - after) / (2 * (before - 2 * top + after))
    return float((shift + 1800) % 3600 - 1800) / 10


@pytest.mark.parametrize("rotation_deg", [0.0, 2.3, -8.5, 20.0])
def test_the_pair_is_turned_by_what_it_says(layers: dict[str, DemoLayers], rotation_deg: float) -> None:
    # The vessels tell, for the pupil is wider in the second photo; no lid is laid over them here.
    found = circular_shift_deg(ring(layers["seated"], 0.0), ring(layers["supine"], rotation_deg))
    assert found == pytest.approx(rotation_deg, abs=0.01)  # degrees: the promise of the demo


@pytest.mark.parametrize("rotation_deg", [0.0, 5.0, -17.0])
def test_dots_move_counter_clockwise(layers: dict[str, DemoLayers], rotation_deg: float) -> None:
    plain = layers["supine"]
    row, column = np.mgrid[: plain.eye.shape[0], : plain.eye.shape[1]]
    middle = (plain.eye.shape[0] - 1) / 2
    for start_deg in (10.0, 130.0, 250.0):
        x = middle + 180 * np.cos(np.radians(start_deg))
        y = middle - 180 * np.sin(np.radians(start_deg))
        dot = 250 * np.exp(-((column - x) ** 2 + (row - y) ** 2) / (2 * 4.0**2))
        eye = np.repeat(np.rint(dot).astype(np.uint8)[:, :, None], 3, axis=2)
        picture = compose(without_lids(replace(plain, eye=eye)), rotation_deg)[:, :, 0]
        dot_y, dot_x = ndimage.center_of_mass(np.where(picture > 5, picture, 0))
        seen = np.degrees(np.arctan2(plain.center_y_px - dot_y, dot_x - plain.center_x_px))
        turned = (seen - start_deg + 180) % 360 - 180
        assert turned == pytest.approx(rotation_deg, abs=0.01)  # degrees; 0.03 pixels at this radius


def test_what_stays_stays(layers: dict[str, DemoLayers]) -> None:
    supine = layers["supine"]
    first, second = compose(supine, 0.0), compose(supine, 12.0)
    opaque = supine.overlay[:, :, 3] == 255
    assert opaque.mean() > 0.4
    assert np.array_equal(first[opaque], second[opaque])
    assert np.abs(first[~opaque] - second[~opaque]).mean() > 3  # grey levels


def test_the_pair_looks_like_two_photos_of_one_eye(layers: dict[str, DemoLayers]) -> None:
    seated = take_photo(layers["seated"], 0.0, role="seated")
    supine = take_photo(layers["supine"], 0.0, role="supine")
    assert seated.dtype == supine.dtype == np.uint8
    assert seated.shape == supine.shape == (800, 1200, 3)
    assert abs(seated.mean() - supine.mean()) > 3  # grey levels: another exposure
    lids = [layers[role].overlay[:, :, 3] == 255 for role in ("seated", "supine")]
    assert (lids[0] != lids[1]).sum() > 5000  # pixels
    for role, photo in (("seated", seated), ("supine", supine)):
        x, y = round(layers[role].center_x_px), round(layers[role].center_y_px)
        iris = photo[y + 95 : y + 150, x - 60 : x + 60, 1].astype(float)
        assert (iris - ndimage.gaussian_filter(iris, 8)).std() > 5  # grey levels: fibres, well above noise
        clipped = (photo.max(axis=2) == 255).mean()
        assert clipped < 0.01


def test_files_and_truth_agree(files: dict[str, bytes]) -> None:
    assert list(files) == ["seated.jpg", "supine_+05.0.jpg", "supine_-08.5.jpg", "index.html", "truth.json"]
    truth = json.loads(files["truth.json"])
    assert truth["schema"] == "torsion/demo/1"
    assert [pair["rotation_deg"] for pair in truth["pairs"]] == [5.0, -8.5]
    assert [pair["surgical_deg"] for pair in truth["pairs"]] == [95.0, 81.5]
    assert [pair["direction"] for pair in truth["pairs"]] == ["excyclotorsion", "incyclotorsion"]
    assert {pair["supine"] for pair in truth["pairs"]} < set(files)


def test_same_angle_same_bytes(files: dict[str, bytes]) -> None:
    again = demo_files([-8.5])
    assert again["supine_-08.5.jpg"] == files["supine_-08.5.jpg"]
    assert again["seated.jpg"] == files["seated.jpg"]


def test_pictures_carry_no_metadata(files: dict[str, bytes]) -> None:
    for name in ("seated.jpg", "supine_+05.0.jpg"):
        with Image.open(io.BytesIO(files[name])) as image:
            assert not image.getexif()
            # What Pillow reports of every JPEG's own header.
            assert set(image.info) <= {"jfif", "jfif_version", "jfif_unit", "jfif_density", "dpi"}


def test_the_page_needs_nothing_from_elsewhere(files: dict[str, bytes]) -> None:
    page = files["index.html"].decode()
    assert "http" not in page
    assert "<script" not in page
    for name in ("seated.jpg", "supine_+05.0.jpg", "supine_-08.5.jpg"):
        assert f'href="{name}"' in page
    assert "The eye has turned by 8.5° clockwise (incyclotorsion)" in page


@pytest.mark.parametrize("torsion_deg", [20.1, -21.0, float("nan"), float("inf")])
def test_angles_out_of_range(torsion_deg: float) -> None:
    with pytest.raises(ValueError, match="torsion must be from -20 to 20 degrees, not"):
        demo_files([torsion_deg])


def test_angles_finer_than_the_name_tells() -> None:
    with pytest.raises(ValueError, match=r"tenths of a degree, .* not 1\.25"):
        demo_files([1.25])
    with pytest.raises(ValueError, match="at least one torsion is needed"):
        demo_files([])


@pytest.mark.usefixtures("blank_photos")
def test_own_files_are_replaced_and_others_are_not(tmp_path: Path) -> None:
    write_demo(tmp_path, [5.0])
    write_demo(tmp_path, [-3.0])  # writes its page and its truth anew
    (tmp_path / "seated.jpg").write_bytes(b"somebody's photo")
    with pytest.raises(DemoError, match="was not written by the demo, or was changed since"):
        write_demo(tmp_path, [-3.0])
    assert (tmp_path / "seated.jpg").read_bytes() == b"somebody's photo"
    write_demo(tmp_path, [-3.0], force=True)
    assert (tmp_path / "seated.jpg").read_bytes()[:2] == b"\xff\xd8"


@pytest.mark.parametrize("content", ["[]", '{"schema": "else/1"}', "no JSON"])
def test_a_foreign_truth_is_not_replaced(tmp_path: Path, content: str) -> None:
    (tmp_path / "truth.json").write_text(content)
    with pytest.raises(DemoError, match=r"truth\.json' is there already"):
        write_demo(tmp_path, [5.0])
    assert (tmp_path / "truth.json").read_text() == content


def test_a_folder_that_cannot_be_made(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    with pytest.raises(DemoError, match="the demo cannot be written into"):
        write_demo(tmp_path / "file" / "demo", [5.0])


def test_command(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    result = CliRunner().invoke(main, ["demo"])
    assert result.exit_code == 0
    command = "torsion measure torsion-demo/seated.jpg torsion-demo/supine_+05.0.jpg --eye OD --axis 90"
    assert f"{command} --picture result.png" in result.stdout
    assert (tmp_path / "torsion-demo" / "truth.json").exists()
    (tmp_path / "torsion-demo" / "index.html").write_text("mine")
    assert CliRunner().invoke(main, ["demo"]).exit_code == 1
    assert CliRunner().invoke(main, ["demo", "--torsion", "30"]).exit_code == 2
    assert CliRunner().invoke(main, ["demo", "--force"]).exit_code == 0


QUIZ_DEG = (7.3, -11.9, 3.1)


@pytest.fixture(scope="module")
def quiz() -> dict[str, bytes]:
    return demo_files(QUIZ_DEG, quiz=np.random.default_rng(4))


def test_a_quiz_tells_nothing_outside_its_answers(quiz: dict[str, bytes]) -> None:
    photos = ["seated.jpg", "supine_1.jpg", "supine_2.jpg", "supine_3.jpg"]
    assert list(quiz) == [*photos, "answers.html", "index.html", "truth.json"]
    page = quiz["index.html"].decode()
    for telling in (
        "cyclotorsion",
        "has turned by",
        "answers.html",
        "truth",
        'class="answer"',
        'id="answers"',
    ):
        assert telling not in page
    # Two quizzes of as many pairs have one and the same page.
    assert demo_files([-2.0, 14.0, 5.5], quiz=np.random.default_rng(9))["index.html"] == quiz["index.html"]


def test_a_quiz_has_its_answers_apart(quiz: dict[str, bytes]) -> None:
    truth, page = json.loads(quiz["truth.json"]), quiz["answers.html"].decode()
    assert sorted(pair["rotation_deg"] for pair in truth["pairs"]) == sorted(QUIZ_DEG)
    for pair in truth["pairs"]:
        sense = "counter-clockwise" if pair["rotation_deg"] > 0 else "clockwise"
        assert f"{abs(pair['rotation_deg']):g}° {sense}" in page
        # The photo behind each number is the one that its answer says.
        plain = demo_files([pair["rotation_deg"]])[f"supine_{pair['rotation_deg']:+05.1f}.jpg"]
        assert quiz[pair["supine"]] == plain


@pytest.mark.usefixtures("blank_photos")
def test_the_order_of_a_quiz_is_drawn() -> None:
    def order(seed: int) -> list[float]:
        truth = json.loads(demo_files(QUIZ_DEG, quiz=np.random.default_rng(seed))["truth.json"])
        return [pair["rotation_deg"] for pair in truth["pairs"]]

    assert order(1) == order(1)
    assert len({tuple(order(seed)) for seed in range(6)}) > 1


def test_angles_of_a_quiz_are_drawn() -> None:
    drawn = [draw_torsions(np.random.default_rng(seed)) for seed in range(200)]
    flat = np.array(drawn)
    assert flat.shape == (200, 4)
    assert np.diff(np.sort(flat, axis=1), axis=1).min() > 1.0 - 1e-9
    assert len({tuple(angles) for angles in drawn}) == 200  # none is written into the code
    assert np.abs(flat).min() >= 2.0
    assert np.abs(flat).max() <= 15.0
    assert abs((flat > 0).mean() - 0.5) < 0.1  # 800 draws: 0.1 is more than five standard deviations


@pytest.mark.usefixtures("blank_photos")
def test_files_of_an_earlier_demo_are_named(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    first, again, other = (
        CliRunner().invoke(main, ["demo", "--out", "a", *more])
        for more in (["--torsion", "1"], ["--torsion", "1"], ["--quiz"])
    )
    assert "earlier" not in first.stderr + again.stderr
    assert "! a/supine_+01.0.jpg is of an earlier demo and was left there" in other.stderr
    assert "seated.jpg is of" not in other.stderr


@pytest.mark.usefixtures("blank_photos")
def test_quiz_command(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    result = CliRunner().invoke(main, ["demo", "--quiz", "--seed", "3", "--out", "a"])
    assert result.exit_code == 0
    assert "a/answers.html and a/truth.json: keep them apart" in result.stdout
    truth = json.loads((tmp_path / "a" / "truth.json").read_text(encoding="utf-8"))
    assert len(truth["pairs"]) == 4
    again = CliRunner().invoke(main, ["demo", "--quiz", "--seed", "3", "--out", "b"])
    assert (tmp_path / "a" / "truth.json").read_bytes() == (tmp_path / "b" / "truth.json").read_bytes()
    # What is printed is the same for every quiz, so it tells nothing of this one.
    other = CliRunner().invoke(main, ["demo", "--quiz", "--seed", "4", "--out", "c"])
    assert again.output == other.output.replace("c/", "b/")
    assert (tmp_path / "b" / "truth.json").read_bytes() != (tmp_path / "c" / "truth.json").read_bytes()
    wrong = CliRunner().invoke(main, ["demo", "--seed", "3"])
    assert wrong.exit_code == 2
    assert "--seed needs --quiz" in wrong.output


def pixels(content: bytes) -> np.ndarray:
    with Image.open(io.BytesIO(content)) as image:
        return np.asarray(image).astype(int)


@pytest.mark.slow
def test_the_shipped_sample_is_what_the_renderer_makes() -> None:
    made = sample_files()
    assert {path.name for path in DATA.iterdir()} == set(made)
    assert sum(path.stat().st_size for path in DATA.iterdir()) < 1_500_000  # bytes: the wheel stays small
    hint = "remake it: python -m synthetic.sample torsion/data"
    assert json.loads((DATA / "sample.json").read_text(encoding="utf-8")) == json.loads(made["sample.json"])
    for name in made:
        if name.endswith(".webp"):
            change = np.abs(pixels((DATA / name).read_bytes()) - pixels(made[name]))
            # Other versions of the libraries may round and compress a little differently.
            assert change.mean() < 0.3, hint  # grey levels
