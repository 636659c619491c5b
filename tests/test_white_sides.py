"""Where the white lies, on pictures made of plain sectors, and what a picture on its side may not do."""

import numpy as np
import pytest
from click.testing import CliRunner
from made_up import drawn_eye
from PIL import Image

import synthetic
import torsion
from torsion.cli import main
from torsion.marking import read_marks
from torsion.photo import Ellipse
from torsion.white_sides import white_beside

WHITE, SKIN, BLOOD = (200, 190, 180), (190, 140, 120), (190, 60, 50)
LIMBUS = Ellipse.circle(120.0, 120.0, 60.0)


def made(right=WHITE, above=SKIN, left=WHITE, below=SKIN):
    """Make a dark disc about which four sectors have a colour each, with skin beyond."""
    down, across = np.mgrid[-120:121, -120:121]
    sector = np.round(np.degrees(np.arctan2(-down, across)) / 90.0).astype(int) % 4
    picture = np.array([right, above, left, below], np.uint8)[sector]
    picture[np.hypot(down, across) > 85] = SKIN
    picture[np.hypot(down, across) < 60] = 40
    return picture


def test_it_is_the_difference_of_the_logarithms_of_red_over_blue():
    contrast = np.log((190 + 8) / (120 + 8) * (180 + 8) / (200 + 8))
    assert white_beside(made(), LIMBUS) == pytest.approx(contrast, rel=1e-3)
    assert white_beside(np.rot90(made()), LIMBUS) == pytest.approx(-contrast, rel=1e-3)
    assert white_beside(np.rot90(made(), 2), LIMBUS) == pytest.approx(contrast, rel=1e-3)


@pytest.mark.parametrize("gains", [(1.2, 1.0, 0.8), (0.6, 0.7, 0.9), (0.4, 0.4, 0.4)])
def test_the_colour_and_strength_of_the_light_do_not_matter(gains):
    lit = np.rint(made() * np.array(gains)).astype(np.uint8)
    assert white_beside(lit, LIMBUS) == pytest.approx(white_beside(made(), LIMBUS), abs=0.03)


@pytest.mark.parametrize("sectors", [{"right": BLOOD}, {"left": BLOOD}, {"right": SKIN}])
def test_blood_or_a_lid_at_one_side_lays_no_picture_on_its_side(sectors):
    assert white_beside(made(**sectors), LIMBUS) > 0.0


def test_a_stain_that_makes_the_white_redder_than_skin_lays_no_picture_on_its_side():
    stained = 190, 110, 70
    assert white_beside(made(right=stained, left=stained), LIMBUS) == pytest.approx(0.0, abs=0.01)


@pytest.mark.parametrize("sectors", [{"above": WHITE, "below": WHITE}, {"below": WHITE, "right": SKIN}])
def test_an_eye_wide_open_lies_on_no_side(sectors):
    assert white_beside(made(**sectors), LIMBUS) >= 0.0


def test_without_colour_or_out_of_the_picture_it_says_nothing():
    assert white_beside(made()[..., 0], LIMBUS) is None
    assert white_beside(made()[..., :1].repeat(3, axis=2), LIMBUS) is None
    assert white_beside(made()[60:180], Ellipse.circle(120.0, 60.0, 60.0)) is None  # neither lid seen


@pytest.fixture(scope="module")
def drawn():
    seated, supine = synthetic.draw_pair(drawn_eye(), "moderate", np.random.default_rng(3))
    return seated.rgb, supine.rgb


@pytest.mark.parametrize("quarters", [1, 3])
def test_no_axis_is_accepted_and_no_ink_read_where_both_lie_on_their_side(drawn, quarters):
    seated, supine = (np.ascontiguousarray(np.rot90(photo, quarters)) for photo in drawn)
    pair = torsion.measure(seated, supine, axis_deg=30.0)
    assert "on_its_side" in pair.seated.flags
    assert "on_its_side" in pair.flags
    assert pair.verdict != "accept"
    for marking in (read_marks(seated), read_marks(seated, supine)):
        assert marking.marks == marking.lost == ()
        assert marking.verdict != "accept"
        assert "on_its_side" in marking.flags
        assert "no_ink" not in marking.flags


def test_it_is_not_said_that_a_photo_on_its_side_shows_no_ink(drawn, tmp_path):
    for name, photo in zip(("a.png", "b.png"), drawn, strict=True):
        Image.fromarray(np.rot90(photo)).save(tmp_path / name)
    files = [str(tmp_path / name) for name in ("a.png", "b.png")]
    for arguments in (["ink", files[0]], ["ink", *files]):
        said = CliRunner().invoke(main, [*arguments, "--eye", "OD"]).stdout
        assert "not looked for in a photo on its side" in said
        assert "found at the limbus" not in said


def test_a_seated_photo_on_its_side_does_not_turn_an_upright_supine_one(drawn):
    seated, supine = np.ascontiguousarray(np.rot90(drawn[0])), drawn[1]
    pair = torsion.measure(seated, supine)
    assert pair.view.turn_deg == 270
    assert (pair.supine.turned_deg, pair.supine.flags) == (0, torsion.prepare(supine).flags)
    assert pair.rotation_deg == pytest.approx(torsion.measure(*drawn).rotation_deg, abs=0.3)


def test_a_stated_turn_is_no_fault(drawn):
    seated, supine = drawn[0], np.ascontiguousarray(np.rot90(drawn[1]))
    assert "on_its_side" in torsion.prepare(supine).flags
    stated = torsion.measure(seated, supine, options=torsion.MeasureOptions(turned_deg=90))
    assert "on_its_side" not in (*stated.flags, *stated.supine.flags)
    assert stated.verdict == "accept"
