"""Progress: how far a long work has come, at what rate, and how long it will still take."""

import time
from collections.abc import Callable
from dataclasses import dataclass

__all__ = ["OnProgress", "Progress", "reporter", "silent"]


@dataclass(frozen=True, slots=True)
class Progress:
    """How far a stage of the run has come.

    Attributes
    ----------
    stage : {"reading", "measuring", "copying"}
    done, total : int
        Photos, or pairs, of this run; what an earlier one has done is not among them.
    seconds : float
        Since the stage began.
    """

    stage: str
    done: int
    total: int
    seconds: float

    @property
    def per_second(self) -> float:
        """Rate so far."""
        return self.done / self.seconds if self.seconds > 0 else 0.0

    @property
    def seconds_left(self) -> float | None:
        """At that rate; None before anything is done."""
        return (self.total - self.done) / self.per_second if self.done and self.seconds > 0 else None


OnProgress = Callable[[Progress], None]


def silent(progress: Progress) -> None:
    """Show nothing."""


def reporter(stage: str, total: int, on_progress: OnProgress) -> Callable[[int], None]:
    """Start the clock of a stage; give a function to be called with the number done."""
    start = time.monotonic()
    return lambda done: on_progress(Progress(stage, done, total, time.monotonic() - start))
