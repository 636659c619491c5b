"""The vocabulary of flags: closed, whole, and used."""

import re
from itertools import permutations
from pathlib import Path

import pytest

from torsion.flags import FLAGS, FORECASTS, worst_verdict

PACKAGE = Path(__file__).resolve().parent.parent / "torsion"
SOURCE = "\n".join(
    path.read_text(encoding="utf-8") for path in sorted(PACKAGE.rglob("*.py")) if path.name != "flags.py"
)
TESTS = "\n".join(
    path.read_text(encoding="utf-8") for path in sorted((PACKAGE.parent / "tests").glob("test_*.py"))
)


@pytest.mark.parametrize("flag", FLAGS.values(), ids=list(FLAGS))
def test_a_flag_is_whole(flag):
    assert re.fullmatch(r"[a-z]+(_[a-z]+)*", flag.name)
    assert FLAGS[flag.name] is flag
    assert flag.verdict in ("accept", "review", "refuse")
    for words in (flag.meaning, flag.remedy):  # reports add capital and full stop
        assert words
        assert words == words.strip()
        assert words[0].islower()
        assert not words.endswith(".")
        assert "  " not in words


@pytest.mark.parametrize("name", FLAGS)
def test_a_flag_is_raised_somewhere(name):
    assert f'"{name}"' in SOURCE


@pytest.mark.parametrize("name", FLAGS)
def test_a_flag_is_named_by_a_test(name):
    assert f'"{name}"' in TESTS


def test_no_two_flags_share_a_name_or_a_meaning():
    table = (PACKAGE / "flags.py").read_text(encoding="utf-8")
    names = re.findall(r'^    Flag\(\s*"(\w+)"', table, flags=re.MULTILINE)
    assert names == list(FLAGS)
    assert len({flag.meaning for flag in FLAGS.values()}) == len(FLAGS)


def test_a_forecast_is_a_flag_that_asks_for_a_look():
    assert {FLAGS[name].verdict for name in FORECASTS} == {"review"}


def test_flags_cannot_be_changed():
    with pytest.raises(AttributeError, match="cannot assign"):
        FLAGS["no_eye"].verdict = "accept"


@pytest.mark.parametrize(
    ("flags", "verdict"),
    [
        ([], "accept"),
        (["iris_only"], "accept"),
        (["iris_only", "uncertain"], "review"),
        (["iris_only", "uncertain", "no_eye"], "refuse"),
    ],
)
def test_the_worst_flag_decides_in_any_order(flags, verdict):
    for order in permutations(flags):
        assert worst_verdict(order) == verdict


def test_a_word_outside_the_vocabulary_is_refused():
    with pytest.raises(KeyError, match="looks_odd"):
        worst_verdict(["looks_odd"])
