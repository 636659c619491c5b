"""Several photos of each posture: what is combined, what is left out, and what is said of it."""

import itertools
import json
from dataclasses import replace

import jsonschema
import made_up
import numpy as np
import pytest

import synthetic
import torsion
from torsion import several
from torsion.confidence import FLOOR_DEG
from torsion.demo_layers import load_layers, take_photo
from torsion.files import MEASUREMENT_SCHEMA, read_schema, to_json
from torsion.flags import worst_verdict
from torsion.measurement import MeasureOptions, measure_pair
from torsion.network_words import network_words
from torsion.orientation import View
from torsion.record import measurement_record

STATED_DEG = 0.2


class World:
    """Photos that are names, and what their pairs give: turns, wrong pairs, and flags."""

    def __init__(self, **turns):
        self.turns = turns
        self.wrong = {}
        self.flags = {}
        self.stated = {}
        self.shows = {}
        self.photos = {name: made_up.prepared_photo(name) for name in turns}
        self.asked = []

    def measure(self, first, second, *, eye, options):
        names = first.photo.name, second.photo.name
        self.asked.append(names)
        turn = self.turns[names[1]] - self.turns[names[0]] + self._of(self.wrong, names, 0.0, -1.0)
        flags = (*first.flags, *second.flags, *self._of(self.flags, names, ()))
        return made_up.accepted(
            rotation_deg=turn,
            standard_uncertainty_deg=self._of(self.stated, names, STATED_DEG),
            verdict=worst_verdict(flags),
            flags=flags if eye else (*flags, "eye_not_given"),
            seated=first,
            supine=second,
            eye=eye,
            axis=None,
            incision=None,
            options=options,
            lateralities=tuple(self.shows.get(name) for name in names),
        )

    def _of(self, table, names, default, sign=1):
        if names in table:
            return table[names]
        return table[names[::-1]] * sign if names[::-1] in table else default

    def combine(self, seated, supine, **options):
        seated, supine = ([self.photos[name] for name in names.split()] for names in (seated, supine))
        return several.measure(seated, supine, **options)


@pytest.fixture
def world(monkeypatch):
    made = World(a=0.0, b=1.5, p=5.0, q=7.1, r=3.3)
    monkeypatch.setattr(several, "measure_pair", made.measure)
    return made


def left_out(found):
    return {photo.file: photo.left_out for photo in found.network.photos if photo.left_out}


def complaints(found):
    record = json.loads(to_json(measurement_record(found)))
    return [
        fault.message
        for fault in jsonschema.Draft202012Validator(read_schema(MEASUREMENT_SCHEMA)).iter_errors(record)
    ]


# ---- what is combined ----


def test_rotation_and_axis_are_those_between_the_first_photos(world):
    found = world.combine("a b", "p q", eye="OD", axis_deg=90, axis_frame="same", incision_deg=10)
    assert found.rotation_deg == pytest.approx(5.0)
    assert found.axis.surgical_deg == pytest.approx(95.0)
    assert found.axis.registration_deg == found.standard_uncertainty_deg
    assert found.incision.surgical_deg == pytest.approx(15.0)
    assert found.interval_95_deg == pytest.approx((5.0 - 1.96 * 0.2, 5.0 + 1.96 * 0.2))
    assert (found.direction, found.verdict, found.flags) == ("excyclotorsion", "accept", ())
    assert [photo.rotation_deg for photo in found.network.photos] == pytest.approx([0.0, 1.5, 5.0, 7.1])
    assert [photo.role for photo in found.network.photos] == ["seated", "seated", "supine", "supine"]
    assert (found.network.pairs_used, found.network.pairs_left_out) == (6, 0)
    assert (found.seated.photo.name, found.supine.photo.name) == ("a", "p")
    assert found.seated.photo.eye == found.supine.photo.eye == "OD"
    assert complaints(found) == []


def test_all_pairs_are_measured_once_and_told(world):
    told = []
    world.combine("a b", "p q r", progress=lambda done, total: told.append((done, total)))
    assert world.asked == list(itertools.combinations("abpqr", 2))
    assert told == [(k, 10) for k in range(1, 11)]


def test_the_order_of_the_others_does_not_matter(world):
    world.wrong = {("a", "q"): 0.2, ("b", "r"): -0.1, ("q", "r"): 0.15}
    one, other = world.combine("a b", "p q r"), world.combine("a b", "p r q")
    assert other.rotation_deg == pytest.approx(one.rotation_deg)
    assert other.standard_uncertainty_deg == pytest.approx(one.standard_uncertainty_deg)
    assert other.network.chi_square == pytest.approx(one.network.chi_square)


def test_swapped_postures_negate(world):
    world.wrong = {("a", "q"): 0.2, ("b", "p"): -0.1}
    there, back = world.combine("a b", "p q"), world.combine("p q", "a b")
    assert back.rotation_deg == pytest.approx(-there.rotation_deg)
    assert back.standard_uncertainty_deg == pytest.approx(there.standard_uncertainty_deg)


def test_the_uncertainty_of_the_pair_is_replaced_by_that_of_all(world):
    world.flags[("a", "p")] = ("uncertain",)
    world.stated[("a", "p")] = 0.9
    found = world.combine("a b", "p q")
    assert found.standard_uncertainty_deg < 0.5
    assert "uncertain" not in found.flags
    assert found.verdict == "accept"


def test_turned_and_mirrored_views_are_counted_as_such(world):
    """All supine photos turned and mirrored alike: between two of them the mirror turns the sign."""

    def measure(first, second, *, eye, options):
        found = world.measure(first, second, eye=eye, options=options)
        supine = first.photo.name in "pqr", second.photo.name in "pqr"
        if supine == (True, True):
            assert not options.mirrored
            return replace(found, rotation_deg=-found.rotation_deg)
        return replace(found, view=View(90, True)) if supine[1] else found

    several.measure_pair = measure  # the fixture puts the old one back
    found = world.combine("a b", "p q", options=MeasureOptions(mirrored=True), axis_deg=30)
    assert found.network.chi_square == pytest.approx(0.0, abs=1e-9)
    assert found.rotation_deg == pytest.approx(5.0)
    assert found.view == View(90, True)
    assert found.axis.surgical_deg == pytest.approx(180 - (30 + 5 + 90))
    assert complaints(found) == []


# ---- what is left out ----


def test_another_eye_is_named_and_not_averaged(world):
    for name in "abpq":
        world.flags[(name, "r")] = ("eyes_do_not_match",)
        world.wrong[(name, "r")] = 40.0
    found = world.combine("a b", "p q r")
    assert left_out(found) == {"r": "does_not_match"}
    assert found.rotation_deg == pytest.approx(5.0)
    assert found.flags == ("photo_does_not_match", "eye_not_given")
    assert found.verdict == "review"
    assert (found.network.pairs_used, found.network.pairs_left_out) == (6, 4)
    assert complaints(found) == []


def test_where_the_first_photo_is_of_another_eye_it_is_refused_and_named(world):
    for name in "bpq":
        world.flags[("a", name)] = ("eyes_do_not_match",)
    found = world.combine("a b", "p q", axis_deg=90)
    assert found.verdict == "refuse"
    assert found.axis.surgical_deg is None
    assert left_out(found) == {"a": "does_not_match"}
    assert {"eyes_do_not_match", "photo_does_not_match"} <= set(found.flags)
    assert found.network.pairs_used == 0
    assert complaints(found) == []


def test_two_camps_of_equal_size_blame_nobody(world):
    for name in itertools.product("ab", "pq"):
        world.flags[name] = ("eyes_do_not_match",)
    found = world.combine("a b", "p q")
    assert found.verdict == "refuse"
    assert left_out(found) == {}


def test_a_poor_photo_is_left_out_and_does_no_harm(world):
    world.photos["r"] = replace(made_up.no_eye("r"))
    found = world.combine("a b", "p q r")
    assert left_out(found) == {"r": "not_comparable"}
    assert (found.verdict, found.flags) == ("accept", ("photo_left_out", "eye_not_given"))


@pytest.mark.parametrize(("seated", "supine"), [("a b", "p"), ("b a", "p"), ("a", "p b")])
def test_a_copy_counts_once_whatever_its_place(world, seated, supine):
    """Photo b is a copy of a: nothing changes but the flag."""
    world.turns["b"] = world.turns["a"]
    world.flags[("a", "b")] = world.flags[("b", "a")] = ("same_picture",)
    found = world.combine(seated, supine)
    assert left_out(found) == {seated.split()[-1] if len(seated) > 1 else "b": "repeated"}
    assert found.rotation_deg == pytest.approx(5.0)
    assert found.standard_uncertainty_deg == pytest.approx(STATED_DEG)
    assert found.flags == ("photo_repeated", "eye_not_given")


def test_the_later_of_two_copies_is_left_out(world):
    world.turns["q"] = world.turns["b"]
    world.flags[("b", "q")] = ("same_picture",)
    assert left_out(world.combine("a b", "p q")) == {"q": "repeated"}


def test_a_photo_without_an_eye_is_no_stranger_though_it_does_not_match(world):
    world.photos["r"] = made_up.no_eye("r")
    world.flags = {(name, "r"): ("eyes_do_not_match",) for name in "abpq"}
    assert left_out(world.combine("a b", "p q r")) == {"r": "not_comparable"}


def test_the_first_two_photos_say_whose_eye_it_is_even_against_more(world):
    world.flags = {names: ("eyes_do_not_match",) for names in itertools.product("ap", "bqr")}
    found = world.combine("a b", "p q r")
    assert left_out(found) == dict.fromkeys("bqr", "does_not_match")
    assert found.rotation_deg == pytest.approx(5.0)


def test_no_number_of_photos_leads_below_the_floor(world):
    world.stated = {names: 0.1 * FLOOR_DEG for names in itertools.combinations("abpq", 2)}
    assert world.combine("a b", "p q").standard_uncertainty_deg == FLOOR_DEG


@pytest.mark.parametrize("flag", ["other_side", "order_doubtful"])
def test_a_mix_up_in_any_pair_of_both_postures_is_said(world, flag):
    world.flags[("b", "q")] = (flag,)
    found = world.combine("a b", "p q")
    assert flag in found.flags
    assert found.verdict == worst_verdict([flag])


def test_a_photo_of_the_other_side_that_matches_nothing_is_left_out_and_named(world):
    """Nothing follows from it for the others, of which none shows its side."""
    world.shows["r"] = "OD"
    for name in "abpq":
        side = ("other_side",) if name in "ab" else ()
        world.flags[(name, "r")] = ("eyes_do_not_match", *side)
    world.flags[("a", "p")] = ("side_not_seen",)
    found = world.combine("a b", "p q r", eye="OS")
    assert left_out(found) == {"r": "other_side"}
    assert (found.verdict, found.flags) == ("review", ("side_not_seen", "photo_does_not_match"))
    assert "r (supine) was left out: it shows the other eye" in "; ".join(network_words(found.network))
    assert complaints(found) == []


def test_a_photo_of_the_other_side_that_matches_tells_the_side_of_all(world):
    """Its pairs are refused for the side alone, also where it matches a photo of its own posture only."""
    world.shows["b"] = "OD"
    world.flags[("a", "p")] = ("side_not_seen",)
    world.flags[("a", "b")] = ("other_side",)
    for others in (("other_side",), ("eyes_do_not_match", "other_side")):
        world.flags |= {("b", name): others for name in "pq"}
        found = world.combine("a b", "p q", eye="OS")
        assert left_out(found) == {"b": "other_side"}
        assert (found.verdict, found.flags) == ("refuse", ("other_side",))


def test_a_further_photo_that_shows_the_stated_side_will_do(world):
    world.shows["q"] = "OS"
    world.flags[("a", "p")] = ("side_not_seen",)
    assert world.combine("a b", "p q", eye="OS").flags == ()


def test_a_stated_mirror_is_still_said_where_the_first_photos_do_not_match(world):
    world.flags[("a", "p")] = ("not_enough_to_compare",)
    world.wrong[("p", "q")] = -2.0 * (7.1 - 5.0)  # degrees: two mirrored photos turn the other way
    found = world.combine("a b", "p q", options=MeasureOptions(mirrored=True))
    assert found.rotation_deg == pytest.approx(5.0)
    assert found.view == View(0, True)


def test_mirrored_seated_photos_are_undone_once(world):
    stated = MeasureOptions(seated_mirrored=True)
    found = world.combine("a b", "p q", options=stated)
    assert found.options == stated
    assert found.seated.mirrored  # so that no pair mirrors it back
    assert not found.supine.mirrored


def test_one_photograph_in_both_postures_stays_refused(world):
    world.flags[("a", "p")] = ("same_picture",)
    found = world.combine("a b", "p q")
    assert found.verdict == "refuse"
    assert "same_picture" in found.flags
    assert found.network.pairs_used == 0


def test_first_photos_that_do_not_match_each_other_are_led_round(world):
    world.flags[("a", "p")] = ("not_enough_to_compare",)
    world.wrong[("a", "p")] = 50.0
    found = world.combine("a b", "p q", axis_deg=90)
    assert found.rotation_deg == pytest.approx(5.0)
    assert (found.verdict, found.flags) == ("review", ("roundabout", "eye_not_given", "frame_unknown"))
    assert found.axis.surgical_deg == pytest.approx(95.0)
    assert (found.matrix, found.evidence, found.bands["iris"]) == (None, None, None)
    assert found.network.pairs[1].misfit_deg is None
    assert complaints(found) == []


# ---- what disagrees ----


def test_the_photo_that_disagrees_is_named_left_out_and_reviewed(world):
    world.wrong = {("a", "q"): 3.0, ("b", "q"): -9.0, ("p", "q"): 6.0, ("q", "r"): 12.0}
    found = world.combine("a b", "p q r")
    assert left_out(found) == {"q": "disagrees"}
    assert found.network.disagrees == (3,)
    assert found.rotation_deg == pytest.approx(5.0)
    assert (found.verdict, found.flags) == ("review", ("photos_disagree", "eye_not_given"))
    assert complaints(found) == []


def test_the_first_photo_is_named_but_cannot_be_left_out(world):
    world.wrong = {("a", "b"): 3.0, ("a", "p"): -9.0, ("a", "q"): 6.0, ("a", "r"): 12.0}
    found = world.combine("a b", "p q r")
    assert found.network.disagrees == (0,)
    assert left_out(found) == {}
    assert "photos_disagree" in found.flags
    assert found.verdict != "accept"
    assert found.standard_uncertainty_deg > 2 * STATED_DEG


def test_three_photos_that_disagree_name_nobody(world):
    world.wrong = {("a", "p"): 3.0}
    found = world.combine("a", "p q")
    assert found.network.disagrees == ()
    assert "photos_disagree" in found.flags


def test_a_slid_conjunctiva_is_named_though_everything_adds_up(world):
    for name in "abp":
        world.flags[(name, "q")] = ("bands_disagree",)
    found = world.combine("a b", "p q")
    assert found.network.disagrees == (3,)
    assert found.network.chi_square == pytest.approx(0.0, abs=1e-9)
    assert (found.verdict, found.flags) == ("review", ("photos_disagree", "eye_not_given"))


def test_a_photo_whose_bands_agree_in_one_of_its_pairs_is_not_named(world):
    for name in "ab":
        world.flags[(name, "q")] = ("bands_disagree",)
    assert world.combine("a b", "p q").network.disagrees == ()


def test_words_name_the_photos_that_look_exchanged(world):
    for pair in (("b", "q"), ("b", "p"), ("a", "b")):  # two photos of one posture have no order to be in
        world.flags[pair] = ("order_doubtful",)
    said = network_words(world.combine("a b", "p q").network)
    assert said[-1] == "b (seated) and p (supine) (and 1 more) look exchanged"
    assert not any("exchanged" in words for words in network_words(world.combine("a", "p q").network))


def test_words_name_what_was_left_out_and_what_disagrees(world):
    world.wrong = {("a", "b"): 3.0, ("a", "p"): -9.0, ("a", "q"): 6.0}
    for name in "abpq":
        world.flags[(name, "r")] = ("eyes_do_not_match",)
    # By hand: misfits 2.25, -6.75, 4.5, 3, -0.75, -3.75 degrees, three degrees of freedom.
    assert network_words(world.combine("a b", "p q r").network) == [
        "2 seated and 3 supine, 6 of 10 pairs used, which scatter by 5.61°",
        "r (supine) was left out: it matches none of the others; another eye or another patient?",
        "a (seated) disagrees with the others",
    ]
    assert network_words(world.combine("a b", "p q r").network, files=False)[1:] == [
        "supine photo 3 was left out: it matches none of the others; another eye or another patient?",
        "seated photo 1 disagrees with the others",
    ]


def test_photos_of_one_name_are_told_apart_by_their_number(world):
    """As in folders that all hold a 1.jpg."""
    for name in "abpq":
        world.flags[(name, "r")] = ("eyes_do_not_match",)
    network = world.combine("a b", "p q r").network
    alike = tuple(replace(photo, file="1.jpg") for photo in network.photos)
    said = network_words(replace(network, photos=alike))
    assert said[1].startswith("1.jpg (supine photo 3) was left out: it matches none of the others")


# ---- one photo each, and slips ----


def test_one_photo_each_gives_what_a_pair_gives():
    photo, blank = made_up.prepared_photo("a"), made_up.no_eye()
    pair = measure_pair(photo, blank, eye="OD", axis_deg=90)
    for seated, supine in ((photo, blank), ([photo], blank), ((photo,), [blank])):
        found = torsion.measure(seated, supine, eye="OD", axis_deg=90)
        assert to_json(measurement_record(found)) == to_json(measurement_record(pair))
        assert found.network is None
    assert "network" not in measurement_record(found)


def test_an_empty_list():
    with pytest.raises(ValueError, match="supine must hold at least one photo, not an empty list"):
        torsion.measure([made_up.prepared_photo("a")], [])


# ---- pictures ----


@pytest.mark.slow
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_drawn_photos_give_the_known_rotation(seed):
    eye = synthetic.random_eye(np.random.default_rng(seed), laterality="OD")
    rng = np.random.default_rng([seed, 3])
    pairs = [synthetic.draw_pair(eye, "moderate", rng, rotation_deg=turn) for turn in (6.0, -2.5)]
    other = synthetic.draw_pair(synthetic.random_eye(rng), "moderate", rng)[1]
    (a, p), (b, q) = pairs
    seated, supine = [torsion.prepare(x.rgb) for x in (a, b)], [torsion.prepare(x.rgb) for x in (p, q)]
    found = torsion.measure(seated, supine)
    assert found.verdict != "refuse"
    assert found.rotation_deg == pytest.approx(p.rotation_deg - a.rotation_deg, abs=0.2)  # as for one pair
    with_others = torsion.measure([*seated, a.rgb], [*supine, other.rgb])
    assert [photo.left_out for photo in with_others.network.photos] == [
        None, None, "repeated", None, None, "does_not_match"
    ]  # fmt: skip
    assert with_others.rotation_deg == pytest.approx(found.rotation_deg)
    assert with_others.standard_uncertainty_deg == pytest.approx(found.standard_uncertainty_deg)


@pytest.mark.slow
@pytest.mark.parametrize("stated", [0, 90])
def test_a_turned_supine_photo_is_settled_once(stated, monkeypatch):
    """By the first seated one; all pairs are then as those of upright photos."""
    layers, made = load_layers(), []
    seated, supine = (
        [take_photo(layers[role], turn, role=role) for turn in turns]
        for role, turns in (("seated", (0.0, 1.0)), ("supine", (6.0, 7.0)))
    )
    upright = torsion.measure(seated, supine, eye="OD")
    turned = [torsion.prepare(np.ascontiguousarray(np.rot90(rgb))) for rgb in supine]
    seated = [torsion.prepare(rgb) for rgb in seated]

    def prepare(photo, **given):
        made.append(photo) if isinstance(photo, torsion.Photo) else None
        return torsion.prepare(photo, **given)

    monkeypatch.setattr("torsion.measurement.prepare", prepare)
    found = torsion.measure(seated, turned, eye="OD", options=torsion.MeasureOptions(turned_deg=stated))
    assert len(made) == (0 if stated else 2)  # stated, they are prepared so before any pair
    assert found.rotation_deg == pytest.approx(upright.rotation_deg, abs=2e-5)
    assert found.standard_uncertainty_deg == pytest.approx(upright.standard_uncertainty_deg, rel=1e-3)
    assert found.flags == (() if stated else ("turned_view",))
    assert not any(photo.flags for photo in found.network.photos)  # "on_its_side" is true of none
