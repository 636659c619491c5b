"""One word for one thing: the words of README.md, and none of those that might stand in their place."""

import re
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent
README = (ROOT / "README.md").read_text(encoding="utf-8")
WORDS = README.partition("\n## Words\n")[2].partition("\n## ")[0]
TEXTS = [
    ROOT / "README.md",
    ROOT / "DEVELOPERS.md",
    ROOT / "tests" / "benchmarks" / "README.md",
    *(path for kind in ("*.py", "*.html", "*.json") for path in sorted((ROOT / "torsion").rglob(kind))),
    *sorted((ROOT / "notebooks").glob("*.ipynb")),
]

# Word that is not used -> the word that is.
OTHERS = {
    r"anti-?clockwise|counterclockwise": "counter-clockwise",  # constants of OpenCV are in capitals
    r"limbus band|limbal ring|vessel band": "limbal band",
    r"iris ring": "iris band",
    r"(seated|supine|sitting|lying|upright) images?": "seated photo, supine photo",
    r"(sitting|lying|upright|surgical|preoperative|intraoperative) photos?": "seated photo, supine photo",
    r"cyclorotation|ocular torsion": "torsion",
    r"surgery sheet|operating sheet|marking sheet": "theatre sheet",
    r"operative axis|target axis|carried meridian": "surgical axis",
    r"confidence score|warning code": "flag",
}


def terms():
    return [row.split("|")[1].strip() for row in WORDS.splitlines() if row.startswith("| ")][1:]


def test_each_word_has_one_line():
    words = [word for term in terms() for word in term.split(", ")]
    assert len(words) >= 15
    assert len(set(words)) == len(words)


@pytest.mark.parametrize("other", OTHERS)
def test_no_other_word_stands_in_its_place(other):
    assert OTHERS[other] in terms() or OTHERS[other] in README
    for path in TEXTS:
        found = re.search(rf"\b({other})\b", path.read_text(encoding="utf-8"))
        assert not found, f"{path.name} says '{found[0]}'; say '{OTHERS[other]}'"


def test_the_words_of_the_glossary_are_used():
    rest = README.replace(WORDS, "").lower()
    for word in (word for term in terms() for word in term.split(", ")):
        assert word.lower() in rest, f"nothing in README.md speaks of '{word}'"
