"""A camera put to the test: grouping, what is measured, what is made of it, and the page that says so.

Answers are made up, so that every outcome can be had and nothing has to be measured; one run over drawn
photos goes through the real thing.
"""

import json
import sys
from dataclasses import replace
from importlib import resources
from pathlib import Path
from types import ModuleType

import jsonschema
import made_up
import numpy as np
import pytest
from click.testing import CliRunner
from PIL import Image

from torsion.cli import main
from torsion.cohort.executors import Outcome
from torsion.demo import demo_files
from torsion.demo_layers import load_layers, take_photo
from torsion.eye_groups import GroupError, group_photos, read_pattern
from torsion.files import to_json
from torsion.intake import photo_from_array
from torsion.limbus_guess import Limbus, guess_limbus
from torsion.validate import ValidateOptions, summarise, validate
from torsion.validate_advice import advice_of, odd_photos
from torsion.validate_checks import Answered, Check, Task, plan_checks
from torsion.validate_page import validation_page
from torsion.validate_record import validation_record
from torsion.validate_summary import Count, Errors, closures, count_with_ends, errors_of
from torsion.validate_verdict import judge
from torsion.validate_work import prepare_photo, work

PLACES = [f"eye{eye}/{shot}.jpg" for eye in range(4) for shot in range(5)]
EYES = [name.split("/")[0] for name in PLACES]
OPTIONS = ValidateOptions(different=60, mirrored=20, turned=20)
TURNS_DEG = np.random.default_rng(1).uniform(-8.0, 8.0, len(PLACES))  # of each photo's eye
STATED_DEG = 0.1


class Here:
    """An executor that works where it stands, and stops as by Ctrl-C after some tasks."""

    def __init__(self, *, stop_after=None):
        self.left = stop_after

    def run(self, function, tasks):
        for task in tasks:
            if self.left == 0:
                raise KeyboardInterrupt
            if self.left is not None:
                self.left -= 1
            yield Outcome(task, function(task))


def planned(options=OPTIONS):
    eyes = [[k for k, eye in enumerate(EYES) if eye == name] for name in dict.fromkeys(EYES)]
    counts = {"different": options.different, "mirrored": options.mirrored, "turned": options.turned}
    return plan_checks(eyes, **counts, rng=np.random.default_rng(options.seed))


def answer(check, *, error_deg=0.0, stated_deg=STATED_DEG, **changes):
    """Answer a check as a perfect tool would, off by so much."""
    verdict = "accept" if check.kind in ("same", "turned") else "refuse"
    given = {
        "verdict": verdict,
        "rotation_deg": TURNS_DEG[check.second] - TURNS_DEG[check.first] + check.turned_deg + error_deg,
        "standard_uncertainty_deg": stated_deg,
        "evidence": 0.8 if verdict == "accept" else 0.05,
        "margin": 0.3 if verdict == "accept" else 0.01,
        "apart_deg": error_deg,
        "apart_uncertainty_deg": stated_deg,
        "flags": () if verdict == "accept" else ("eyes_do_not_match",),
    }
    return Answered(check, **(given | changes))


def validation(answers, checks=None, *, complete=True, unreadable=None):
    return summarise(
        answers,
        planned() if checks is None else checks,
        names=PLACES,
        eye_of=EYES,
        unreadable=unreadable or {},
        unused=0,
        complete=complete,
        options=OPTIONS,
    )


def scattered(seed=0, size_deg=STATED_DEG):
    rng = np.random.default_rng(seed)
    return [answer(check, error_deg=float(rng.normal(0.0, size_deg))) for check in planned()]


def grades(found):
    return {point.name: point.grade for point in found.judged.points}


# What is measured


def test_all_pairs_of_one_eye_and_no_pair_twice():
    checks = planned()
    same = {(check.first, check.second) for check in checks if check.kind == "same"}
    assert same == {(a, b) for a in range(20) for b in range(a + 1, 20) if EYES[a] == EYES[b]}
    assert len(set(checks)) == len(checks)
    different = [check for check in checks if check.kind == "different"]
    assert len(different) == OPTIONS.different
    assert all(EYES[check.first] != EYES[check.second] for check in different)


def test_different_eyes_cover_every_pair_of_eyes():
    drawn = {tuple(sorted((EYES[c.first], EYES[c.second]))) for c in planned() if c.kind == "different"}
    assert len(drawn) == 6


def test_more_of_one_kind_does_not_change_the_others():
    more = planned(ValidateOptions(different=10, mirrored=20, turned=20))
    assert [c for c in more if c.kind == "turned"] == [c for c in planned() if c.kind == "turned"]


# Grouping


def touch(folder, *names):
    for name in names:
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        (folder / name).touch()


def test_every_sub_folder_is_an_eye(tmp_path):
    touch(tmp_path, "p1/OD/1.jpg", "p1/OD/2.JPG", "p1/OS/1.png", "loose.jpg", "p1/OD/notes.txt", ".x/1.jpg")
    groups = group_photos(tmp_path)
    assert {eye: len(photos) for eye, photos in groups.eyes.items()} == {"p1/OD": 2, "p1/OS": 1}
    assert [path.name for path in groups.unused] == ["loose.jpg"]


def test_folders_of_postures_belong_to_the_eye_they_lie_in(tmp_path):
    """Taken for eyes they would be different eyes that match, and the camera not to be relied on."""
    touch(tmp_path, *(f"p1/{place}/1.jpg" for place in ("OD/seated", "OD/Supine", "OS/seated", "OS/supine")))
    groups = group_photos(tmp_path)
    assert {eye: len(photos) for eye, photos in groups.eyes.items()} == {"p1/OD": 2, "p1/OS": 2}
    touch(tmp_path / "flat", "seated/1.jpg", "seated/2.jpg", "supine/1.jpg", "supine/2.jpg")
    with pytest.raises(GroupError, match="holds 4 photos, none in a sub-folder of an eye"):
        group_photos(tmp_path / "flat")


def test_linked_folders_are_eyes_too_and_a_link_upwards_is_no_way_out(tmp_path):
    touch(tmp_path, "stored/1.jpg", "stored/2.jpg", "photos/OS/1.jpg", "photos/OS/2.jpg", "other/1.jpg")
    for name, target in (("OD", "../stored"), ("OD again", "../stored"), ("up", ".."), ("here", ".")):
        (tmp_path / "photos" / name).symlink_to(target)
    groups = group_photos(tmp_path / "photos")
    assert {eye: len(photos) for eye, photos in groups.eyes.items()} == {"OD": 2, "OS": 2}


def test_a_pattern_names_the_eye(tmp_path):
    touch(tmp_path, "7_OD_1.jpg", "7_OD_2.jpg", "8_OD_1.jpg", "plan.jpg")
    groups = group_photos(tmp_path, pattern="{patient}_{eye}_?.jpg")
    assert {eye: len(photos) for eye, photos in groups.eyes.items()} == {"7 OD": 2, "8 OD": 1}


@pytest.mark.parametrize("text", ["*.jpg", "{eye}{eye}.jpg", "{side}.jpg", "[{patient}"])
def test_a_pattern_must_name_the_eye(text):
    if text == "[{patient}":
        assert read_pattern(text).fullmatch("[x")  # everything else stands for itself
        return
    with pytest.raises(ValueError, match="a pattern of names must hold"):
        read_pattern(text)


def test_too_few_photos_are_one_clear_sentence(tmp_path):
    with pytest.raises(GroupError, match="holds no photo"):
        group_photos(tmp_path)
    touch(tmp_path, "a/1.jpg", "b/1.jpg")
    with pytest.raises(GroupError, match=r"holds 2 photos of 2 eyes by sub-folder, and no eye has two"):
        group_photos(tmp_path)


# What is made of the answers


def test_closure_of_exact_answers_is_nothing():
    left = closures([answer(check) for check in planned()], range(5))
    assert len(left) == 10
    np.testing.assert_allclose(left, [(0.0, 3**0.5 * STATED_DEG)] * 10, rtol=0, atol=1e-9)  # rounding


def test_photo_errors_cancel_in_closure_and_pair_errors_do_not():
    checks = [check for check in planned() if check.kind == "same"]
    one = [answer(c, error_deg=0.5 if (c.first, c.second) == (0, 1) else 0.0) for c in checks]
    assert sum(abs(error) > 0.4 for error, _ in closures(one, range(5))) == 3  # triples with that pair


def test_errors_are_summed_up():
    rng = np.random.default_rng(3)
    found = errors_of([(float(error), 0.2) for error in rng.normal(0.0, 0.2, 4000)])
    assert found.over_stated == pytest.approx(1.0, abs=0.05)  # the spread of 4,000 draws is 2 %
    assert found.within_95 == pytest.approx(0.95, abs=0.012)
    assert errors_of([]).median_deg is None


def test_none_of_n_is_at_most_three_in_n():
    assert count_with_ends(0, 150) == (0.0, 2.0)
    assert count_with_ends(0, 2) == (0.0, 100.0)
    assert count_with_ends(0, 0) == (0.0, 100.0)


def test_good_photos_can_be_relied_on():
    found = validation(scattered())
    assert found.verdict == "accept"
    assert set(grades(found).values()) == {"good"}
    assert found.judged.sentence.startswith("Yes:")
    assert found.counts["different"].eyes_upper_percent == 75.0  # 3 in 4 eyes: four eyes say little


def test_the_order_of_answers_changes_nothing():
    answers = scattered()
    shuffled = [answers[k] for k in np.random.default_rng(5).permutation(len(answers))]
    assert to_json(validation_record(validation(shuffled))) == to_json(validation_record(validation(answers)))


@pytest.mark.parametrize("kind", ["different", "mirrored"])
def test_one_wrong_acceptance_is_enough_to_say_no(kind):
    answers = scattered()
    place = next(k for k, one in enumerate(answers) if one.check.kind == kind)
    answers[place] = answer(answers[place].check, verdict="accept")
    found = validation(answers)
    assert found.verdict == "refuse"
    assert found.judged.sentence.startswith("No:")
    assert grades(found)[f"{kind} eyes"] == "bad"
    assert PLACES[answers[place].check.second] in validation_page(found)


def test_a_tool_that_always_says_nothing_closes_and_is_found_out():
    stuck = [answer(c, rotation_deg=0.0) if c.kind in ("same", "turned") else answer(c) for c in planned()]
    found = validation(stuck)
    assert grades(found)["closure"] == "good"
    assert grades(found)["turned ring"] == "bad"
    assert found.verdict == "refuse"


def test_errors_far_beyond_what_is_stated_are_found_out():
    found = validation(scattered(size_deg=0.2 * 3))
    assert grades(found)["stated error"] == "bad"
    assert grades(found)["bands"] == "bad"


def test_flags_that_hold_pairs_back_become_advice():
    answers = [
        answer(one.check, verdict="review", flags=("out_of_focus", "overexposed", "eye_not_given"))
        if one.check.kind == "same" and one.check.first % 5 == 0
        else one
        for one in scattered()
    ]
    found = validation(answers)
    assert [one.flag for one in found.advice] == ["out_of_focus", "overexposed"]
    assert found.advice[0].pairs == 16
    assert grades(found)["acceptance"] == "doubtful"
    assert found.judged.sentence.startswith("With care")
    assert "Focus on the iris, hold still, use more light." in validation_page(found)


def test_a_photo_in_the_wrong_place_is_named():
    answers = [
        answer(one.check, verdict="refuse") if 7 in (one.check.first, one.check.second) else one
        for one in scattered()
    ]
    found = validation(answers)
    assert found.odd == (PLACES[7],)
    assert "look whether they lie in the wrong place" in validation_page(found)


def test_few_photos_are_not_judged():
    checks = [check for check in planned() if check.kind == "same" and check.second < 3]
    found = validation([answer(check) for check in checks], checks)
    assert found.verdict == "review"
    assert found.judged.grade == "too few"
    assert found.judged.sentence.startswith("Too few photos to tell")
    assert grades(found)["different eyes"] == "too few"


def test_broken_off_is_not_the_last_word():
    found = validation(scattered()[:60], complete=False)
    assert found.verdict == "review"
    assert "Broken off" in found.judged.sentence
    assert found.counts["turned"].not_made == OPTIONS.turned


@pytest.mark.parametrize("count", [0, 1, 40, 140])
def test_record_follows_its_schema(count):
    schema = json.loads(
        (resources.files("torsion") / "schemas" / "validation-1.json").read_text(encoding="utf-8")
    )
    jsonschema.Draft202012Validator.check_schema(schema)
    answers = [one for one in scattered()[:count] if 3 not in (one.check.first, one.check.second)]
    answers += [Answered(check, None, fault="a reason") for check in planned()[-1:]]
    record = json.loads(to_json(validation_record(validation(answers, unreadable={PLACES[3]: "a fault"}))))
    jsonschema.Draft202012Validator(schema).validate(record)
    assert record["photos"][3]["fault"] == "a fault"


# The verdict, on numbers alone

SMALL = Errors(100, 0.05, 0.2, 0.4, 0, 1.0, 0.95, 0)


def count(accept, pairs, *, eyes=40):
    """Count pairs of which some are accepted and the rest refused."""
    upper = count_with_ends(0, eyes)[1]
    return Count(pairs, accept, 0, pairs - accept, 0.0, 1.0, eyes, 0, upper, 0)


def judged(*, complete=True, **changes):
    """Judge good photos with changes."""
    counts = {"same": count(90, 100), "different": count(0, 300), "mirrored": count(0, 20)}
    errors = {"closure": SMALL, "turned": SMALL, "bands": SMALL}
    for name, change in changes.items():
        (counts if name in counts else errors)[name] = change
    return judge(counts, **errors, complete=complete)


def errors(**changes):
    return replace(SMALL, **changes)


@pytest.mark.parametrize(
    ("point", "changes", "grade"),
    [
        ("acceptance", {"same": count(80, 100)}, "good"),
        ("acceptance", {"same": count(79, 100)}, "doubtful"),
        ("acceptance", {"same": count(50, 100)}, "doubtful"),
        ("acceptance", {"same": count(49, 100)}, "bad"),
        ("acceptance", {"same": count(9, 9)}, "too few"),
        ("acceptance", {"same": count(10, 10)}, "good"),
        ("turned ring", {"turned": errors(p95_deg=0.3)}, "good"),
        ("turned ring", {"turned": errors(p95_deg=0.31)}, "doubtful"),
        ("turned ring", {"turned": errors(p95_deg=1.0)}, "doubtful"),
        ("turned ring", {"turned": errors(p95_deg=1.01)}, "bad"),
        ("turned ring", {"turned": errors(over_1_deg=1)}, "doubtful"),
        ("turned ring", {"turned": errors(n=9)}, "too few"),
        ("closure", {"closure": errors(p95_deg=0.6)}, "good"),
        ("closure", {"closure": errors(p95_deg=0.61)}, "doubtful"),
        ("closure", {"closure": errors(p95_deg=1.51)}, "bad"),
        ("closure", {"closure": errors(over_1_deg=1)}, "good"),  # three pairs take part in it
        ("closure", {"closure": Errors(0)}, "too few"),
        ("bands", {"bands": errors(over_stated=1.5)}, "good"),
        ("bands", {"bands": errors(over_stated=1.51)}, "doubtful"),
        ("bands", {"bands": errors(over_stated=2.51)}, "bad"),
        ("bands", {"bands": errors(n=9)}, "none"),
        ("stated error", {"turned": errors(n=10, beyond_3=1), "closure": Errors(0)}, "good"),  # one alone
        ("stated error", {"turned": errors(beyond_3=10)}, "good"),
        ("stated error", {"turned": errors(beyond_3=11)}, "doubtful"),
        ("stated error", {"turned": errors(beyond_3=31)}, "bad"),
        ("different eyes", {"different": count(1, 300)}, "bad"),
        ("different eyes", {"different": count(0, 9)}, "too few"),
        ("mirrored eyes", {"mirrored": count(1, 20)}, "bad"),
        ("mirrored eyes", {"mirrored": count(0, 10)}, "good"),
    ],
)
def test_each_point_is_graded_at_its_limits(point, changes, grade):
    found = {one.name: one for one in judged(**changes).points}[point]
    assert found.grade == grade
    assert (found.reason is not None) == (grade in ("doubtful", "bad"))  # elsewhere it reads as a finding


@pytest.mark.parametrize(
    ("changes", "grade", "sentence"),
    [
        ({}, "good",
         "Yes: with photos like these the tool can be relied on as a second check. Of 100 pairs of one eye "
         "90 were accepted, and none of 300 pairs of different eyes."),
        ({"different": count(0, 300, eyes=4)}, "good",
         "Yes: with photos like these the tool can be relied on as a second check. Of 100 pairs of one eye "
         "90 were accepted, and none of 300 pairs of different eyes; 4 eyes cannot show what happens with "
         "rarer ones, so more would be better."),
        ({"same": count(79, 100)}, "doubtful",
         "With care: look at every result yourself. Only 79 of 100 pairs of one eye were accepted."),
        ({"same": count(79, 100), "mirrored": count(0, 2)}, "doubtful",
         "With care: look at every result yourself. Only 79 of 100 pairs of one eye were accepted. "
         "Too few photos to tell the rest (mirrored eyes)."),
        ({"same": count(3, 3), "bands": errors(over_stated=2.0)}, "too few",
         "Too few photos to tell (acceptance): take five of each of at least four eyes, seated and supine."),
        ({"mirrored": count(0, 2)}, "too few",
         "Too few photos to tell (mirrored eyes): take five of each of at least four eyes, "
         "seated and supine."),
        ({"different": count(1, 300), "turned": errors(p95_deg=2.0, worst_deg=3.0)}, "bad",
         "No: do not rely on the tool with photos like these. Answers do not follow a turned eye: 95 of 100 "
         "within 2.0°, the worst off by 3.0°; different eyes were taken for one: 1 of 300."),
        ({"same": count(4, 100), "mirrored": count(0, 2)}, "bad",
         "No: do not rely on the tool with photos like these. Only 4 of 100 pairs of one eye were accepted."),
    ],
)  # fmt: skip
def test_the_verdict_says_what_it_rests_on(changes, grade, sentence):
    verdict = {"good": "accept", "doubtful": "review", "too few": "review", "bad": "refuse"}[grade]
    found = judged(**changes)
    assert (found.grade, found.verdict, found.sentence) == (grade, verdict, sentence)
    broken_off = judged(**changes, complete=False)
    assert broken_off.grade == ("doubtful" if grade == "good" else grade)
    assert broken_off.sentence == f"Broken off before the end, so this is not the last word. {sentence}"


def pairs_of_one_eye(**verdicts):
    """Answer the pairs of photos of one eye that are named, as in ``ab="refuse"``."""
    names = "abc"
    return [
        answer(Check("same", names.index(pair[0]), names.index(pair[1])), verdict=verdict)
        for pair, verdict in verdicts.items()
    ]


@pytest.mark.parametrize(
    ("verdicts", "odd"),
    [
        ({"ab": "refuse", "ac": "refuse", "bc": "accept"}, [0]),
        ({"ab": "refuse", "ac": "refuse", "bc": "refuse"}, []),  # none matches, so none is the odd one
        ({"ab": "refuse", "bc": "accept"}, []),  # one pair does not tell which of its photos it is
        ({"ab": "refuse", "ac": "review", "bc": "accept"}, []),
    ],
)
def test_a_photo_is_odd_where_the_others_match(verdicts, odd):
    assert odd_photos(pairs_of_one_eye(**verdicts), ["A", "A", "A"]) == odd


def test_what_holds_pairs_back_comes_first_whatever_is_more_frequent():
    held_back, frequent = pairs_of_one_eye(ab="refuse", bc="accept")
    held_back = replace(held_back, flags=("eyes_do_not_match", "off_picture"))
    advice = advice_of([held_back, replace(frequent, flags=("off_picture",))])
    assert [(one.flag, one.pairs, one.holds_back) for one in advice] == [
        ("eyes_do_not_match", 1, True),
        ("off_picture", 2, False),
    ]
    assert "sorted by the right eye" in advice[0].remedy  # these photos are known to show one eye


# The page


def test_page_holds_everything_and_escapes_names(monkeypatch):
    monkeypatch.setattr("test_validate.PLACES", ["<script>.jpg", *PLACES[1:]])
    answers = scattered()
    answers[0] = answer(answers[0].check, verdict="refuse")
    page = validation_page(validation(answers), title="<b>camera</b>")
    assert "<script" not in page
    assert "&lt;b&gt;camera" in page
    assert page.count("data:image/svg+xml;base64,") == 5
    assert "http://" not in page
    assert "https://" not in page


def test_page_and_record_bear_names_that_are_no_text(monkeypatch):
    """As of files from another system, which Python reads all the same."""
    monkeypatch.setattr("test_validate.EYES", [f"{eye}\udcff" for eye in EYES])
    found = validation(scattered(), unreadable={"\udcff.jpg": "'\udcff.jpg' is empty"})
    assert "data:image/svg+xml" in validation_page(found)
    assert json.loads(to_json(validation_record(found)))["eyes"][0]["eye"].endswith("?")


def test_page_names_a_few_of_many_files_that_cannot_be_read_and_says_so():
    faults = {f"eye/{shot}.jpg": f"'eye/{shot}.jpg' is empty (0 bytes)" for shot in range(20)}
    page = validation_page(validation(scattered(), unreadable=faults))
    assert page.count("Not used: ") == 12
    assert "8 more cannot be read" in page


def test_page_repeats():
    assert validation_page(validation(scattered())) == validation_page(validation(scattered()))


def test_page_without_a_single_answer():
    found = validation([])
    assert "Too few photos to tell" in validation_page(found)


def test_too_few_to_tell_is_not_with_care():
    """Neither on the page nor in the record: what cannot be told has not been found to need care."""
    answers = scattered()
    answers[::3] = [
        answer(one.check, verdict="review") if one.check.kind == "same" else one for one in answers[::3]
    ]
    few, careful = validation([]), validation(answers)
    for found, grade, badge in (
        (few, "too few", "<b>too few to tell</b>"),
        (careful, "doubtful", "<b>with care</b>"),
    ):
        assert found.verdict == "review"
        assert validation_record(found)["grade"] == grade
        assert badge in validation_page(found)


# The real thing


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    """Two photos of a drawn eye and two of it mirrored, which is another eye."""
    home = tmp_path_factory.mktemp("photos")
    files = demo_files([4.0])
    for eye in ("right", "left"):
        (home / eye).mkdir()
        for name in ("seated.jpg", "supine_+04.0.jpg"):
            (home / eye / name).write_bytes(files[name])
            if eye == "left":
                with Image.open(home / eye / name) as picture:
                    flipped = picture.transpose(Image.Transpose.FLIP_LEFT_RIGHT)
                flipped.save(home / eye / name, quality=93)
    (home / "left" / "torn.jpg").write_bytes(files["seated.jpg"][:500])
    return home


@pytest.mark.slow
def test_a_folder_is_put_to_the_test(folder):
    options = ValidateOptions(different=1, mirrored=1, turned=1)
    found = validate(group_photos(folder), executor=Here(), options=options)
    by_kind = {one.check.kind: one for one in found.answers}
    same = [one for one in found.answers if one.check.kind == "same"]
    np.testing.assert_allclose([one.rotation_deg for one in same], [-4.0, 4.0], rtol=0, atol=0.3)  # easy pair
    assert [one.verdict for one in same] == ["accept", "accept"]
    assert by_kind["different"].verdict == "refuse"
    assert by_kind["mirrored"].verdict == "refuse"
    turned = by_kind["turned"]
    before = next(one for one in same if one.check.first == turned.check.first)
    assert turned.fault is None
    moved = turned.rotation_deg - before.rotation_deg
    assert moved == pytest.approx(turned.check.turned_deg, abs=0.3)  # degrees: easy pair
    (fault,) = found.unreadable.values()
    assert fault.startswith("'left/torn.jpg' is truncated")
    assert found.verdict == "review"  # too few


@pytest.mark.parametrize("kind", ["same", "mirrored", "turned"])
def test_what_a_file_says_beside_its_picture_answers_no_check(kind, monkeypatch):
    def stating(path, **_):
        eye = photo_from_array(take_photo(load_layers()["seated"], 0.0, role="seated"))
        return replace(eye, name=Path(path).name, eye="OD", captured_at="2024-03-05T06:07:08")

    shown = []
    monkeypatch.setattr("torsion.validate_work.read_photo", stating)
    monkeypatch.setattr(
        "torsion.validate_work.measure_light",
        lambda *photos, whole: shown.extend([*photos, whole()]) or made_up.accepted(),
    )
    first, second = (prepare_photo(Path(name)) for name in ("seated.dcm", "supine.dcm"))
    (found,) = work(Task(second, Path("supine.dcm"), ((Check(kind, 0, 1, 5.0), first),)))
    assert found.fault is None
    assert {(one.photo.eye, one.photo.captured_at) for one in shown} == {(None, None)}


@pytest.fixture
def quick(monkeypatch, tmp_path):
    """Photos and answers that are made up, and the executor that runs on them."""
    touch(tmp_path, *PLACES)
    monkeypatch.setattr("torsion.validate.prepare_photo", lambda path: made_up.prepared_photo(path.name))
    monkeypatch.setattr("torsion.validate.work", lambda task: [answer(check) for check, _ in task.partners])
    return tmp_path


def test_an_interruption_keeps_what_is_done(quick):
    found = validate(group_photos(quick), executor=Here(stop_after=20 + 16), options=OPTIONS)
    assert not found.complete
    assert found.counts["same"].pairs == 40  # in 16 tasks: those with the same second photo go together
    assert found.counts["different"].pairs == 0


def test_every_check_is_answered_once(quick):
    found = validate(group_photos(quick), executor=Here(), options=OPTIONS)
    assert found.complete
    assert [one.check for one in found.answers] == planned()


def test_an_interruption_before_anything_is_measured_is_passed_on(quick):
    with pytest.raises(KeyboardInterrupt):
        validate(group_photos(quick), executor=Here(stop_after=5), options=OPTIONS)


def test_the_guess_finds_the_drawn_limbus():
    layers = load_layers()["seated"]
    found = guess_limbus(take_photo(layers, 0.0, role="seated"))
    assert isinstance(found, Limbus)
    assert found.x_px == pytest.approx(layers.limbus["x_px"], abs=0.06 * found.radius_px)
    assert found.y_px == pytest.approx(layers.limbus["y_px"], abs=0.06 * found.radius_px)


# The command


def command(*arguments):
    return CliRunner().invoke(main, ["validate", *map(str, arguments)])


@pytest.fixture
def with_answers(monkeypatch, tmp_path):
    """Let the command meet answers that are made up."""
    touch(tmp_path, *PLACES)

    def use(found):
        monkeypatch.setattr("torsion.cli.validate.validate", lambda *given, **options: found)
        return tmp_path

    return use


def test_command_writes_page_and_record(with_answers):
    home = with_answers(validation(scattered()))
    result = command(home, "--out", home / "out")
    assert result.exit_code == 0, result.output
    assert result.stdout.startswith("Yes:")
    assert "not a medical device" in result.stdout
    assert json.loads((home / "out" / "validation.json").read_text())["verdict"] == "accept"
    assert (home / "out" / "validation.html").read_text().startswith("<!doctype html>")


def test_command_tells_what_it_left_out(with_answers):
    found = validation(scattered(), unreadable={"eye/\udcff.jpg": "'eye/\udcff.jpg' is empty (0 bytes)"})
    said = command(with_answers(replace(found, unused=2))).stdout
    assert "! 'eye/?.jpg' is empty (0 bytes)" in said
    assert "! 2 photos belong to no eye and were left out" in said


def test_json_on_stdout_is_nothing_else_and_no_is_status_3(with_answers):
    home = with_answers(validation([answer(check, verdict="accept") for check in planned()]))
    result = command(home, "--json", "-")
    assert result.exit_code == 3
    assert json.loads(result.stdout)["verdict"] == "refuse"
    said = command(home).stdout
    assert said.count("accepted, and should not be:") == 3
    assert "! and 77 more pairs, which --json names" in said


@pytest.mark.parametrize(
    ("option", "place", "status"),
    [("--json", PLACES[0], 2), ("--json", "nowhere/found.json", 1), ("--out", f"{PLACES[0]}/out", 1)],
)
def test_output_that_cannot_be_written_or_would_replace_a_photo_is_refused_before_the_measuring(
    option, place, status, with_answers, monkeypatch
):
    home = with_answers(None)
    monkeypatch.setattr("torsion.cli.validate.validate", lambda *given, **options: pytest.fail("measured"))
    result = command(home, option, home / place)
    assert result.exit_code == status
    assert "cannot be" in result.stderr
    assert (home / PLACES[0]).read_bytes() == b""


def test_interrupted_command_says_what_it_rests_on(with_answers):
    home = with_answers(validation(scattered()[:30], complete=False))
    result = command(home)
    assert result.exit_code == 130
    assert "this rests on the 30 pairs measured until then" in result.stderr


def test_command_refuses_what_cannot_be_used(tmp_path):
    touch(tmp_path, "1.jpg")
    result = command(tmp_path)
    assert result.exit_code == 1
    assert (
        "holds 1 photo, none in a sub-folder of an eye: put at least two photos of each eye" in result.stderr
    )
    assert command(tmp_path, "--pattern", "*.jpg").exit_code == 2
    for missing, reason in ((tmp_path / "none", "does not exist"), (tmp_path / "1.jpg", "is not a folder")):
        result = command(missing)
        assert result.exit_code == 1
        assert f"'{missing}' {reason}" in result.stderr
    result = command(tmp_path, "--title", "My camera")  # which would go nowhere
    assert result.exit_code == 2
    assert "--title needs --out" in result.output


def test_report_that_cannot_be_written_is_refused_before_the_measuring(with_answers, monkeypatch):
    home = with_answers(validation(scattered()))
    monkeypatch.setitem(sys.modules, "jinja2", ModuleType("jinja2"))  # there, and empty: half removed
    result = command(home, "--out", home / "out")
    assert result.exit_code == 1
    assert result.stderr.startswith("Error: the report needs matplotlib and jinja2 (cannot import name")
    assert "torsion[sheet]" in result.stderr
    assert not (home / "out").exists()
