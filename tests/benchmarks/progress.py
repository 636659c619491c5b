"""How far a study is, on stderr."""

import sys
from collections.abc import Iterable
from typing import TypeVar

__all__ = ["counted"]

_Item = TypeVar("_Item")


def counted(items: Iterable[_Item], word: str) -> list[_Item]:
    """List the items, and say after each how many there are."""
    done = []
    for item in items:
        done.append(item)
        print(f"\r{len(done)} {word}", end="", file=sys.stderr, flush=True)
    print(file=sys.stderr)
    return done
