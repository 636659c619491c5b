"""The theatre sheet: what it says, what it must not say, and that it prints on one page."""

import base64
import io
import re
import shutil
from contextlib import suppress
from dataclasses import replace
from functools import cache
from html.parser import HTMLParser

import made_up
import numpy as np
import pytest
from PIL import Image

import synthetic
from torsion.aids import Aids
from torsion.axis import transfer_axis
from torsion.axis_cost import axis_cost
from torsion.band_plots import unrolled_pair
from torsion.deformation import PARAMETERS
from torsion.flags import worst_verdict
from torsion.intake import photo_from_array
from torsion.landmark_sheet import MOST_LANDMARKS, landmark_sheet
from torsion.landmark_survey import LandmarkSurvey
from torsion.landmarks import Landmark, axis_offsets
from torsion.measurement import measure_pair
from torsion.orientation import View
from torsion.report import theatre_sheet
from torsion.sheets import LONGEST_CASE


class _Page(HTMLParser):
    """Text and tags of a page, as a browser would take them."""

    def __init__(self, page):
        super().__init__()
        self.tags, self.attributes, self.texts, self._in_style = [], [], [], False
        self.feed(page)

    def handle_starttag(self, tag, attrs):
        self.tags.append(tag)
        self.attributes += attrs
        self._in_style = tag == "style"

    def handle_endtag(self, tag):
        self._in_style = False

    def handle_data(self, data):
        if not self._in_style:
            self.texts.append(data)

    @property
    def text(self):
        return " ".join(" ".join(self.texts).split())


def text_of(made, **given):
    return _Page(theatre_sheet(made, **given)).text


def images(page):
    return [base64.b64decode(data) for data in re.findall(r'src="data:image/png;base64,([^"]+)"', page)]


def everything(**changes):
    """Return a measurement that fills the page: turned view, incision, more flags than are written out."""
    flags = ("bands_disagree", "weak_match", "turned_view", "small_eye", "lids_low", "frame_unknown")
    made = made_up.registered(
        verdict="review",
        flags=flags,
        view=View(90, True),
        axis=transfer_axis(91.0, 6.4, 0.3, turn_deg=90, mirrored=True),
    )
    return replace(made, **changes)


# ---- what it says ----


def test_accepted_sheet_says_everything():
    made = made_up.registered()
    said = text_of(made, case="Case 17", cost=axis_cost(2.5, made.axis, made.rotation_deg))
    for part in (
        "Case 17",
        "OD right",
        "Theatre sheet: the axis carried from the seated to the supine photo",
        "ACCEPT Both photos show the same eye",
        "Planned axis → lens marks in the supine photo 90.0° → 96.4°",
        "95 % interval ± 0.04° (registration only)",
        "Head: its pose at the keratometry against the seated photo is not known: the difference is in the "
        "axis, and not in the interval",
        "hold for that supine photo only",
        "Incision: 120.0° → 126.4°",
        "6.38° counter-clockwise, excyclotorsion",
        "See that they match",
        "Lens of 2.50 D at the cornea: less than 0.01 D",
        "left uncorrected, 0.56 D (22 % lost)",
        "Patient Eye Source of the plan Axis",
        "signature",
        "not a medical device",
        "mirrored no; seated mirrored no; turned 0°; axis frame unknown",
        made.seated.photo.sha256,
    ):
        assert part in said


def test_without_axis_the_rotation_is_the_headline():
    said = text_of(made_up.accepted(axis=None, incision=None))
    assert "No axis was given Eye turned 6.38° counter-clockwise" in said
    assert "lens marks" not in said
    assert "Case ____" in said
    assert "axis carried" not in said


def test_review_says_why_and_what_the_flags_without_room_mean():
    said = text_of(everything())
    assert "REVIEW Iris and limbal band give different rotations; 4 more reasons below." in said
    assert "Further: lids cover much of the limbus; the axis refers to the keratometry, and how that" in said
    assert "In the patient's frame, view undone: 97.4°" in said
    assert "mirrored left to right" in said


def test_a_flag_of_one_photo_says_which():
    said = text_of(made_up.blurred("seated"))
    assert "REVIEW Seated photo: the finest detail of the eye is blurred." in said
    assert "Seated photo: the finest detail of the eye is blurred. Remedy: focus" in said
    refused = text_of(made_up.nothing_found())
    assert "Supine photo: no eye was found in the picture." in refused
    assert "What to do: Supine photo: fill half of the picture" in refused


def test_a_refusal_gives_every_reason_and_the_photo_that_shows_the_other_side():
    flags = ("eyes_do_not_match", "other_side")
    made = replace(made_up.refused(), flags=flags, eye="OS", lateralities=(None, "OD"))
    said = text_of(made)
    assert "and it does not match: another eye" in said
    assert "supine photo: by the inner corner of the lids, a photo shows the other eye" in said


def test_a_reason_of_two_clauses_counts_once():
    said = text_of(everything(flags=("photo_does_not_match", "frame_unknown")))
    assert "REVIEW One of several photos matches none of the others: another eye, another patient" in said
    assert "or a mirrored picture; it was left out. Axis:" in said
    assert "below" not in said.split("Axis:")[0]


@pytest.mark.parametrize("make", [made_up.refused, made_up.nothing_found])
def test_refused_sheet_says_so_and_carries_no_axis(make):
    made = make()
    cost = axis_cost(2.0, made.axis, None) if made.axis else None
    page = theatre_sheet(made, cost=cost)
    said = _Page(page).text
    assert "REFUSED No rotation to use, and no axis on this sheet" in said
    assert "What to do:" in said
    assert not re.search(r"\d+\.\d+°|\d+\.\d+ D", said)  # no axis, rotation or cost of any kind
    assert "Planned" not in said
    assert len(images(page)) == 1  # the eyes; no bands brought into register


def test_refused_dials_are_those_of_no_plan_at_all():
    with_plan = made_up.refused()
    without = replace(with_plan, axis=None, incision=None)
    assert images(theatre_sheet(with_plan)) == images(theatre_sheet(without))


def test_several_photos_are_told_by_number_and_not_by_file():
    said = text_of(made_up.registered(network=made_up.network()))
    assert (
        "Photos: 2 seated and 2 supine, 3 of 6 pairs used, which scatter by 0.07°; supine photo 2 was left "
        "out: it disagrees with the others, which fit without it." in said
    )
    assert "shot" not in said
    assert "axis frame unknown; 2 further photos" in said
    digits = 8 * "0"
    assert f"sha256 of further ones begins: seated 2 {digits}, supine 2 {digits}" in said


def test_outlines_given_by_hand_are_in_the_record():
    prepared = made_up.prepared_photo()
    prepared = replace(prepared, photo=replace(prepared.photo, limbus=prepared.limbus))
    assert "seated limbus given by hand" in text_of(made_up.accepted(seated=prepared))


def test_what_goes_with_the_axis_is_said_and_that_nothing_was_found():
    made = made_up.registered()
    said = text_of(made, aids=made_up.aids(made, off_deg=3.0))
    for part in (
        "Way to the axis, clock hours of the supine photo ",
        "4, vessel at 8:00 h: 68.4° counter-clockwise",
        "Ink check: violet, 4.0° wide, at 99.4°; from it to the axis 3.0° clockwise (0.3 mm).",
        "Picked by hand: ",
        "the measurement DISAGREES with it",
        "Centre: seated pupil centre (± 0.12 mm each way)",
        "ring of 5 mm round the visual axis (± 0.19 mm, average limbus of 11.71 mm)",
        "dashed circle: 5 mm",
    ):
        assert part in said
    said = text_of(made, aids=Aids(ink=made_up.marking(made)))
    assert "no landmark is recognised in both photos" in said
    assert "Ink check: none found at the limbus." in said


def test_refused_sheet_has_no_aids():
    made = made_up.refused()
    said = text_of(made, aids=made_up.aids(made_up.registered()))
    assert "Ink check" not in said
    assert "Way to" not in said


# ---- what it must not say ----

HOSTILE = [
    "<script>alert(1)</script>",
    '"><img src=x onerror=alert(1)>',
    "</title></style><iframe src=//example.org>",
    "{{ 7 * 7 }} {% raw %} &lt;b&gt;",
    "O'Neill & <b>Söhne</b> 眼",
]


@pytest.mark.parametrize("label", HOSTILE)
def test_label_is_text_and_nothing_else(label):
    plain, hostile = (
        _Page(theatre_sheet(made_up.nothing_found(), case=case)) for case in ("x" * len(label), label)
    )
    assert label in hostile.texts
    assert hostile.tags == plain.tags
    assert hostile.attributes == plain.attributes


def test_label_cannot_turn_or_break_the_line():
    said = text_of(made_up.nothing_found(), case="17\n\u202e\u200f OD \x00\tleft\u2028")
    assert said.startswith("Theatre sheet 17 OD left")


@pytest.mark.parametrize("length", [LONGEST_CASE + 1, 5000])
def test_label_that_does_not_fit_is_named(length):
    with pytest.raises(ValueError, match=f"has {length} characters; at most {LONGEST_CASE} fit"):
        theatre_sheet(made_up.nothing_found(), case="M" * length)


def test_nothing_that_the_file_says_of_itself_leaks():
    def named(prepared):
        photo = replace(prepared.photo, name="Doe^Jane^1950.png", captured_at="1987-06-05T04:03:02")
        return replace(prepared, photo=photo)

    made = everything(seated=named(made_up.prepared_photo()), supine=named(made_up.prepared_photo()))
    page = theatre_sheet(made)
    for part in ("Doe", "Jane", "1950", "1987", "04:03", "png<"):
        assert part not in _Page(page).text
    for png in images(page):
        assert b"Doe" not in png
        names = re.findall(rb"(tEXt|iTXt|zTXt|eXIf|tIME|iCCP)", png[:200])
        assert names == []


def test_page_needs_nothing_from_elsewhere_and_repeats():
    page = theatre_sheet(everything(), case="17")
    assert page == theatre_sheet(everything(), case="17")
    assert "http" not in page.replace('http-equiv="Content-Security-Policy"', "")
    found = _Page(page)
    assert not {"script", "link", "iframe", "a", "object", "form"} & set(found.tags)
    assert all(
        value.startswith("data:image/png;base64,") for name, value in found.attributes if name == "src"
    )


def test_everything_is_black_grey_or_white():
    page = theatre_sheet(everything())
    assert set(re.findall(r"#[0-9a-fA-F]{3,8}\b", page)) == {"#000", "#fff"}
    for png in images(page):
        with Image.open(io.BytesIO(png)) as picture:
            assert picture.mode == "L"


# ---- the bands ----


@pytest.fixture(scope="module")
def measured():
    rng = np.random.default_rng(5)
    pictures = synthetic.draw_pair(made_up.drawn_eye(), "easy", rng, rotation_deg=6.0)
    return measure_pair(*(photo_from_array(picture.rgb) for picture in pictures), eye="OD", axis_deg=90.0)


def likeness(pair):
    """Correlation of two strips along the ring, with what every direction has in common taken out."""
    valid = (pair[0] < 255) & (pair[1] < 255)
    strips = [np.ma.masked_array(strip.astype(float), ~valid) for strip in pair]
    return float(
        np.ma.corrcoef(*(np.ravel(strip - strip.mean(axis=1, keepdims=True)) for strip in strips))[0, 1]
    )


def turned_on(made, angle_deg):
    """Return a measurement whose map turns further by an angle than the photos show."""
    return replace(made, start_deg=made.start_deg + angle_deg)


@pytest.mark.parametrize("band", ["iris", "limbus"])
def test_strips_of_a_pair_match_and_do_not_when_turned_on(measured, band):
    right = likeness(unrolled_pair(measured, band))
    assert right > 0.6
    for angle_deg in (-10.0, -3.0, 3.0, 10.0):
        assert likeness(unrolled_pair(turned_on(measured, angle_deg), band)) < right - 0.3


def test_vessels_meet_although_gaze_shifts_the_white_of_the_eye_against_the_limbus():
    views = [
        synthetic.View(width_px=720, height_px=480, limbus_radius_px=130, yaw_deg=yaw) for yaw in (0.0, 8.0)
    ]
    pictures = [synthetic.draw_picture(made_up.drawn_eye(), view, seed) for seed, view in enumerate(views)]
    found = measure_pair(*(photo_from_array(picture.rgb) for picture in pictures), eye="OD")
    shift = np.zeros(PARAMETERS)
    shift[6:8] = found.parameters[6:8]
    assert np.hypot(*shift[6:8]) > 0.01  # limbus radii at the plane of the limbus: it is there to be undone
    with_shift, without = (
        likeness(unrolled_pair(replace(found, parameters=found.parameters - part), "limbus"))
        for part in (0.0 * shift, shift)
    )
    assert with_shift > without


def test_strips_of_a_mirrored_photo_match_too():
    rng = np.random.default_rng(6)
    first, second = synthetic.draw_pair(made_up.drawn_eye(), "easy", rng, rotation_deg=-4.0)
    found = measure_pair(photo_from_array(first.rgb), photo_from_array(second.rgb[:, ::-1]), eye="OD")
    assert found.flags.count("mirrored") == 1
    assert min(likeness(unrolled_pair(found, band)) for band in ("iris", "limbus")) > 0.4


def test_bands_without_a_map_are_refused():
    with pytest.raises(ValueError, match="a map between them was found"):
        unrolled_pair(made_up.accepted(), "iris")


# ---- in a browser ----


@pytest.fixture(scope="module")
def browser():
    sync_api = pytest.importorskip("playwright.sync_api", reason="playwright is not installed")
    with sync_api.sync_playwright() as driver:
        for path in (None, shutil.which("chromium"), shutil.which("chromium-browser")):
            with suppress(sync_api.Error):
                opened = driver.chromium.launch(executable_path=path, args=["--no-sandbox"])
                break
        else:
            pytest.skip("no Chromium: install it with 'playwright install chromium' or the system's own")
        yield opened
        opened.close()


def crowded():
    """Return as much beside a measurement as a sheet can hold."""
    return {
        "case": "W" * LONGEST_CASE,
        "cost": axis_cost(2.5, transfer_axis(91.0, 6.4, 0.3), 6.4),
        "aids": made_up.aids(made_up.registered(), off_deg=3.0, crowded=True),
    }


def many_photos(count):
    """Return a network of so many photos, two of them seated, of which the last disagrees."""
    network = made_up.network()
    seated, supine, odd = network.photos[:2], network.photos[2], network.photos[3]
    return replace(network, photos=(*seated, *(count - 3) * [supine], odd), disagrees=(count - 1,))


PAGES = {
    "accept": lambda: (made_up.registered(), {"case": "Case 17"}),
    "with aids": lambda: (made_up.registered(), {"aids": made_up.aids(made_up.registered(), off_deg=3.0)}),
    "everything": lambda: (everything(), crowded()),
    "several photos": lambda: (everything(network=many_photos(12)), crowded()),
    "refuse": lambda: (made_up.refused(), {"case": "Case 17"}),
    "nothing found": lambda: (made_up.nothing_found(), {}),
}


@cache
def drawn(name):
    made, given = PAGES[name]()
    return theatre_sheet(made, **given)


@pytest.fixture(params=PAGES)
def page(request, browser, tmp_path):
    """Yield a sheet in the browser, and the addresses that it asked for."""
    file = tmp_path / "sheet.html"
    file.write_text(drawn(request.param), encoding="utf-8")
    opened, asked = browser.new_page(), []
    opened.on("request", lambda sent: asked.append(sent.url))
    opened.goto(file.as_uri())
    yield opened, asked
    opened.close()


@pytest.mark.browser
def test_sheet_prints_on_one_page_of_a4(page):
    opened, _ = page
    pdf = opened.pdf(prefer_css_page_size=True, print_background=False)
    assert len(re.findall(rb"/Type\s*/Page\b", pdf)) == 1
    width, height = (float(size) for size in re.search(rb"/MediaBox \[0 0 ([\d.]+) ([\d.]+)\]", pdf).groups())
    assert (width, height) == pytest.approx((595.3, 841.9), abs=0.5)  # points; the browser rounds to pixels
    opened.emulate_media(media="print")
    # Nothing is cut off: the page would hide what does not fit.
    assert (
        opened.evaluate("(main => main.scrollHeight - main.clientHeight)(document.querySelector('main'))")
        <= 0
    )
    assert (
        opened.evaluate("document.querySelector('.dials img').getBoundingClientRect().height") > 150.0
    )  # 40 mm, beside as much as a sheet can hold; 70 mm as a rule


def survey(*flags):
    """Return as many landmarks as the landmark sheet has room for."""
    places = [
        Landmark(number + 1, "branching vessel", "limbus", 160.0, 120.0, 45.0 * number, 1.1, 0.2, 0.8, 0.2)
        for number in range(MOST_LANDMARKS)
    ]
    verdict = worst_verdict(flags)
    offsets = None if verdict == "refuse" else axis_offsets(places, 90.0)
    return LandmarkSurvey(made_up.prepared_photo(), "OD", 90.0, tuple(places), offsets, flags, verdict)


def test_landmark_sheet_says_its_verdict_and_refused_shows_no_axis():
    accepted, doubtful, refused = (
        _Page(landmark_sheet(survey(*flags))).text for flags in ((), ("lids_low",), ("other_side",))
    )
    assert "REVIEW" not in accepted
    assert "REVIEW Lids cover much of the limbus. Remedy: ask" in doubtful
    for said in (accepted, doubtful):
        assert "Planned axis in this photo (dashed) 90.0°" in said
        assert "nasal" in said
    assert "REFUSED By the inner corner of the lids, a photo shows the other eye" in refused
    assert "No axis" in refused
    for word in ("dashed", "clockwise", "nasal", "From each go"):
        assert word not in refused


@pytest.mark.browser
@pytest.mark.parametrize(
    "flags", [(), ("lids_low",), ("half_off_picture", "two_eyes", "lids_low", "small_eye")]
)
def test_landmark_sheet_prints_whole_on_one_page(browser, tmp_path, flags):
    file = tmp_path / "sheet.html"
    file.write_text(landmark_sheet(survey(*flags), case="W" * LONGEST_CASE), encoding="utf-8")
    opened = browser.new_page()
    opened.goto(file.as_uri())
    assert len(re.findall(rb"/Type\s*/Page\b", opened.pdf(prefer_css_page_size=True))) == 1
    opened.emulate_media(media="print")
    for part in ("main", ".card"):  # neither hides what does not fit
        assert opened.evaluate(
            f"[...document.querySelectorAll('{part}')].every(e => e.scrollHeight <= e.clientHeight)"
        )
    assert opened.evaluate("getComputedStyle(document.querySelector('main')).contain") == "size"
    # Pages break in one piece only, else Chromium prints the cards at full height over what follows.
    height = opened.evaluate("document.querySelector('.picture').getBoundingClientRect().height")
    assert height > 75.0  # 20 mm
    opened.emulate_media(media="screen")
    for width in (360, 700, 1400):
        opened.set_viewport_size({"width": width, "height": 900})
        assert opened.evaluate("document.documentElement.scrollWidth") <= width
    opened.close()


@pytest.mark.browser
@pytest.mark.parametrize("width", [360, 794, 1400])
def test_sheet_never_scrolls_sideways(page, width):
    opened, _ = page
    opened.set_viewport_size({"width": width, "height": 900})
    assert opened.evaluate("document.documentElement.scrollWidth") <= width
    words = "[...document.querySelectorAll('.axis, .aids div')].map(box => box.getBoundingClientRect().width)"
    assert all(
        box >= 0.6 * width for box in opened.evaluate(words) if width == 360
    )  # no column of single words


@pytest.mark.browser
def test_sheet_asks_for_nothing_outside(page):
    opened, asked = page
    assert all(url.startswith(("file:", "data:")) for url in asked)
    assert sum(url.startswith("file:") for url in asked) == 1
    assert opened.evaluate("[...document.images].every(image => image.complete && image.naturalWidth > 0)")
