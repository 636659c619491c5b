"""Report of a cohort: whole, self-contained, the same again, and true to the summary."""

import csv
import html
import re

import numpy as np
import pandas as pd
import pytest
from made_up_cohort import cohort
from matplotlib.colors import to_hex

from torsion.cohort.dictionary import dictionary
from torsion.cohort.estimates import Estimate
from torsion.cohort.figures import dial_figure, histogram_figure, right_left_figure
from torsion.cohort.gallery import picture, worth_a_look
from torsion.cohort.manifest import read_manifest
from torsion.cohort.methods import degrees, headline, main_repeats, methods_paragraphs, percent
from torsion.cohort.observations import eyes, observations
from torsion.cohort.panels import EYE_STYLE
from torsion.cohort.report import write_report
from torsion.cohort.statistics import summarise
from torsion.cohort.table import write_csv
from torsion.flags import FLAGS
from torsion.pictures import figure_bytes

pytestmark = pytest.mark.slow


def generator(seed=0):
    return np.random.default_rng(seed)


@pytest.fixture(scope="module")
def table():
    rng = generator()
    made = cohort(rng, patients=25, controls=True, refused=0.1)
    made["method.ring <i>"] = made["rotation_deg"] + rng.normal(0.5, 1.5, len(made))
    made["camera"] = np.where(made["patient"].str[1:].astype(int) % 2 == 0, "one", "two")
    return made


@pytest.fixture(scope="module")
def summary(table):
    return summarise(table, resamples=100)


@pytest.fixture(scope="module")
def folder(table, summary, tmp_path_factory):
    path = tmp_path_factory.mktemp("report")
    assert write_report(table, summary, path, title="Cohort & more") == path / "report.html"
    return path


def test_the_page_needs_no_other_file(folder):
    page = (folder / "report.html").read_text(encoding="utf-8")
    assert page.startswith("<!doctype html>")
    assert "<script" not in page
    links = re.findall(r'(?:src|href)="([^"]{0,30})', page)
    assert links
    assert all(link.startswith("data:image/svg+xml;base64,") for link in links)
    assert "url(" not in page


def test_text_from_the_table_is_escaped(folder):
    page = (folder / "report.html").read_text(encoding="utf-8")
    assert "Cohort &amp; more" in page
    assert "ring &lt;i&gt;" in page
    assert "<i>" not in page


def test_the_page_says_what_matters(folder, summary):
    page = (folder / "report.html").read_text(encoding="utf-8")
    for part in (
        headline(summary),
        "Both eyes: tilt or torsion",
        "Posture against controls",
        "Repeatability",
        "Refusals and selection",
        html.escape(summary.refusals.selection.sentence),
        "Worth a look",
        "Patients for a next study",
        "excyclo-positive",
        "surgeon&#39;s judgement",
    ):
        assert part in page
    assert "None" not in page
    assert "nan" not in re.sub(r"base64,[^\"]+", "", page)


def test_a_cohort_of_controls_tells_of_repeatability_and_of_nothing_else(tmp_path):
    table = cohort(generator(), patients=12, sd_deg=0.0, mean_deg=0.0, tilt_deg=0.0)
    table = table.assign(posture="seated-seated", flags="eye_not_given")
    table.loc[3, "flags"] = "eye_not_given;iris_only"
    found = summarise(table, resamples=50)
    page = write_report(table, found, tmp_path).read_text(encoding="utf-8")
    assert f"two values of an eye differ by less than {found.repeatability[1].coefficient_deg.value:.2f}" in (
        headline(found).lower()
    )
    assert headline(found) in page
    for part in (
        "Torsion from seated to supine",
        "Posture against controls",
        "ICC",
        "<td>not known</td>",
        "largest torsion",
    ):
        assert part not in page
    assert page.count(FLAGS["eye_not_given"].meaning) < 4  # of 24 pairs: said once, and in the dictionary
    assert "so no torsion is missing" in page
    text = " ".join(methods_paragraphs(found))
    assert "repeatedly in one posture" in text
    assert "xcyclo" not in text


def test_figures_are_there_in_three_forms(folder):
    names = {"dial", "histogram", "right-left", "posture", "repeats", "agreement-1", "refusals"}
    found = {path.name for path in (folder / "figures").iterdir()}
    assert found == {f"{name}.{kind}" for name in names for kind in ("svg", "png", "pdf")}


@pytest.mark.parametrize("kind", ["svg", "png", "pdf"])
def test_a_figure_repeats_to_the_byte_and_tells_no_date(table, summary, kind):
    by_eye = eyes(observations(table))
    first, again = (figure_bytes(histogram_figure(by_eye, summary.torsion), kind, dpi=300) for _ in range(2))
    assert first == again
    assert b"CreationDate" not in first
    assert b"dc:date" not in first


def test_a_colour_means_one_thing_in_all_figures(table, summary):
    """Excyclotorsion is drawn alike on the dial, where it lies left or right, and in the histogram."""
    by_eye = eyes(observations(table))
    styles = set()
    for figure in (histogram_figure(by_eye, summary.torsion), dial_figure(by_eye)):
        (legend,) = figure.legends
        assert [text.get_text() for text in legend.get_texts()] == ["excyclo", "incyclo"]
        styles |= {
            (bars.get_label(), to_hex(bar.get_facecolor()), bar.get_hatch())
            for axes in figure.axes
            for bars in axes.containers
            for bar in bars
        }
    assert len(styles) == 2
    assert not {to_hex(colour) for _, colour, _ in EYE_STYLE.values()} & {colour for _, colour, _ in styles}


def test_many_points_are_drawn_as_a_picture():
    x = np.linspace(-9.0, 9.0, 6000)
    drawn = figure_bytes(right_left_figure(pd.DataFrame({"right_deg": x, "left_deg": x})), "svg", dpi=300)
    assert len(drawn) < 500_000  # bytes; single shapes would take more


def test_the_table_of_eyes_has_both_signs_side_by_side(folder):
    found = pd.read_csv(folder / "eyes.csv")
    sign = np.where(found["eye"] == "OD", 1.0, -1.0)
    np.testing.assert_allclose(found["torsion_deg"], sign * found["rotation_deg"])


def test_every_column_is_in_the_dictionary(folder, table):
    with (folder / "data-dictionary.csv").open(encoding="utf-8", newline="") as stream:
        rows = list(csv.DictReader(stream))
    assert [row["column"] for row in rows] == list(table.columns)
    assert all(row["meaning"] for row in rows)


@pytest.mark.parametrize(
    ("column", "unit", "part"),
    [
        ("rotation_deg", "degrees", "counter-clockwise positive"),
        ("bands.iris.rotation_deg", "degrees", "iris alone"),
        ("supine.pupil.radius_px", "pixels", "second photo"),
        ("seated.measures.focus", "", "first photo: share of the texture"),
        ("axis.surgical_deg", "degrees", "second photo as displayed"),
        ("record.sha256.seated", "", "SHA-256"),
        ("method.ring", "degrees", "another method"),
        ("patient", "", "pseudonym"),
    ],
)
def test_columns_are_explained(column, unit, part):
    (entry,) = dictionary([column])
    assert entry.unit == unit
    assert part in entry.meaning


def test_no_field_of_a_measurement_is_without_a_meaning(tmp_path):
    (tmp_path / "list.csv").write_text("patient,eye,seated,supine\n1,OD,a.jpg,b.jpg\n")
    write_csv(tmp_path, read_manifest(tmp_path / "list.csv"), lambda row: (None, "not measured"))
    columns = list(pd.read_csv(tmp_path / "results.csv", nrows=0).columns)
    assert "rotation_deg" in columns
    assert [entry.column for entry in dictionary(columns) if entry.meaning == "carried along"] == []
    # What only the command for one pair makes would be empty in every row.
    assert not [
        name for name in columns if name.startswith(("ink.", "hand.", "centre.", "network.", "cost."))
    ]


def test_photos_named_again_count_once_and_it_is_said(tmp_path):
    made = cohort(generator(), patients=4, repeats=1)
    twice = pd.concat([made, made.head(3)], ignore_index=True)
    found = summarise(twice, resamples=10)
    assert found.repeated_rows == 3
    assert found.refusals.pairs == len(made)
    assert found.repeatability[0].eyes == 0
    assert "3 further rows of the list" in write_report(twice, found, tmp_path).read_text(encoding="utf-8")
    assert "3 further rows" in methods_paragraphs(found)[0]


def test_the_methods_are_plain_text_with_the_figures_filled_in(folder, summary):
    text = (folder / "methods.md").read_text(encoding="utf-8")
    assert degrees(summary.torsion.mean_deg, signed=True) in text
    assert percent(summary.torsion.shares["3"]) in text
    assert "[camera, lens" in text
    assert "limits of agreement" in text
    assert summary.refusals.selection.sentence in text


def test_the_largest_torsion_and_the_lowest_confidence_are_worth_a_look(table):
    data = observations(table)
    data.loc[5, "standard_uncertainty_deg"] = 9.0
    data.loc[5, "usable"] = True
    looks = worth_a_look(data, most=3)
    assert len(looks) == len({look.row for look in looks}) == 6
    used = data[data["usable"]]
    assert abs(looks[0].torsion_deg) == used["torsion_deg"].abs().max()
    assert str(data.loc[5, "row"]) in {look.row for look in looks}


def test_controls_beside_pairs_from_seated_to_supine_are_no_torsion():
    data = observations(cohort(generator(), patients=9, repeats=1, controls=True))
    is_control = data["posture"] != "seated-supine"
    data.loc[is_control, "torsion_deg"] = -11.0
    assert {look.row for look in worth_a_look(data) if look.why == "largest torsion"}.isdisjoint(
        set(data.loc[is_control, "row"].astype(str))
    )
    alone = worth_a_look(data[is_control], most=2)
    assert [look.why for look in alone[:2]] == ["largest turn", "largest turn"]


def test_where_nothing_is_usable_nothing_is_worth_a_look():
    data = observations(cohort(generator(), patients=9, repeats=1))
    assert worth_a_look(data.assign(usable=False)) == ()


def test_methods_name_only_what_the_figures_rest_on(summary):
    names = ("mixed model", "Wilson", "jackknife", "bootstrap", "(r + l)/2", "Repeatability", "Holm")
    whole = " ".join(methods_paragraphs(summary))
    assert all(name in whole for name in names[:-1])
    one = summarise(cohort(generator(), patients=1, repeats=1, one_eyed=1.0), resamples=50)
    alone = " ".join(methods_paragraphs(one))
    assert [name for name in names if name in alone] == ["Wilson"]
    assert "imits of agreement" not in alone


def test_no_picture_without_the_photo_or_from_outside_the_folder(table, tmp_path):
    row = observations(table).iloc[0].copy()
    for name in ("seated", "supine"):
        for field in ("x", "y", "radius"):
            row[f"{name}.limbus.{field}_px"] = 100.0
    assert picture(row, tmp_path) is None
    row["seated"] = "../elsewhere.png"
    assert picture(row, tmp_path) is None


def test_pictures_are_shown_where_they_were_asked_for_and_say_what_that_means(tmp_path):
    from PIL import Image

    made = cohort(generator(), patients=9, repeats=1)
    Image.new("RGB", (320, 240), (90, 60, 40)).save(tmp_path / "eye.png")
    made[["seated", "supine"]] = "eye.png"
    for name in ("seated", "supine"):
        for field, value in (("x", 160.0), ("y", 120.0), ("radius", 70.0)):
            made[f"{name}.limbus.{field}_px"] = value
    summary = summarise(made, resamples=50)
    out = tmp_path / "out"
    out.mkdir()
    page = write_report(made, summary, out, photos=tmp_path).read_text(encoding="utf-8")
    assert "data:image/png;base64," in page
    assert "no longer anonymous" in page
    assert "eye.png" not in page


@pytest.mark.parametrize("patients", [1, 3])
def test_a_small_cohort_has_a_page_too(tmp_path, patients):
    made = cohort(generator(), patients=patients, repeats=1)
    page = write_report(made, summarise(made, resamples=50), tmp_path).read_text(encoding="utf-8")
    assert "not known" in page


def test_nothing_usable_has_a_page_too(tmp_path):
    made = cohort(generator(), patients=5, refused=1.0)
    page = write_report(made, summarise(made, resamples=50), tmp_path).read_text(encoding="utf-8")
    assert "too few for a mean" in page


def test_repeats_of_controls_stand_in_where_no_pair_was_repeated():
    made = cohort(generator(), patients=10).assign(posture="seated-seated")
    summary = summarise(made, resamples=50)
    assert main_repeats(summary).posture == "seated-seated"
    assert any("seated-seated" in text for text in methods_paragraphs(summary))


def test_unknown_numbers_are_said_in_words():
    assert degrees(Estimate(None, None, 2)) == percent(Estimate(None, None, 2)) == "not known"


def test_a_thumbnail_is_averaged_from_the_photo_and_not_picked_from_it(tmp_path):
    import cv2
    from PIL import Image

    noise = generator().normal(128.0, 40.0, (1500, 1500)).clip(0, 255).astype(np.uint8)
    Image.fromarray(noise).save(tmp_path / "eye.png")
    place = {"x": 750.0, "y": 750.0, "radius": 480.0}
    row = {f"{name}.limbus.{field}_px": at for name in ("seated", "supine") for field, at in place.items()}
    shown = picture(pd.Series(row | {"seated": "eye.png", "supine": "eye.png"}), tmp_path)
    pixels = cv2.imdecode(np.frombuffer(shown, np.uint8), cv2.IMREAD_GRAYSCALE)
    assert pixels.shape == (241, 482)
    assert pixels.astype(float).std() < 15.0  # of six pixels a side: 40 / 6 if all count, 40 if one does
