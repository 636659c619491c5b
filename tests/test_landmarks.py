"""Landmarks: hand-picked pairs (invariants, coverage, suspects), then the search, the sheet, the command."""

import csv
import json
import math
from dataclasses import replace
from importlib import resources

import jsonschema
import made_up
import numpy as np
import pytest
import scipy.stats
from click.testing import CliRunner
from matplotlib.text import Text
from PIL import Image

import synthetic
from synthetic.geometry import project
from torsion import prepare
from torsion.aid_words import suspect_words
from torsion.cli import main
from torsion.cli.landmarks_text import pairs_text
from torsion.deformation import PARAMETERS
from torsion.errors import TorsionError
from torsion.iris_map import iris_places
from torsion.landmark_pairs import LandmarkPair, compare_rotation, fit_pairs, read_pairs
from torsion.landmark_plots import pairs_figure
from torsion.landmark_search import FAINT, _spread, find_landmarks
from torsion.landmark_survey import survey_landmarks
from torsion.landmarks import Landmark, axis_offsets, carry_landmarks
from torsion.orientation import View
from torsion.photo import Ellipse
from torsion.similarity import f_quantile, fit_similarity, t_quantile
from torsion.unwrap import iris_coordinates, iris_point

EXACT_DEG = 1e-6
RADIUS_PX = 180.0


def schema_of(name):
    file = resources.files("torsion") / "schemas" / f"{name}-1.json"
    schema = json.loads(file.read_text(encoding="utf-8"))
    jsonschema.Draft202012Validator.check_schema(schema)
    return schema


def drawn_pairs(rng, count, *, rotation_deg, scale=1.0, noise_px=0.0, mirrored=False):
    """Points on a ring like that of the limbus, in both photos, and the limbus as a program might find it."""
    angle = rng.uniform(0.0, 2 * np.pi, count)
    first = RADIUS_PX * rng.uniform(0.9, 1.4, count) * np.exp(1j * angle)
    second = scale * first * np.exp(1j * np.radians(rotation_deg))
    if mirrored:
        second = -second.conj()
    centres = rng.uniform(300.0, 700.0, (2, 2))
    noise = rng.normal(0.0, noise_px, (4, count)) if noise_px else np.zeros((4, count))
    columns = (
        centres[0, 0] + first.real + noise[0],
        centres[0, 1] - first.imag + noise[1],
        centres[1, 0] + second.real + noise[2],
        centres[1, 1] - second.imag + noise[3],
    )
    pairs = [LandmarkPair(str(n), *map(float, row)) for n, row in enumerate(zip(*columns, strict=True), 1)]
    off = rng.normal(0.0, 0.02 * RADIUS_PX, (2, 2))
    outlines = {
        "seated_limbus": Ellipse.circle(*(centres[0] + off[0]), RADIUS_PX),
        "supine_limbus": Ellipse.circle(*(centres[1] + off[1]), scale * RADIUS_PX),
    }
    return pairs, outlines


def exchanged(pairs, one, other):
    made = list(pairs)
    for at, source in ((one, other), (other, one)):
        there, here = pairs[source], pairs[at]
        made[at] = LandmarkPair(
            here.name, here.seated_x_px, here.seated_y_px, there.supine_x_px, there.supine_y_px
        )
    return made


def moved(pairs, index, step_px):
    pair = pairs[index]
    shifted = LandmarkPair(
        pair.name,
        pair.seated_x_px,
        pair.seated_y_px,
        pair.supine_x_px + step_px.real,
        pair.supine_y_px - step_px.imag,
    )
    return [*pairs[:index], shifted, *pairs[index + 1 :]]


# ---- fit ----


@pytest.mark.parametrize("rotation_deg", [-170.0, -15.0, 0.0, 3.3, 90.0])
@pytest.mark.parametrize("count", [2, 3, 7])
def test_exact_pairs_give_the_exact_rotation_and_scale(count, rotation_deg):
    pairs, _ = drawn_pairs(np.random.default_rng(count), count, rotation_deg=rotation_deg, scale=0.8)
    found = fit_pairs(pairs, click_px=1.0)
    assert found.rotation_deg == pytest.approx(rotation_deg, abs=EXACT_DEG)
    assert found.scale == pytest.approx(0.8)
    assert max(found.residuals_px) < 1e-6
    first, last = pairs[0], found.matrix @ (pairs[0].seated_x_px, pairs[0].seated_y_px, 1.0)
    assert last == pytest.approx([first.supine_x_px, first.supine_y_px])


def test_swapping_the_photos_negates_the_rotation():
    pairs, _ = drawn_pairs(np.random.default_rng(4), 5, rotation_deg=6.0, noise_px=1.0)
    back = [LandmarkPair(p.name, p.supine_x_px, p.supine_y_px, p.seated_x_px, p.seated_y_px) for p in pairs]
    assert fit_pairs(back).rotation_deg == pytest.approx(-fit_pairs(pairs).rotation_deg, abs=EXACT_DEG)


def test_points_on_one_line_will_do():
    pairs = [LandmarkPair(str(x), float(x), 2.0 * x, -2.0 * x, float(x)) for x in (0, 50, 120)]
    assert fit_pairs(pairs).rotation_deg == pytest.approx(-90.0, abs=EXACT_DEG)  # right, down: down, left


def test_the_view_is_undone():
    rng = np.random.default_rng(5)
    turned, _ = drawn_pairs(rng, 5, rotation_deg=4.0 + 180.0)
    told = fit_pairs(turned, turn_deg=180.0)
    assert told.rotation_deg == pytest.approx(4.0, abs=EXACT_DEG)
    assert "turned_view" not in told.flags
    assert "turned_view" in fit_pairs(turned).flags  # whose remedy is to state the turn
    mirrored, _ = drawn_pairs(rng, 5, rotation_deg=4.0, mirrored=True)
    found = fit_pairs(mirrored, mirrored=True)
    assert found.rotation_deg == pytest.approx(4.0, abs=EXACT_DEG)
    last = found.matrix @ (mirrored[0].seated_x_px, mirrored[0].seated_y_px, 1.0)
    assert last == pytest.approx([mirrored[0].supine_x_px, mirrored[0].supine_y_px])
    unsaid = fit_pairs(mirrored)
    assert unsaid.verdict == "refuse"
    assert "mirrored" in unsaid.flags


def test_points_that_coincide_and_too_few_pairs_are_refused():
    same = [LandmarkPair(str(n), 5.0, 5.0, 10.0 * n, 4.0) for n in range(3)]
    with pytest.raises(ValueError, match="points of a similarity must be finite"):
        fit_similarity(np.array([0j, 1 + 0j]), np.array([0j, complex(math.nan, 0.0)]))
    with pytest.raises(ValueError, match="must not all coincide"):
        fit_pairs(same)
    with pytest.raises(ValueError, match="two pairs of points or more, not 1"):
        fit_pairs(same[:1])
    pairs, _ = drawn_pairs(np.random.default_rng(6), 3, rotation_deg=0.0)
    with pytest.raises(ValueError, match="click_px must be a number of pixels above 0, not 0"):
        fit_pairs(pairs, click_px=0.0)


@pytest.mark.parametrize("photo", ["seated", "supine"])
@pytest.mark.parametrize("count", [2, 3])
def test_all_points_but_one_may_coincide(count, photo):
    """Without that one, no map can be fitted to the others; but it is there, and all do not coincide."""
    places = [((100, 100), place) for place in [(100, 100), (140, 130), (100, 150)][:count]]
    places.append(((300, 300), (300, 300)))
    if photo == "supine":
        places = [place[::-1] for place in places]
    pairs = [LandmarkPair(str(n), *map(float, one + other)) for n, (one, other) in enumerate(places)]
    found = fit_pairs(pairs)
    assert found.verdict != "accept"
    assert [suspect.kind for suspect in found.suspects] == ["unknown"]


def test_quantiles_equal_those_of_scipy():
    for freedom in (2, 4, 10, 60):
        assert t_quantile(0.95, freedom) == pytest.approx(scipy.stats.t.ppf(0.975, freedom), rel=1e-8)
        assert f_quantile(0.01, freedom) == pytest.approx(scipy.stats.f.isf(0.01, 2, freedom), rel=1e-8)
    assert f_quantile(0.01, np.inf) == pytest.approx(scipy.stats.chi2.isf(0.01, 2) / 2.0)
    with pytest.raises(ValueError, match="even and at least 2, not 3"):
        t_quantile(0.95, 3)
    with pytest.raises(ValueError, match="between 0 and 1, not 1"):
        t_quantile(1.0, 2)


def test_leverages_add_up_to_two():
    rng = np.random.default_rng(7)
    points = rng.normal(size=6) + 1j * rng.normal(size=6)
    assert fit_similarity(points, 2j * points).leverage.sum() == pytest.approx(2.0)


# ---- coverage and suspects ----


@pytest.mark.slow
@pytest.mark.parametrize("click_px", [None, 1.0])
@pytest.mark.parametrize("count", [2, 3, 4, 5, 9])
def test_the_truth_lies_in_the_95_percent_interval_in_93_to_97_percent(count, click_px):
    rng = np.random.default_rng([count, 0 if click_px is None else 1])
    trials, inside, accused = 1200, 0, 0  # 95 % of 1200 has a standard error of 0.6 %
    for _ in range(trials):
        truth, scale = rng.uniform(-15.0, 15.0), rng.uniform(0.8, 1.25)
        pairs, outlines = drawn_pairs(rng, count, rotation_deg=truth, scale=scale, noise_px=1.0)
        found = fit_pairs(pairs, click_px=click_px, **outlines)
        low, high = found.interval_95_deg
        inside += low <= truth <= high
        accused += bool(found.suspects)
    assert 0.93 <= inside / trials <= 0.97
    assert accused / trials <= 0.03


@pytest.mark.slow
@pytest.mark.parametrize(("count", "share"), [(2, 0.85), (3, 0.85), (4, 0.85), (6, 0.9)])
def test_swapped_pairs_are_named(count, share):
    rng = np.random.default_rng([8, count])
    named, trials = 0, 0
    while trials < 150:
        pairs, outlines = drawn_pairs(rng, count, rotation_deg=rng.uniform(-10, 10), noise_px=1.0)
        if (
            np.hypot(pairs[0].seated_x_px - pairs[1].seated_x_px, pairs[0].seated_y_px - pairs[1].seated_y_px)
            < 0.5 * RADIUS_PX
        ):
            continue  # nearly the same place: exchanged they hardly differ
        trials += 1
        found = fit_pairs(exchanged(pairs, 0, 1), **outlines)
        named += [(s.kind, s.pairs) for s in found.suspects] == [("swapped", ("1", "2"))]
        assert not found.suspects or "pair_misplaced" in found.flags or found.verdict != "accept"
    assert named / trials >= share


@pytest.mark.slow
@pytest.mark.parametrize(("count", "share"), [(3, 0.4), (4, 0.9), (6, 0.97)])
def test_a_misplaced_pair_is_named(count, share):
    # With three pairs only the outlines of the limbus tell which one is wrong, and often they cannot.
    rng = np.random.default_rng([9, count])
    named = wrong = 0
    for _ in range(150):
        pairs, outlines = drawn_pairs(rng, count, rotation_deg=rng.uniform(-10, 10), noise_px=1.0)
        step = rng.uniform(0.12, 0.4) * RADIUS_PX * np.exp(2j * np.pi * rng.uniform())
        suspects = fit_pairs(moved(pairs, 1, step), **outlines).suspects
        named += [(s.kind, s.pairs) for s in suspects] == [("misplaced", ("2",))]
        wrong += any(s.kind == "misplaced" and s.pairs != ("2",) for s in suspects)
    assert named / 150 >= share
    assert wrong / 150 <= 0.06


@pytest.mark.parametrize("mirrored", [False, True])
@pytest.mark.parametrize("turn_deg", [0, 90, 180, 270])
@pytest.mark.parametrize(
    ("spoil", "words"),
    [
        (lambda pairs: exchanged(pairs, 0, 1), "(then the rotation is 6.00° counter-clockwise)"),
        (lambda pairs: moved(pairs, 1, 60j), "(without it the rotation is 6.00° counter-clockwise)"),
        (lambda pairs: moved(pairs[:3], 1, 60j), "(without it the rotation is 6.00° counter-clockwise)"),
    ],
)
def test_the_rotation_without_the_fault_has_the_view_undone(spoil, words, turn_deg, mirrored):
    """As the rotation beside it: else the two cannot be compared."""
    pairs, outlines = drawn_pairs(np.random.default_rng(5), 6, rotation_deg=6.0 + turn_deg)
    if mirrored:
        pairs = [replace(pair, supine_x_px=-pair.supine_x_px) for pair in pairs]
        limbus = outlines["supine_limbus"]
        outlines["supine_limbus"] = replace(limbus, x_px=-limbus.x_px)
    found = fit_pairs(spoil(pairs), turn_deg=turn_deg, mirrored=mirrored, **outlines)
    (suspect,) = found.suspects
    assert suspect.rotation_deg == pytest.approx(6.0, abs=EXACT_DEG)
    assert suspect_words(suspect).endswith(words)


def test_refused_pairs_give_no_rotation_to_use():
    pairs = exchanged(drawn_pairs(np.random.default_rng(3), 6, rotation_deg=6.0, noise_px=1.0)[0], 0, 2)
    found = fit_pairs(pairs)
    assert found.verdict == "refuse"
    said = "\n".join(pairs_text(found, None))
    assert "none to use" in said
    assert "95 % interval" not in said
    photo = made_up.prepared_photo()
    shown = "\n".join(text.get_text() for text in pairs_figure(found, photo, photo).findobj(Text))
    assert "No rotation to use   REFUSED" in shown
    assert "look exchanged" in shown
    assert "95 % interval" not in shown


def test_two_pairs_say_what_they_assume():
    pairs, _ = drawn_pairs(np.random.default_rng(10), 2, rotation_deg=2.0)
    assert fit_pairs(pairs).flags[0] == "two_pairs"
    assert fit_pairs(pairs).click_px == 1.0
    assert "two_pairs" not in fit_pairs(pairs, click_px=2.0).flags


@pytest.mark.parametrize("count", [3, 4, 10])
def test_pairs_that_happen_to_fit_are_as_uncertain_as_clicks_rounded_to_pixels(count):
    pairs, _ = drawn_pairs(np.random.default_rng(count), count, rotation_deg=6.0, scale=0.8)
    found = fit_pairs(pairs)
    rounded = fit_pairs(pairs, click_px=1.0 / np.sqrt(12.0))  # of a uniform error within a pixel
    assert found.standard_uncertainty_deg == pytest.approx(rounded.standard_uncertainty_deg)
    assert compare_rotation(found, 6.05, 0.02).agrees
    assert found.degrees_of_freedom == 2 * count - 4


def test_agreement_with_a_measurement_is_within_the_joint_95_percent_interval():
    pairs, _ = drawn_pairs(np.random.default_rng(11), 6, rotation_deg=4.0, noise_px=1.0)
    hand = fit_pairs(pairs)
    both = np.hypot(hand.standard_uncertainty_deg, 0.1)
    near = compare_rotation(hand, hand.rotation_deg + 1.9 * both, 0.1)
    far = compare_rotation(hand, hand.rotation_deg - 2.0 * both, 0.1)
    assert (near.agrees, near.flags) == (True, ())
    assert (far.agrees, far.flags) == (False, ("landmarks_disagree",))
    assert far.difference_deg == pytest.approx(-2.0 * both)


# ---- files of pairs ----


def written(tmp_path, text):
    file = tmp_path / "pairs.csv"
    file.write_text(text, encoding="utf-8")
    return file


HEAD = "name,seated_x_px,seated_y_px,supine_x_px,supine_y_px\n"


def test_pairs_are_read_with_and_without_names(tmp_path):
    pairs = read_pairs(written(tmp_path, HEAD + "knot,1,2,3,4\n,5,6,7,8.5\n"))
    assert [pair.name for pair in pairs] == ["knot", "2"]
    assert pairs[1].supine_y_px == 8.5


def test_pairs_are_read_as_a_spreadsheet_of_another_country_saves_them(tmp_path):
    text = "sep=;\n" + HEAD.replace(",", ";") + "Gefäß;1,5;2;3;4\n;;;;\n;5;6;7;8,5\n"
    file = tmp_path / "pairs.csv"
    for encoding in ("utf-8-sig", "utf-16", "cp1252"):
        file.write_bytes(text.encode(encoding))
        pairs = read_pairs(file)
        assert [pair.name for pair in pairs] == ["Gefäß", "2"]
        assert (pairs[0].seated_x_px, pairs[1].supine_y_px) == (1.5, 8.5)


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        (HEAD + "a,1,2,3,4\n", "two pairs or more, not 1"),
        ("seated_x_px,seated_y_px,supine_x_px\n1,2,3\n4,5,6\n", "supine_y_px is missing"),
        (HEAD + "a,1,2,3,4\nb,1,2,x,4\n", "pair 2: supine_x_px must be a number of pixels, not 'x'"),
        (HEAD + "a,1,2,3,4\nb,1,2\n", "pair 2: supine_x_px must be a number of pixels, not empty"),
        ("", "seated_x_px, .* is missing"),
    ],
)
def test_a_file_that_holds_no_pairs_says_why(tmp_path, text, sentence):
    with pytest.raises(TorsionError, match=sentence):
        read_pairs(written(tmp_path, text))


# ---- search, sheet and command ----


@pytest.fixture(scope="module")
def drawn(tmp_path_factory):
    """Two photos of one eye, and where they lie."""
    folder = tmp_path_factory.mktemp("landmarks")
    rng = np.random.default_rng([5, 1])
    pair = synthetic.draw_pair(synthetic.random_eye(rng), "easy", rng, rotation_deg=7.0)
    for name, picture in zip(("seated", "supine"), pair, strict=True):
        Image.fromarray(picture.rgb).save(folder / f"{name}.png")
    Image.fromarray(np.full((300, 400), 128, np.uint8)).save(folder / "blank.png")
    return folder, pair


@pytest.mark.parametrize("count", [0, -1])
def test_a_survey_of_no_landmarks_is_refused_before_anything_is_read(count):
    with pytest.raises(ValueError, match=f"count of landmarks must be at least 1, not {count}"):
        survey_landmarks("missing.jpg", count=count)


@pytest.mark.slow
def test_landmarks_lie_on_what_can_be_seen_and_apart(drawn):
    _, (seated, _) = drawn
    prepared = prepare(seated.rgb)
    found = find_landmarks(prepared.picture, prepared.limbus)
    assert 3 <= len(found) <= 8
    assert [landmark.number for landmark in found] == list(range(1, len(found) + 1))
    directions = [landmark.direction_deg for landmark in found]
    assert directions == sorted(directions)
    assert min(np.diff([*directions, directions[0] + 360.0])) >= 6.0
    visible = seated.iris_visible | seated.limbus_visible
    on_eye = [visible[round(landmark.y_px), round(landmark.x_px)] for landmark in found]
    assert np.mean(on_eye) >= 0.8  # a mask may keep a strip of lid or lash
    assert len(find_landmarks(prepared.picture, prepared.limbus, count=2)) == 2
    with pytest.raises(ValueError, match="count of landmarks must be at least 1, not 0"):
        find_landmarks(prepared.picture, prepared.limbus, count=0)


@pytest.mark.slow
@pytest.mark.parametrize(("worths", "left"), [((0.9, 0.8, 0.7, 0.6, 0.2), 4), ((0.9, 0.8, 0.7, 0.2), 4)])
def test_faint_landmarks_stand_in_only_where_there_are_too_few_others(worths, left):
    found = [
        Landmark(0, "spot", "iris", 0.0, 0.0, 60.0 * number, 0.8, 0.2, 0.8, worth)
        for number, worth in enumerate(worths)
    ]
    chosen = _spread(found, 8)
    assert len(chosen) == left
    assert (min(one.worth for one in chosen) < FAINT) == (len(worths) == left)


def test_carried_by_the_true_map_they_are_recognised_and_by_a_wrong_one_not(drawn):
    _, (seated, supine) = drawn
    first, second = prepare(seated.rgb), prepare(supine.rgb)
    angles = np.arange(0.0, 360.0, 10.0)
    ends = [np.column_stack(project(each.eye, each.view, angles, 1.1)) for each in (seated, supine)]
    matrix = np.linalg.lstsq(np.column_stack([ends[0], np.ones(36)]), ends[1], rcond=None)[0].T
    found = find_landmarks(first.picture, first.limbus)
    outlines = {"seated": first.limbus, "supine": second.limbus}
    eyes = {"seated_eye": first.picture, "supine_eye": second.picture}
    carried = carry_landmarks(found, matrix, **outlines)
    turned = [
        after.direction_deg - before.direction_deg for before, after in zip(found, carried, strict=True)
    ]
    assert np.median((np.array(turned) + 180.0) % 360.0 - 180.0) == pytest.approx(7.0, abs=0.5)
    recognised = carry_landmarks(found, matrix, **outlines, **eyes)
    angle = np.radians(10.0)
    wrong = matrix.copy()
    spin = np.array([[np.cos(angle), np.sin(angle)], [-np.sin(angle), np.cos(angle)]])
    centre = matrix @ (first.limbus.x_px, first.limbus.y_px, 1.0)
    wrong[:, :2] = spin @ matrix[:, :2]
    wrong[:, 2] = spin @ (matrix[:, 2] - centre) + centre
    assert len(recognised) >= 0.5 * len(found)
    assert len(carry_landmarks(found, wrong, **outlines, **eyes)) < 0.5 * len(recognised)
    offsets = axis_offsets(carried, 97.0, nearest=3)
    assert len(offsets) == min(3, len(carried))
    assert abs(offsets[0].offset_deg) <= abs(offsets[-1].offset_deg)


def test_points_of_the_iris_have_one_angle_and_depth():
    rng = np.random.default_rng(5)
    angle_deg, depth = rng.uniform(-180.0, 180.0, 50), rng.uniform(0.0, 1.0, 50)
    pupil = (0.06, -0.03, 0.35)  # limbus radii
    back = iris_coordinates(pupil, *iris_point(pupil, angle_deg, depth))
    assert back[0] == pytest.approx(angle_deg, abs=1e-3)
    assert back[1] == pytest.approx(depth, abs=1e-5)


@pytest.mark.parametrize("mirrored", [False, True])
def test_the_iris_goes_from_pupil_to_pupil_and_from_limbus_to_limbus(mirrored):
    made = made_up.registered(view=View(0, mirrored), parameters=np.zeros(PARAMETERS), start_deg=30.0)
    (x, y, radius), seated, supine = made.seated.picture.pupil, made.seated.limbus, made.supine.limbus
    turn = np.radians([0.0, 90.0, 200.0])
    for length in (radius, 1.0):
        shift = (x, y) if length == radius else (0.0, 0.0)
        points = np.stack([shift[0] + length * np.cos(turn), -(shift[1] + length * np.sin(turn))], axis=1)
        moved = iris_places(made, (seated.x_px, seated.y_px) + seated.radius_px * points)
        after = turn + np.radians(30.0)
        flip = -1.0 if mirrored else 1.0
        wanted = np.stack([flip * (shift[0] + length * np.cos(after)), -shift[1] - length * np.sin(after)], 1)
        wanted = (supine.x_px, supine.y_px) + supine.radius_px * wanted
        assert moved == pytest.approx(wanted, abs=0.01)  # pixels


def run(*arguments):
    return CliRunner().invoke(main, ["landmarks", *[str(argument) for argument in arguments]])


@pytest.mark.slow
def test_the_sheet_holds_every_landmark_and_nothing_from_the_file(drawn, tmp_path):
    folder, _ = drawn
    sheet = tmp_path / "sheet.html"
    result = run(folder / "seated.png", "--eye", "OD", "--axis", 90, "--sheet", sheet, "--case", "<b>7</b>")
    assert result.exit_code == 0, result.output
    page = sheet.read_text(encoding="utf-8")
    assert "seated.png" not in page
    assert "<b>7" not in page
    assert "&lt;b&gt;7" in page
    assert "http" not in page.split("<body>")[1]
    record = json.loads(run(folder / "seated.png", "--eye", "OD", "--axis", 90, "--json", "-").stdout)
    jsonschema.Draft202012Validator(schema_of("landmarks")).validate(record)
    assert page.count('class="card"') == len(record["landmarks"])
    for landmark in record["landmarks"]:
        end = (landmark["direction_deg"] + landmark["offset_deg"]) % 180.0
        assert end == pytest.approx(90.0, abs=1e-3)
        assert landmark["clock_hour"] == pytest.approx(
            (90.0 - landmark["direction_deg"]) / 30.0 % 12.0, abs=1e-3
        )


@pytest.mark.slow
def test_without_an_eye_it_is_refused_and_no_sheet_is_written(drawn, tmp_path):
    folder, _ = drawn
    sheet = tmp_path / "sheet.html"
    result = run(folder / "blank.png", "--eye", "OD", "--sheet", sheet)
    assert result.exit_code == 3
    assert not sheet.exists()
    assert "no eye was found" in result.stderr


def pairs_file(folder, pair, tmp_path, *, swap=False):
    angles = [12.0, 95.0, 200.0, 335.0]
    ends = [np.column_stack(project(each.eye, each.view, angles, 1.1)) for each in pair]
    if swap:
        ends[1][[0, 2]] = ends[1][[2, 0]]
    file = tmp_path / "pairs.csv"
    with file.open("w", newline="", encoding="utf-8") as lines:
        writer = csv.writer(lines)
        writer.writerow(HEAD.strip().split(","))
        writer.writerows([name, *first, *second] for name, first, second in zip("ABCD", *ends, strict=True))
    return folder / "seated.png", folder / "supine.png", "--eye", "OD", "--pairs", file


@pytest.mark.slow
def test_hand_picked_pairs_give_the_rotation_and_carry_the_axis(drawn, tmp_path):
    folder, pair = drawn
    arguments = pairs_file(folder, pair, tmp_path)
    record = json.loads(run(*arguments, "--axis", 90, "--json", "-").stdout)
    jsonschema.Draft202012Validator(schema_of("landmarks")).validate(record)
    assert record["rotation_deg"] == pytest.approx(
        7.0, abs=0.5
    )  # gaze tilts the drawn views by a few degrees
    assert record["axis"]["surgical_deg"] == pytest.approx(90.0 + record["rotation_deg"], abs=1e-3)
    picture = tmp_path / "pairs.png"
    result = run(*arguments, "--picture", picture)
    assert result.exit_code == 0, result.output
    assert "hand-picked pairs" in result.stdout
    assert picture.read_bytes()[:4] == b"\x89PNG"


@pytest.mark.slow
def test_swapped_pairs_are_refused_by_name(drawn, tmp_path):
    folder, pair = drawn
    result = run(*pairs_file(folder, pair, tmp_path, swap=True), "--axis", 90)
    assert result.exit_code == 3
    assert "pairs A and C look exchanged" in result.stdout
    assert "not carried" in result.stdout


@pytest.mark.slow
def test_wrong_usage(drawn, tmp_path):
    folder, pair = drawn
    seated, supine, *rest = pairs_file(folder, pair, tmp_path)
    assert "go together" in run(seated, supine, "--eye", "OD").stderr
    assert "--picture goes with" in run(seated, "--eye", "OD", "--picture", tmp_path / "x.png").stderr
    assert "--sheet goes without" in run(seated, supine, *rest, "--sheet", tmp_path / "x.html").stderr
    outside = written(tmp_path, HEAD + "a,1,2,3,4\nb,9000,2,3,4\n")
    result = run(seated, supine, "--eye", "OD", "--pairs", outside)
    assert result.exit_code == 1
    assert "must lie inside 'seated.png'" in result.stderr
