"""Flags: the closed vocabulary in which a result explains itself."""

from dataclasses import dataclass
from typing import Literal

__all__ = ["FLAGS", "Flag", "Verdict", "worst_verdict"]

Verdict = Literal["accept", "review", "refuse"]


@dataclass(frozen=True, slots=True)
class Flag:
    """One entry of the vocabulary.

    Attributes
    ----------
    name : str
        Word used in results; its meaning never changes.
    verdict : {"accept", "review", "refuse"}
        Best verdict that a result with this flag can have.
    meaning : str
        What was found.
    remedy : str
        What the user can do about it.
    """

    name: str
    verdict: Verdict
    meaning: str
    remedy: str


_TABLE: tuple[Flag, ...] = ()

FLAGS: dict[str, Flag] = {flag.name: flag for flag in _TABLE}


def worst_verdict(flags: list[str] | tuple[str, ...]) -> Verdict:
    """Verdict that a set of flags allows: the worst of theirs, ``accept`` without any.

    Raises
    ------
    KeyError
        If a name is not in the vocabulary.
    """
    order: tuple[Verdict, ...] = ("accept", "review", "refuse")
    return max((FLAGS[name].verdict for name in flags), key=order.index, default="accept")
