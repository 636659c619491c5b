"""Figures: what they say in words, that they leave no trace of where they were made, and that they repeat."""

import itertools
import struct
from dataclasses import replace
from functools import partial

import made_up
import numpy as np
import pytest
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.image import AxesImage
from matplotlib.text import Text

from torsion.axis import AxisTransfer, Incision
from torsion.axis_cost import axis_cost
from torsion.confidence import Answer
from torsion.ink_plots import ink_figure
from torsion.inspection_plots import MOST_PHOTOS, inspection_figure
from torsion.landmark_pairs import fit_pairs
from torsion.landmark_plots import pairs_figure
from torsion.laterality import Laterality
from torsion.lens_marks import AgainstPlan, lens_axis
from torsion.lens_plots import lens_figure
from torsion.level import reference_tilt
from torsion.level_plots import level_figure
from torsion.marks import meridian_beside
from torsion.measurement_words import band_words, uncertainty_words
from torsion.orientation import View
from torsion.photo import Ellipse
from torsion.pictures import figure_bytes
from torsion.plots import dials_figure, measurement_figure, png_bytes
from torsion.point_marks import two_point_mark
from torsion.wording import reason_words


def words(figure):
    return "\n".join(text.get_text() for text in figure.findobj(Text))


def extents(figure, texts):
    canvas = FigureCanvasAgg(figure)
    canvas.draw()
    return [text.get_window_extent(canvas.get_renderer()) for text in texts]


def test_accepted_measurement_says_everything_in_words():
    said = words(measurement_figure(made_up.accepted()))
    for part in (
        "ACCEPT",
        "Eye turned 6.38° counter-clockwise",
        "tandard uncertainty 0.02°",
        "excyclotorsion",
        "SEATED: planned axis 90.0°",
        "SUPINE: lens marks at 96.4°",
        "+6.4°",
        "registration only",
        "incision\n126.4°",
        "not a medical device",
        "that supine photo only",
        "seated.png",
    ):
        assert part in said


def test_several_photos_are_told():
    said = words(measurement_figure(made_up.accepted(network=made_up.network())))
    assert "Photos: 2 seated and 2 supine, 3 of 6 pairs used, which scatter by 0.07°; shot 3.jpg" in said


def test_ink_is_numbered_apart_from_landmarks():
    made = made_up.registered()
    said = words(measurement_figure(made, aids=made_up.aids(made, crowded=True))).splitlines()
    assert {"ink 1", "ink 2", "ink 3"} <= set(said)
    assert {"4", "5", "6", "7"} & set(said)


def test_small_print_stays_below_its_photo_whatever_the_name_of_the_file():
    made = made_up.registered()
    named = [
        replace(part, photo=replace(part.photo, name="IMG_" + 15 * "2026"))
        for part in (made.seated, made.supine)
    ]
    made = replace(made, seated=named[0], supine=named[1])
    figure = measurement_figure(made, aids=made_up.aids(made, crowded=True))
    small = [text for text in figure.texts if "circle: limbus" in text.get_text()]
    (seated, supine), (notes,) = extents(figure, small), extents(figure, figure.texts[-2:-1])
    assert seated.x1 < supine.x0
    assert supine.x1 <= figure.bbox.x1
    assert notes.y1 <= min(seated.y0, supine.y0)


def test_an_outline_given_by_hand_is_told_from_one_that_was_found():
    seated = made_up.prepared_photo()
    seated = replace(seated, photo=replace(seated.photo, limbus=seated.limbus))
    said = words(measurement_figure(made_up.accepted(seated=seated)))
    assert said.count("by hand") == 1
    assert "circle: limbus (by hand), dotted: pupil" in said


def test_no_rotation_is_written_without_a_sign_of_its_own():
    band = Answer(-0.001, 0.03, 0.8, 0.6)
    made = made_up.accepted(bands={"iris": band, "limbus": None}, interval_95_deg=(-0.002, 0.05))
    assert band_words(made, "iris").startswith("+0.00°")
    assert "two photos" not in band_words(made, "iris")
    assert "two photos" in band_words(replace(made, network=made_up.network()), "iris")
    assert "-0.01° to +0.05°" in uncertainty_words(made)  # rounded outwards
    inside = made_up.accepted(interval_95_deg=(0.0, 0.05))
    assert "+0.00° to +0.05°" in uncertainty_words(inside)


@pytest.mark.parametrize("make", [made_up.refused, made_up.nothing_found])
def test_refused_measurement_shows_no_axis_but_the_word_and_the_reason(make):
    said = words(measurement_figure(make()))
    assert said.count("REFUSED") == 2
    assert "Reason: " in said
    assert "lens marks" not in said
    assert "21.8" not in said  # a rotation that is not to be used is not shown
    assert "incision\n126" not in said


def test_review_is_said_with_its_flag():
    said = words(measurement_figure(made_up.accepted(verdict="review", flags=("uncertain",))))
    assert "REVIEW" in said
    assert "The standard uncertainty is above half a degree. Remedy: retake" in said


def test_a_flag_of_one_photo_says_which():
    blurred = "the finest detail of the eye is blurred"
    for roles, named in ((["seated"], "seated photo"), (["seated", "supine"], "both photos")):
        made = made_up.blurred(*roles)
        assert reason_words(made.flags, "review", made) == f"{named}: {blurred}"
        assert f"! {named.capitalize()}: {blurred}. Remedy: focus" in words(measurement_figure(made))
    several = made_up.blurred("supine", network=made_up.network())
    assert reason_words(several.flags, "review", several) == f"first supine photo: {blurred}"
    assert reason_words(("uncertain",), "review", several).startswith("the standard")  # of the pair
    nothing = made_up.nothing_found()
    assert "Reason: supine photo: no eye was found" in words(measurement_figure(nothing))


def test_ink_and_lens_say_which_photo_a_flag_is_of():
    made = made_up.blurred("supine", matrix=made_up.MATRIX)
    assert "! Supine photo: the finest detail" in words(ink_figure(made_up.marking(made)))
    lens = lens_axis(made, [(100.0, 120.0), (220.0, 120.0)])
    said = words(lens_figure(made, lens, [], flags=made.flags))
    assert "REVIEW: supine photo: the finest detail" in said
    assert "! Supine photo: the finest detail" in said


def test_turned_view_does_not_draw_the_plan_in_the_supine_photo():
    axis = AxisTransfer(90.0, 6.4, 96.4, None, 0.02, None, (6.3, 6.5), "registration only", "unknown")
    said = words(measurement_figure(made_up.accepted(axis=axis, view=View(90, False))))
    assert "turned by 90°" in said
    assert "SUPINE: lens marks at 6.4°" in said
    assert "96.4° in the patient's frame" in said
    assert "-83.6°" not in said
    assert "thin dashes" not in said


def test_every_flag_that_is_not_written_out_is_counted():
    flags = ("uncertain", "weak_match", "small_eye", "lids_low", "out_of_focus", "off_picture")
    assert "! and 2 more" in words(measurement_figure(made_up.accepted(verdict="review", flags=flags)))


@pytest.mark.parametrize("rotation_deg", [-6.4, 6.4])
def test_incision_next_to_the_axis_keeps_its_own_place(rotation_deg):
    made = made_up.accepted(incision=Incision(90.5, 96.9))
    figure = measurement_figure(made)
    badges = [text for text in figure.findobj(Text) if text.get_text() in ("96.4°", "incision\n96.9°")]
    (x0, y0), (x1, y1) = (text.get_position() for text in badges)
    assert np.hypot(x1 - x0, y1 - y0) > 0.4  # limbus radii; a badge is about 0.4 wide


@pytest.mark.parametrize("draw", [measurement_figure, partial(dials_figure, size_in=(9.8, 4.5))])
@pytest.mark.parametrize(("axis", "incision"), [(90, 90), (90, 95), (45, 225), (175, 0), (10, 350)])
def test_no_badge_covers_another_or_sticks_out(draw, axis, incision):
    """A badge half covered reads as another number: of 90.0° is left 0.0°."""
    carried = AxisTransfer(
        axis, (axis + 6.4) % 180, None, None, 0.02, None, (0.0, 1.0), "registration only", "unknown"
    )
    figure = draw(made_up.accepted(axis=carried, incision=Incision(incision, (incision + 6.4) % 360)))
    canvas = FigureCanvasAgg(figure)
    canvas.draw()
    badges = [text for axes in figure.axes for text in axes.findobj(Text) if text.get_bbox_patch()]
    boxes = [badge.get_bbox_patch().get_window_extent(canvas.get_renderer()) for badge in badges]
    assert len(boxes) == 5  # axis and incision in both, the turn in one
    for one, another in itertools.combinations(boxes, 2):
        assert not one.overlaps(another)
    for box in boxes:
        assert figure.bbox.containsx(box.x0) & figure.bbox.containsx(box.x1)
        assert figure.bbox.containsy(box.y0) & figure.bbox.containsy(box.y1)


def test_degrees_under_a_badge_are_left_out():
    figure = measurement_figure(made_up.accepted())
    said = [text.get_text() for text in figure.axes[0].findobj(Text) if text.get_visible()]
    assert "90°" not in said  # the badge 90.0° stands there
    assert "60°" in said


def test_limbus_lies_at_the_same_scale_in_both_panels():
    """A white spot at the limbus must be drawn at radius 1, whatever the size of the photo."""
    for radius, scale in ((40.0, 1), (80.0, 1), (320.0, 4)):
        photo = made_up.grey_photo(value=0)
        pixels = photo.pixels.copy()
        full = np.array([150.0 * scale + radius, 100.0 * scale])  # right of the centre of the limbus
        column, line = np.round((full + 0.5) / scale - 0.5).astype(int)
        pixels[line, column] = 255
        photo = replace(
            photo, pixels=pixels, width_px=320 * scale, height_px=240 * scale, decoded_scale=scale
        )
        limbus = Ellipse.circle(150.0 * scale, 100.0 * scale, radius)
        prepared = replace(made_up.prepared_photo(), photo=photo, limbus=limbus, pupil=None, picture=None)
        figure = measurement_figure(made_up.accepted(seated=prepared))
        image = next(iter(figure.axes[0].findobj(AxesImage)))
        shown = np.asarray(image.get_array())[..., 0]
        left, right, bottom, top = image.get_extent()
        row, col = np.argwhere(shown == 255)[0]
        x = left + (col + 0.5) * (right - left) / shown.shape[1]
        y = top - (row + 0.5) * (top - bottom) / shown.shape[0]
        assert np.hypot(x - 1.0, y) < 1.0 * scale / radius  # within a decoded pixel


def test_eye_at_the_edge_of_the_picture_is_drawn():
    edge = replace(made_up.prepared_photo(), limbus=Ellipse.circle(5.0, 235.0, 80.0))
    assert png_bytes(measurement_figure(made_up.accepted(seated=edge)))


def test_grey_photo_is_drawn():
    photo = replace(made_up.grey_photo(), pixels=np.full((240, 320), 90, np.uint8))
    assert png_bytes(inspection_figure([replace(made_up.prepared_photo(), photo=photo)]))


@pytest.mark.parametrize("name", ["a$\\frac{$b.png", "left\neye.png", "\u202egnp.png"])
def test_names_are_no_formulas_and_stay_on_their_line(name):
    photo = made_up.prepared_photo(name)
    for figure in (measurement_figure(made_up.accepted(seated=photo)), inspection_figure([photo])):
        assert png_bytes(figure)
        assert name.replace("\n", "?").replace("\u202e", "?") in words(figure)


def chunks(png):
    at, names = 8, []
    while at < len(png):
        (length,) = struct.unpack(">I", png[at : at + 4])
        names.append(png[at + 4 : at + 8].decode())
        at += 12 + length
    return names


def test_picture_has_no_metadata_and_repeats():
    first, second = (png_bytes(measurement_figure(made_up.accepted())) for _ in range(2))
    assert first == second
    assert set(chunks(first)) == {"IHDR", "pHYs", "IDAT", "IEND"}


@pytest.mark.parametrize("kind", ["svg", "pdf"])
def test_other_formats_have_no_metadata_and_repeat(kind):
    first, second = (figure_bytes(measurement_figure(made_up.accepted()), kind, dpi=72) for _ in range(2))
    assert first == second
    assert not any(part in first for part in (b"CreationDate", b"Producer", b"dc:date"))


def test_inspection_of_one_photo_names_no_best():
    said = words(inspection_figure([made_up.prepared_photo("one.png")]))
    assert "one.png" in said
    assert "BEST" not in said
    assert "80 px" in said


def test_flags_of_an_inspected_photo_keep_to_its_card():
    flags = ("half_off_picture", "lids_low", "two_eyes", "out_of_focus", "small_eye", "faint_iris")
    figure = inspection_figure(3 * [made_up.prepared_photo(flags=(*flags, "overexposed"), verdict="review")])
    for cell in figure.axes:
        for box in extents(figure, cell.texts):
            assert cell.bbox.x0 <= box.x0
            assert box.x1 <= cell.bbox.x1
            assert cell.bbox.y0 <= box.y0


def test_inspection_says_what_one_photo_does_not_tell():
    assert "gaze tilt\n–\none photo does not tell" in words(inspection_figure([made_up.prepared_photo()]))


def test_inspection_of_a_photo_of_the_other_eye_asks():
    photo = made_up.prepared_photo()
    other = replace(photo, photo=replace(photo.photo, eye="OD"), laterality=Laterality("OS"))
    assert "OS, not OD?" in words(inspection_figure([other]))


def test_inspection_of_many_marks_the_best_and_says_the_flags():
    photos = [made_up.no_eye(), made_up.prepared_photo(), made_up.prepared_photo(iris_valid=0.2)]
    said = words(inspection_figure(photos))
    assert said.count("BEST OF THESE") == 1
    assert "no eye found" in said
    assert "REFUSED" in said
    assert "No eye was found in the picture." in said


@pytest.mark.parametrize("count", [0, MOST_PHOTOS + 1])
def test_inspection_figure_holds_only_so_many(count):
    with pytest.raises(ValueError, match=f"holds 1 to {MOST_PHOTOS} photos, not {count}"):
        inspection_figure([made_up.no_eye()] * count)


# ---- ink, levels, pairs, lenses ----


def test_ink_of_both_photos_is_told_apart_and_what_is_lost_is_drawn():
    made = made_up.registered()
    marking = made_up.marking(made, made_up.ink_mark(93.0), lost=[made_up.ink_mark(270.0, photo="seated")])
    said = words(ink_figure(replace(marking, case="both_marked"))).splitlines()
    assert "1 ink mark, 1 lost" in said
    assert {"SEATED: ink as it was before", "SUPINE: ink read here", "lost"} <= set(said)
    assert "SEATED: no ink read here" in words(ink_figure(made_up.marking(made, made_up.ink_mark(93.0))))


def test_offsets_of_ink_are_said_by_their_sense():
    made = made_up.registered()
    mark = made_up.ink_mark(93.0, offset_deg=-7.3, meridian_deg=100.3)
    beside = replace(made_up.marking(made, mark), meridians=(meridian_beside(100.3, [mark]),))
    assert "mark 1 is 7.3° clockwise from it" in words(ink_figure(beside))


def test_widths_of_near_marks_do_not_cover_each_other():
    marks = [made_up.ink_mark(angle) for angle in (80.0, 86.0, 97.0)]
    figure = ink_figure(made_up.marking(made_up.registered(), *marks))
    labels = [text for text in figure.findobj(Text) if text.get_text().endswith(": 4.0°")]
    assert len(labels) == 3
    for one, another in itertools.combinations(extents(figure, labels), 2):
        assert not one.overlaps(another)


def test_two_points_are_drawn_where_they_were_given():
    made = made_up.registered()
    points = (130.0, 100.0), (190.0, 140.0)
    marking = replace(
        made_up.marking(made), points=(two_point_mark(*points, photo="supine", measurement=made),)
    )
    seated, supine, _ = (words(axes).splitlines() for axes in ink_figure(marking).axes)
    assert "146.3°" in supine
    assert "146.3°" not in seated


def test_a_level_of_one_photo_keeps_its_caution_on_the_picture():
    tilt = reference_tilt("line", (10.0, 200.0), (300.0, 205.0), posture="seated")
    figure = level_figure({"seated": made_up.grey_photo()}, [(tilt, (10.0, 200.0, 300.0, 205.0))])
    assert all(box.x1 <= figure.bbox.x1 for box in extents(figure, figure.texts))


def test_long_names_of_pairs_stay_in_their_panel():
    made = made_up.registered()
    pairs = [
        replace(pair, name=f"{pair.name}, the vessel that branches twice") for pair in made_up.picked(made)
    ]
    figure = pairs_figure(fit_pairs(pairs), made.seated, made.supine)
    for axes in figure.axes:
        for box in extents(figure, axes.texts):
            assert axes.bbox.x0 <= box.x0
            assert box.x1 <= axes.bbox.x1


def test_marks_of_a_lens_off_centre_are_said_in_the_picture():
    made = made_up.registered()
    points = [(100.0, 80.0), (220.0, 80.0)]
    lens = lens_axis(made, points)
    assert lens.flags == ("marks_off_centre",)
    said = words(lens_figure(made, lens, points, flags=lens.flags))
    assert "! The line through the marks of the lens passes far" in said


def test_without_a_carried_axis_no_cost_is_told():
    made = made_up.refused()
    assert "Cost" not in words(measurement_figure(made, cost=axis_cost(2.0, made.axis, None)))
    made = made_up.registered()
    assert "Cost: lens of 2.00 D" in words(measurement_figure(made, cost=axis_cost(2.0, made.axis, 6.4)))


@pytest.mark.parametrize("mirrored", [False, True])
def test_picture_of_a_lens_says_that_turns_run_the_other_way_in_a_mirrored_photo(mirrored):
    made = made_up.registered(view=View(0, mirrored))
    lens = lens_axis(made, [(100.0, 120.0), (220.0, 120.0)])
    said = words(lens_figure(made, lens, []))
    assert ("run the other way round in this photo as displayed" in said) is mirrored


def test_picture_of_a_lens_says_what_the_text_says():
    made = replace(made_up.registered(), verdict="review", flags=("turned_view", "frame_unknown"))
    lens = lens_axis(made, [(100.0, 120.0), (220.0, 120.0)])
    plan = AgainstPlan(90.0, 96.0, 4.2, 1.3, "registration only", None)
    said = words(lens_figure(made, lens, [], plan=plan, flags=made.flags))
    for part in (
        "REVIEW: the second picture is turned",
        "± 1.3° (registration only)",
        "! The axis refers to the keratometry",
        "! The second picture is turned",
    ):
        assert part in said
