"""Proposal: a manifest guessed from the names of files and folders, for a person to check."""

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import pairwise, product
from pathlib import Path, PurePosixPath

from torsion.cohort.manifest import manifest_text
from torsion.photo import PHOTO_SUFFIXES

__all__ = ["Proposal", "propose_manifest"]

_EYES = {"od": "OD", "r": "OD", "re": "OD", "right": "OD", "os": "OS", "l": "OS", "le": "OS", "left": "OS"}
_POSTURES = {
    **dict.fromkeys(("seated", "sitting", "sit", "upright", "erect"), "seated"),
    **dict.fromkeys(("supine", "lying", "lie", "recumbent"), "supine"),
}
_SESSION = re.compile(r"(?:session|visit|day|week|month)(\d+)")
_DATE = re.compile(r"(?:19|20)\d\d(-?)\d\d\1\d\d")
_WORD = re.compile(r"(?:19|20)\d\d-\d\d-\d\d|[^\s._+-]+")
_COLUMNS = ("patient", "eye", "seated", "supine", "session", "repeat", "posture")


@dataclass(frozen=True, slots=True)
class Proposal:
    """A manifest guessed from names.

    Attributes
    ----------
    text : str
        CSV; cells that no name tells are empty.
    pairs, controls : int
        Rows of one seated and one supine photo, and rows of two photos of one posture.
    unused : tuple of str
        Photos in no row, because their posture is not told or has no counterpart.
    """

    text: str
    pairs: int
    controls: int
    unused: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class _Named:
    """What the name of a photo tells."""

    path: str
    folders: str
    own: str
    eye: str
    session: str
    posture: str


def propose_manifest(folder: Path) -> Proposal:
    """Propose a manifest for the photos in a folder and in the folders below it.

    A path is read word by word: OD, R, right, OS, L, left name the eye; seated, sitting, upright, supine,
    lying the posture; ``session2``, ``visit2`` or a date the session.  What else stands in the names of
    folders, or else before the posture in the name of the file, is the patient; both where one folder holds
    several codes with a digit that each stand in names of either posture (``batch1/p7_OD_seated.jpg``).
    Within patient, eye and session the first seated photo goes with the first supine one, and so on; a single
    photo of one posture goes with each of the other.  Neighbours of one posture become controls.

    Parameters
    ----------
    folder : Path

    Returns
    -------
    Proposal

    Raises
    ------
    OSError
        If the folder cannot be read.

    Notes
    -----
    Names of files may say who the patient is: put pseudonyms in their place.
    """
    paths = sorted(_photos(folder), key=_natural)
    named = [_read(path) for path in paths]
    coded = _coded_folders(named)
    alike: dict[tuple[str, str, str], list[_Named]] = {}
    for photo in named:
        both = photo.folders in coded and photo.folders
        patient = f"{photo.folders}-{photo.own}" if both else photo.folders or photo.own
        alike.setdefault((patient, photo.eye, photo.session), []).append(photo)
    rows: list[dict[str, str]] = []
    for (patient, _, _), group in alike.items():
        seated, supine = ([p for p in group if p.posture == posture] for posture in ("seated", "supine"))
        rows += _rows(patient, _matched(seated, supine), "seated-supine")
        rows += _rows(patient, pairwise(seated), "seated-seated")
        rows += _rows(patient, pairwise(supine), "supine-supine")
    used = {row[role] for row in rows for role in ("seated", "supine")}
    between = sum(row["posture"] == "seated-supine" for row in rows)
    return Proposal(
        manifest_text(_COLUMNS, rows),
        between,
        len(rows) - between,
        tuple(photo.path for photo in named if photo.path not in used),
    )


def _photos(folder: Path) -> Iterable[str]:
    for file in [*folder.iterdir()] and folder.rglob("*"):
        relative = file.relative_to(folder)
        hidden = any(part.startswith(".") for part in relative.parts)
        if file.suffix.lower() in PHOTO_SUFFIXES and not hidden and file.is_file():
            yield relative.as_posix()


def _natural(path: str) -> list[tuple[int, str]]:
    """Order in which photo 10 comes after photo 9."""
    return [(int(part), "") if part.isdigit() else (-1, part) for part in re.split(r"(\d+)", path) if part]


def _read(path: str) -> _Named:
    *folders, name = PurePosixPath(path).with_suffix("").parts
    told = {"eye": "", "session": "", "posture": ""}

    def rest_of(part: str) -> list[str]:
        """Words of a name; those that have a meaning are noted and left empty."""
        words = []
        for word in _WORD.findall(part):
            kind, value = _meaning(word)
            if kind:
                told[kind] = value
            words.append("" if kind else word)
        return words

    above = [word for part in folders for word in rest_of(part) if word]
    own = rest_of(name)
    first = next((k for k, word in enumerate(own) if word), 0)
    last = own.index("", first) if "" in own[first:] else len(own)
    if first > 0 and last == len(own) and not any(word[:1].isalpha() for word in own):
        last = first  # numbers at the end count shots
    return _Named(
        path, "-".join(above), "-".join(own[first:last]), told["eye"], told["session"], told["posture"]
    )


def _coded_folders(named: Sequence[_Named]) -> set[str]:
    """Folders in which the names of files tell patients apart, and do not merely number shots."""
    postures: dict[str, dict[str, set[str]]] = {}
    for photo in named:
        if photo.posture:
            postures.setdefault(photo.folders, {}).setdefault(photo.own, set()).add(photo.posture)
    return {
        folder
        for folder, codes in postures.items()
        if len(codes) > 1 and all(len(found) == 2 and re.search(r"\d", code) for code, found in codes.items())
    }


def _meaning(word: str) -> tuple[str, str]:
    """Kind of a word, empty where it has no meaning of its own, and its normal form."""
    plain = word.casefold()
    stem = plain.rstrip("0123456789")  # seated2, OD1
    if stem in _POSTURES:
        return "posture", _POSTURES[stem]
    if stem in _EYES and (stem == plain or len(stem) > 1):
        return "eye", _EYES[stem]
    session = _SESSION.fullmatch(plain)
    if session:
        return "session", session[1]
    return ("session", word) if _DATE.fullmatch(plain) else ("", word)


def _matched(seated: Sequence[_Named], supine: Sequence[_Named]) -> list[tuple[_Named, _Named]]:
    if min(len(seated), len(supine)) == 1:
        return list(product(seated, supine))
    return list(zip(seated, supine, strict=False))


def _rows(patient: str, pairs: Iterable[tuple[_Named, _Named]], posture: str) -> list[dict[str, str]]:
    return [
        {
            "patient": patient,
            "eye": first.eye,
            "seated": first.path,
            "supine": second.path,
            "session": first.session,
            "repeat": str(number),
            "posture": posture,
        }
        for number, (first, second) in enumerate(pairs, 1)
    ]
