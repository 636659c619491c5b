"""Flags, each raised just beyond its limit and not just before it; no photo is needed."""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from tests.made_up import accepted, eye_picture, no_eye, prepared_photo
from torsion import comparison, landmark_survey, mark_changes, marking, measurement
from torsion.cli.landmarks_text import survey_text
from torsion.confidence import Answer, Judgement, widened
from torsion.deformation import PARAMETERS
from torsion.flags import FLAGS
from torsion.ink import Stain
from torsion.landmark_pairs import LandmarkPair, fit_pairs
from torsion.landmarks import Landmark
from torsion.laterality import Laterality
from torsion.level import reference_tilt
from torsion.orientation import View
from torsion.photo import Ellipse
from torsion.quality import assess
from torsion.trial import Located

# ---- one photo ----

RADIUS_PX = 80.0
PIXELS = np.random.default_rng(0).integers(3, 250, (480, 640), np.uint8)


def located(*, radius_px=RADIUS_PX, x_px=320.0, y_px=240.0, upper=0.6, lower=0.9, other_eye=False):
    limbus = Ellipse.circle(x_px, y_px, radius_px)
    return Located(limbus, None, 0.3, upper, lower, other_eye)


def textured(*, share=1.0, fine=True, contrast=60.0, overexposed=0.0):
    """Make an eye of which a share can be used, with texture of single pixels or of broad waves.

    The contrast of its brightness in grey levels.
    """
    eye = eye_picture()
    side = eye.valid.shape[0]
    rng = np.random.default_rng(0)
    waves = np.sin(np.arange(side) / 12.0)[:, None] * np.ones(side)  # far broader than two degrees, 1.4 px
    texture = (rng.normal(0.0, 1.0, (side, side)) if fine else waves).astype(np.float32)
    grey = np.clip(rng.normal(128.0, contrast, (side, side, 1)), 0, 255).astype(np.uint8)
    everywhere = np.ones((side, side), bool)
    valid = everywhere.copy()
    valid[round(share * side) :] = False
    return replace(
        eye,
        rgb=np.repeat(grey, 3, axis=2),
        texture=texture,
        valid=valid,
        iris_region=everywhere,
        limbal_region=everywhere.copy(),
        overexposed=overexposed,
    )


def photo_flags(eye, place=None, *, scale=1):
    measures, flags = assess(place or located(), eye, PIXELS, scale)
    assert set(flags) <= set(FLAGS)
    return measures, flags


def test_a_good_photo_has_no_flag():
    measures, flags = photo_flags(textured())
    assert flags == ()
    assert measures["limbus_radius_px"] == pytest.approx(RADIUS_PX)
    assert measures["pixels_per_degree"] == pytest.approx(RADIUS_PX * np.pi / 180.0)
    assert measures["iris_valid"] == measures["limbus_valid"] == 1.0


@pytest.mark.parametrize(
    ("flag", "before", "beyond"),
    [
        ("eye_covered", {"share": 0.06}, {"share": 0.04}),  # of both bands; the limbal one needs 5 %
        ("out_of_focus", {"fine": True}, {"fine": False}),
        ("faint_iris", {"contrast": 60.0}, {"contrast": 3.0}),
        ("overexposed", {"overexposed": 0.49}, {"overexposed": 0.51}),
    ],
)
def test_what_the_eye_shows(flag, before, beyond):
    assert flag not in photo_flags(textured(**before))[1]
    assert flag in photo_flags(textured(**beyond))[1]


@pytest.mark.parametrize(
    ("flag", "before", "beyond"),
    [
        ("lids_low", {"upper": 0.0, "lower": 0.72}, {"upper": 0.0, "lower": 0.68}),  # 35 % of the limbus
        ("off_picture", {"x_px": RADIUS_PX + 1.0}, {"x_px": RADIUS_PX - 1.0}),
        ("off_picture", {"x_px": 638.0 - RADIUS_PX}, {"x_px": 640.0 - RADIUS_PX}),
        ("off_picture", {"y_px": RADIUS_PX + 1.0}, {"y_px": RADIUS_PX - 1.0}),
        ("half_off_picture", {"y_px": 453.0}, {"y_px": 456.0}),  # 0.31 radii from the edge: 40 %
        ("two_eyes", {"other_eye": False}, {"other_eye": True}),
        ("small_eye", {"radius_px": 41.0}, {"radius_px": 39.0}),
    ],
)
def test_where_the_eye_is(flag, before, beyond):
    assert flag not in photo_flags(textured(), located(**before))[1]
    assert flag in photo_flags(textured(), located(**beyond))[1]


@pytest.mark.parametrize(("step", "flagged"), [(8, False), (10, True)])  # waves up to half of it are lost
def test_what_compression_rounded_away(step, flagged):
    wave = np.cos(np.pi * (np.arange(8) + 0.5) / 8)
    rng = np.random.default_rng(0)
    steps = rng.integers(-2, 3, (60, 80)).repeat(8, axis=0).repeat(8, axis=1)
    pixels = np.rint(128.0 + step * steps * np.tile(wave, 80)).astype(np.uint8)
    assert ("overcompressed" in assess(located(), textured(), pixels, 1)[1]) is flagged


@pytest.mark.parametrize(("redness", "flagged"), [(0.09, False), (0.11, True)])
def test_white_above_and_below(redness, flagged):
    """The sides and what lies further out redder by the logarithm of red over blue, as lids and skin are."""
    pixels = np.full((480, 640, 3), (192, 160, round(150 * np.exp(-redness)) - 8), np.uint8)
    down, across = np.mgrid[-240:240, -320:320]
    pixels[(np.hypot(down, across) < 1.45 * RADIUS_PX) & (abs(down) > abs(across))] = 192, 160, 142
    assert ("on_its_side" in assess(located(), textured(), pixels, 1)[1]) is flagged


def test_a_picture_read_at_half_its_size_counts_in_full_pixels():
    measures, flags = photo_flags(textured(), located(radius_px=30.0), scale=2)
    assert measures["limbus_radius_px"] == pytest.approx(60.0)
    assert "small_eye" not in flags


# ---- a pair: the stages are replaced, so that each limit is met exactly ----


def band(*, usable=200, name="iris"):
    return SimpleNamespace(band=name, usable=np.arange(300) < usable)


@pytest.fixture
def pair_flags(monkeypatch):
    """Measure a pair whose stages give what is asked for; return the measurement."""

    def run(
        *,
        usable=200,
        score=0.8,
        margin=0.3,
        rotation_deg=5.0,
        uncertainty_deg=0.1,
        iris=(5.0, 0.1, 0.8),
        limbus=(5.0, 0.1, 0.8),
        view=(0, False),
        copied=False,
        supine_pupil=0.4,
        supine=None,
        matrix=None,
        signs=(),
        **options,
    ):
        votes = [band(usable=usable // 2), band(usable=usable - usable // 2, name="limbus")]
        whole = Answer(rotation_deg, uncertainty_deg, score, 0.6)
        bands = {name: found and Answer(*found, 0.6) for name, found in (("iris", iris), ("limbus", limbus))}
        stages = {
            "find_view": lambda *_: (
                View(*view),
                SimpleNamespace(
                    rotation_deg=rotation_deg,
                    score=score,
                    rival_score=score - margin,
                    curve_deg=np.zeros(1),
                    curve=np.zeros(1),
                ),
            ),
            "_order_signs": lambda *_: signs,
            "register": lambda *_: SimpleNamespace(
                votes=votes,
                matrix=np.eye(2, 3) if matrix is None else matrix,
                start_deg=0.0,
                parameters=np.zeros(PARAMETERS),
            ),
            "judged": lambda registration: Judgement(
                registration, widened(whole, bands["iris"], bands["limbus"]), bands
            ),
            "same_exposure": lambda *_: copied,
        }
        for name, stage in stages.items():
            monkeypatch.setattr(comparison, name, stage)
        supine = supine or prepared_photo("supine.png")
        supine = replace(supine, picture=replace(supine.picture, pupil=(0.0, 0.0, supine_pupil)))
        again = {id(supine.photo): supine}  # a turned photo is prepared anew
        monkeypatch.setattr(measurement, "prepare", lambda photo, **_: again.get(id(photo), photo))
        found = measurement.measure_pair(prepared_photo(), supine, **options)
        assert set(found.flags) <= set(FLAGS)
        return found

    return run


@pytest.mark.parametrize(
    ("found", "stated", "shown"),
    [(False, False, False), (True, False, True), (False, True, True), (True, True, False)],
)
def test_a_mirror_that_was_stated_and_one_that_was_found_undo_each_other(pair_flags, found, stated, shown):
    options = measurement.MeasureOptions(mirrored=stated)
    assert pair_flags(view=(0, found), options=options).view == View(0, shown)


def test_a_turn_is_one_of_four():
    with pytest.raises(ValueError, match="turned_deg must be 0, 90, 180 or 270, not 45"):
        measurement.MeasureOptions(turned_deg=45)


def test_bands_that_differ_by_more_than_they_state_widen_the_uncertainty(pair_flags):
    plain, apart = pair_flags(), pair_flags(limbus=(6.0, 0.1, 0.8))
    assert apart.standard_uncertainty_deg > plain.standard_uncertainty_deg


@pytest.mark.parametrize("order", [1, -1])
def test_a_photo_without_an_eye_gives_nothing_to_compare(order):
    photos = [prepared_photo(), no_eye()][::order]
    found = measurement.measure_pair(*photos)
    assert (found.verdict, found.view, found.rotation_deg) == ("refuse", None, None)
    assert found.flags[0] == "no_eye"


@pytest.mark.parametrize(("mirrored", "side"), [(False, 1.0), (True, -1.0)])
def test_the_map_between_pixels_is_that_in_limbus_radii(pair_flags, mirrored, side):
    """A quarter turn counter-clockwise and a shift, y upwards in radii and downwards in pixels, by hand."""
    supine = replace(prepared_photo("supine.png"), limbus=Ellipse.circle(100.0, 90.0, 50.0))
    quarter = np.array([[0.0, -1.0, 0.1], [1.0, 0.0, 0.2]])
    found = pair_flags(supine=supine, matrix=quarter, view=(0, mirrored))
    limbus = found.seated.limbus
    at_three = limbus.x_px + limbus.radius_px, limbus.y_px, 1.0
    np.testing.assert_allclose(found.matrix @ at_three, [100.0 + side * 5.0, 90.0 - 60.0], rtol=0, atol=1e-9)


@pytest.mark.parametrize(("turned_deg", "seen"), [(0, "OD"), (180, "OS")])
@pytest.mark.parametrize("score", [0.8, 0.1])
def test_the_side_that_a_photo_shows_does_not_depend_on_the_other_one(pair_flags, score, turned_deg, seen):
    """Of a photo that matches, the view as found counts, which here is the one stated."""
    supine = replace(prepared_photo("supine.png"), laterality=Laterality("OD"))
    options = measurement.MeasureOptions(turned_deg=turned_deg)
    bands = {"iris": (5.0, 0.1, score), "limbus": (5.0, 0.1, score)}
    found = pair_flags(
        supine=supine, score=score, margin=score, view=(turned_deg, False), options=options, **bands
    )
    assert found.lateralities[1] == seen
    unmatched = measurement.measure_pair(no_eye(), supine, eye="OD", options=options)
    assert unmatched.lateralities == (None, seen)
    assert ("other_side" in unmatched.flags) is (seen == "OS")


def test_the_view_of_photos_that_do_not_match_says_nothing_of_the_side(pair_flags):
    supine = replace(prepared_photo("supine.png"), laterality=Laterality("OD"))
    bands = {"iris": (5.0, 0.1, 0.1), "limbus": (5.0, 0.1, 0.1)}
    found = pair_flags(supine=supine, score=0.1, margin=0.1, view=(180, False), **bands)
    assert found.lateralities[1] == "OD"


@pytest.mark.parametrize(
    ("eye", "shown", "flags"),
    [
        ("OD", None, ("side_not_seen",)),
        ("OD", "OD", ()),  # one photo that shows its side will do
        ("OD", "OS", ("other_side",)),
    ],
)
def test_the_side_that_one_photo_shows_is_compared_with_the_one_stated(pair_flags, eye, shown, flags):
    supine = replace(prepared_photo("supine.png"), laterality=Laterality(shown))
    assert pair_flags(eye=eye, supine=supine).flags == flags


def test_the_eye_may_be_stated_by_the_second_file_alone(pair_flags):
    supine = prepared_photo("supine.png")
    supine = replace(supine, photo=replace(supine.photo, eye="OS"))
    assert pair_flags(supine=supine).eye == "OS"


def test_signs_of_an_exchange_make_the_order_doubtful(pair_flags):
    signs = ("time",)
    found = pair_flags(signs=signs)
    assert "order_doubtful" in found.flags
    assert found.order_signs == signs


@pytest.mark.parametrize(("turn_deg", "sideways"), [(0, False), (90, True), (180, False), (270, True)])
def test_what_the_order_is_judged_by(monkeypatch, turn_deg, sideways):
    """The less exposed half of the limbus counts, and a picture on its side hides what lids show."""
    monkeypatch.setattr(comparison, "order_signs", lambda *pictures, **given: given)
    exposed = {"pupil_ratio": 0.3, "exposed_upper": 0.7, "exposed_lower": 0.9}
    photos = [prepared_photo(name, **exposed) for name in ("a", "b")]
    given = comparison._order_signs(*photos, View(turn_deg, False))
    assert (given["exposed"], given["sideways"]) == (0.7, sideways)


def test_an_incision_is_carried_into_the_picture_as_displayed(pair_flags):
    """Eye turned by 5 degrees, picture turned by 180: 120 becomes 120 + 5 + 180, in either case by hand."""
    found = pair_flags(rotation_deg=185.0, view=(180, False), axis_deg=90.0, incision_deg=120.0)
    assert found.rotation_deg == pytest.approx(5.0)
    assert found.incision.surgical_deg == pytest.approx(305.0)


def test_in_a_mirror_a_turn_has_the_other_sense(pair_flags):
    lying = Laterality(None, "OD")  # on its side it shows a right eye, if turned counter-clockwise
    supine = replace(prepared_photo("supine.png"), laterality=lying)
    assert pair_flags(supine=supine, view=(90, False)).lateralities[1] == lying.seen(turn_deg=90) == "OD"
    assert pair_flags(supine=supine, view=(90, True)).lateralities[1] == lying.seen(turn_deg=270) == "OS"


def test_a_good_pair_is_accepted(pair_flags):
    found = pair_flags(eye="OD")
    assert (found.verdict, found.flags) == ("accept", ("side_not_seen",))  # grey pictures show no side
    assert found.interval_95_deg == pytest.approx((5.0 - 1.96 * 0.1, 5.0 + 1.96 * 0.1))
    assert found.direction == "excyclotorsion"


TURNED = {"options": measurement.MeasureOptions(turned_deg=180)}
POOR = {"iris": (5.0, 0.1, 0.1), "limbus": (5.0, 0.1, 0.1)}  # bands that match nothing by themselves
VESSELS = {"score": 0.1, "iris": (5.0, 0.1, 0.1), "limbus": (5.0, 0.1, 0.34)}  # in the limbal band alone
PAIR_LIMITS = [
    ("not_enough_to_compare", {"usable": 40}, {"usable": 39}),
    ("eyes_do_not_match", POOR | {"score": 0.34, "margin": 0.02}, POOR | {"score": 0.32, "margin": 0.02}),
    ("eyes_do_not_match", POOR | {"score": 0.34, "margin": 0.02}, POOR | {"score": 0.34, "margin": 0.01}),
    ("eyes_do_not_match", POOR | {"score": 0.21, "margin": 0.07}, POOR | {"score": 0.19, "margin": 0.07}),
    ("eyes_do_not_match", VESSELS | {"margin": 0.04}, VESSELS | {"margin": 0.02}),  # a band must lead clearly
    ("eyes_do_not_match", VESSELS | {"margin": 0.04}, POOR | {"margin": 0.04, "score": 0.1}),
    ("eyes_do_not_match", VESSELS | {"margin": 0.04}, VESSELS | {"margin": 0.04, "usable": 78}),  # 39 of it
    ("weak_match", POOR | {"score": 0.41, "margin": 0.04}, POOR | {"score": 0.39, "margin": 0.04}),
    ("weak_match", POOR | {"score": 0.21, "margin": 0.11}, POOR | {"score": 0.21, "margin": 0.09}),
    ("weak_match", VESSELS | {"margin": 0.11}, VESSELS | {"margin": 0.09}),
    ("uncertain", {"uncertainty_deg": 0.49}, {"uncertainty_deg": 0.51}),
    ("too_uncertain", {"uncertainty_deg": 1.99}, {"uncertainty_deg": 2.01}),
    ("large_rotation", {"rotation_deg": 14.9}, {"rotation_deg": -15.1}),
    ("turned_view", {}, {"view": (90, False)}),
    ("turned_view", TURNED | {"view": (180, False)}, TURNED),  # stated, and not found
    ("mirrored", {}, {"view": (0, True)}),
    ("same_picture", {}, {"copied": True}),
    ("bands_disagree", {"limbus": (5.4, 0.1, 0.8)}, {"limbus": (5.6, 0.1, 0.8)}),  # half a degree
    ("bands_disagree", {"limbus": (6.0, 0.4, 0.8)}, {"limbus": (6.0, 0.3, 0.8)}),  # 3 uncertainties
    ("iris_only", {}, {"limbus": None}),
    ("iris_only", {"limbus": (5.0, 0.1, 0.34)}, {"limbus": (5.0, 0.1, 0.32)}),  # matches nothing
    ("iris_only_dilated", {"limbus": None, "supine_pupil": 0.64}, {"limbus": None, "supine_pupil": 0.66}),
    ("iris_only_dilated", {"supine_pupil": 0.7}, {"limbus": None, "supine_pupil": 0.1}),
    ("limbus_only", {}, {"iris": None}),
    ("limbus_only", {"iris": (5.0, 0.1, 0.34)}, {"iris": (5.0, 0.1, 0.32)}),
    ("eye_not_given", {"eye": "OD"}, {}),
    ("frame_unknown", {"axis_deg": 90.0, "axis_frame": "same"}, {"axis_deg": 90.0}),
]


@pytest.mark.parametrize(("flag", "before", "beyond"), PAIR_LIMITS)
def test_what_the_pair_shows(pair_flags, flag, before, beyond):
    assert flag not in pair_flags(**before).flags
    found = pair_flags(**beyond)
    assert flag in found.flags
    ranks = ("accept", "review", "refuse")
    assert ranks.index(found.verdict) >= ranks.index(FLAGS[flag].verdict)


def test_the_frame_of_an_axis_that_is_not_carried_does_not_matter(pair_flags):
    found = pair_flags(axis_deg=90.0, uncertainty_deg=2.01)
    assert found.verdict == "refuse"
    assert found.axis.surgical_deg is None
    assert "frame_unknown" not in found.flags


@pytest.mark.parametrize(("margin", "stays"), [(0.3, False), (0.02, True)])
def test_what_a_photo_foretells_falls_where_both_match_well(pair_flags, margin, stays):
    supine = replace(prepared_photo("supine.png"), flags=("faint_iris", "lids_low"), verdict="review")
    found = pair_flags(supine=supine, margin=margin)
    assert ("weak_match" in found.flags) is ("faint_iris" in found.flags) is stays
    assert "lids_low" in found.flags  # which is seen, not foretold
    assert found.supine.verdict == "review"


def test_a_refused_pair_carries_no_axis_and_an_accepted_one_does(pair_flags):
    asked = {"axis_deg": 178.0, "axis_frame": "same", "incision_deg": 358.0}
    found = pair_flags(**asked)
    assert (found.axis.surgical_deg, found.incision.surgical_deg) == (3.0, 3.0)
    refused = pair_flags(uncertainty_deg=2.1, **asked)
    assert (refused.axis.surgical_deg, refused.incision.surgical_deg) == (None, None)


def test_the_view_is_taken_out_of_the_rotation_and_put_into_the_axis(pair_flags):
    found = pair_flags(rotation_deg=95.0, view=(90, False), axis_deg=30.0, eye="OS")
    assert found.rotation_deg == pytest.approx(5.0)
    assert found.axis.surgical_deg == pytest.approx(125.0)
    assert found.axis.surgical_patient_deg == pytest.approx(35.0)
    assert found.direction == "incyclotorsion"  # counter-clockwise in a left eye


# ---- ink ----


def stain(**changes):
    usual = Stain(90.0, 3.0, 4.0, 1.3, 0.4, "violet", 0.1, covered=False, certain=True)
    return replace(usual, **changes)


@pytest.fixture
def ink_flags(monkeypatch):
    """Read marks where the search for ink finds what is asked for; return the flags."""

    def run(seated=(), supine=None, *, photo=None, **options):
        matrix = np.array([[1.0, 0.0, 0.0], [0.0, 1.0, 0.0]])
        pair = accepted(rotation_deg=0.0, flags=(), matrix=matrix)
        rim = SimpleNamespace(covariance=1e-4 * np.eye(2))
        monkeypatch.setattr(
            mark_changes,
            "read_stains",
            lambda one, **_: tuple(supine if one.photo is pair.supine else seated),
        )
        monkeypatch.setattr(
            mark_changes, "outlined", lambda one: SimpleNamespace(photo=one, limbus=one.limbus, rim=rim)
        )
        monkeypatch.setattr(marking, "measure_pair", lambda *_, **__: pair)
        monkeypatch.setattr(marking, "is_grey", lambda _: False)
        return marking.read_marks(
            photo or pair.seated, None if supine is None else pair.supine, **options
        ).flags

    return run


@pytest.mark.parametrize(
    ("flag", "before", "beyond"),
    [
        ("broad_mark", {"width_deg": 4.9}, {"width_deg": 5.1}),
        ("mark_covered", {}, {"covered": True}),
        ("ink_or_pigment", {}, {"color": "brown", "certain": False}),
    ],
)
def test_what_one_mark_shows(ink_flags, flag, before, beyond):
    assert flag not in ink_flags([stain(**before)])
    assert flag in ink_flags([stain(**beyond)])


@pytest.mark.parametrize(
    ("flag", "before", "beyond"),
    [
        ("ink_moved", [stain(direction_deg=90.6)], [stain(direction_deg=92.5)]),
        ("ink_spread", [stain(width_deg=3.8)], [stain(width_deg=4.0)]),  # by 30 %
        ("ink_lost", [stain()], [stain(direction_deg=200.0)]),
        ("ink_or_pigment", [stain(density=0.36)], [stain(density=0.34)]),
        ("no_ink", [stain()], []),
    ],
)
def test_what_became_of_a_mark(ink_flags, flag, before, beyond):
    assert flag not in ink_flags([stain()], before)
    if flag == "no_ink":
        assert flag in ink_flags([], beyond)
    else:
        assert flag in ink_flags([stain()], beyond)


def test_ink_that_is_lost_was_there(ink_flags):
    flags = ink_flags([stain()], [])
    assert "ink_lost" in flags
    assert "no_ink" not in flags


def test_a_meridian_beside_the_ink(ink_flags):
    assert "meridian_outside_ink" not in ink_flags([stain()], meridians_deg=[91.0])
    assert "meridian_outside_ink" in ink_flags([stain()], meridians_deg=[92.0])


# ---- landmarks and levels ----


@pytest.mark.parametrize(("count", "flags"), [(0, {"no_landmarks"}), (2, {"few_landmarks"}), (3, set())])
def test_how_many_landmarks_were_found(monkeypatch, count, flags):
    monkeypatch.setattr(landmark_survey, "find_landmarks", lambda *_, **__: (None,) * count)
    assert set(landmark_survey.survey_landmarks(prepared_photo()).flags) == flags


def test_what_was_not_looked_for_without_an_eye_is_not_said_to_be_missing():
    survey = landmark_survey.survey_landmarks(no_eye())
    assert survey.flags == ("no_eye",)
    assert survey_text(survey) == ["REFUSED: no eye was found in the picture"]
    expecting = marking.MarkOptions(expected=2)
    assert marking.read_marks(no_eye()).flags == ("no_eye",)
    assert marking.read_marks(no_eye(), options=expecting).flags == ("no_eye",)


@pytest.mark.parametrize(("shown", "refused"), [("OS", True), ("OD", False), (None, False)])
def test_a_seated_photo_alone_must_show_the_side_that_is_stated(monkeypatch, ink_flags, shown, refused):
    three = [Landmark(n, "spot", "iris", 0, 0, 80.0 * n, 1.0, 0.2, 0.8, 0.5) for n in (1, 2, 3)]
    monkeypatch.setattr(landmark_survey, "find_landmarks", lambda *_, **__: three)
    photo = replace(prepared_photo(), laterality=Laterality(shown))
    found = landmark_survey.survey_landmarks(photo, eye="OD", axis_deg=90.0)
    assert ("other_side" in found.flags) is (found.offsets is None) is refused
    assert ("other_side" in ink_flags([stain()], photo=photo, eye="OD")) is refused


def test_ink_asks_for_no_detail_of_the_iris(ink_flags):
    photo = replace(prepared_photo(), flags=("faint_iris", "lids_low"), verdict="review")
    assert set(ink_flags([stain()], photo=photo)) >= {"lids_low"}
    assert "faint_iris" not in ink_flags([stain()], photo=photo)


SQUARE = ((100.0, 100.0), (500.0, 100.0), (500.0, 500.0), (100.0, 500.0))


def pairs(supine):
    return [LandmarkPair(str(n), *one, *two) for n, (one, two) in enumerate(zip(SQUARE, supine, strict=True))]


def pulled(*steps_px):
    return [(x + dx, y + dy) for (x, y), (dx, dy) in zip(SQUARE, steps_px, strict=True)]


def test_hand_picked_pairs_that_fit_have_no_flag():
    assert fit_pairs(pairs(SQUARE), click_px=1.0).flags == ()


@pytest.mark.parametrize(
    ("flag", "supine"),
    [
        ("pairs_swapped", [SQUARE[1], SQUARE[0], SQUARE[2], SQUARE[3]]),
        ("pair_misplaced", pulled((0, 0), (0, 0), (0, 0), (60, 40))),
        ("pairs_disagree", pulled((60, 0), (-60, 0), (60, 0), (-60, 0))),  # sheared: no pair is to blame
    ],
)
def test_hand_picked_pairs_that_do_not_fit(flag, supine):
    found = fit_pairs(pairs(supine), click_px=1.0)
    assert flag in found.flags
    assert found.verdict != "accept"


@pytest.mark.parametrize(
    ("click_px", "flags"), [(3.4, ()), (3.6, ("pairs_uncertain",)), (14.1, ("pairs_too_uncertain",))]
)
def test_hand_picked_pairs_and_the_limits_of_their_uncertainty(click_px, flags):
    """At the corners of a square of 400 pixels a turn is known to click / 400 radians."""
    found = fit_pairs(pairs(SQUARE), click_px=click_px)
    assert found.standard_uncertainty_deg == pytest.approx(np.degrees(click_px / 400.0))
    assert found.flags == flags


def test_a_reference_that_is_far_from_level():
    assert reference_tilt("canthi", (0.0, 57.0), (100.0, 0.0), posture="seated").flags == ()  # 29.7 degrees
    steep = reference_tilt("canthi", (0.0, 58.0), (100.0, 0.0), posture="seated")  # 30.1 degrees
    assert steep.flags == ("reference_steep",)
