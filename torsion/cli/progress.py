"""Progress of long work on stderr, and what goes with it."""

import os
import sys
import time
from collections.abc import Callable

from torsion.cohort.progress import Progress

__all__ = ["cores", "progress_reporter"]

_EVERY_S = 10.0  # between lines of progress where they do not replace each other


def cores() -> int:
    """Cores that this process may use; where the system does not tell, all there are."""
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


def progress_reporter() -> Callable[[Progress], None]:
    """Show progress: one line that changes where somebody watches, else a line now and then."""
    stream = sys.stderr
    watched = stream.isatty()
    last = {"time": 0.0}

    def show(progress: Progress) -> None:
        now, ended = time.monotonic(), progress.done == progress.total
        if not ended and now - last["time"] < (0.2 if watched else _EVERY_S):
            return
        last["time"] = now
        left = progress.seconds_left
        text = f"{progress.stage} {progress.done} of {progress.total}, {progress.per_second:.1f} a second"
        if not ended and left is not None:
            text += f", {_duration(left)} left"
        stream.write(f"\r{text:<70}" + ("\n" if ended else "") if watched else f"{text}\n")
        stream.flush()

    return show


def _duration(seconds: float) -> str:
    minutes, seconds = divmod(round(seconds), 60)
    hours, minutes = divmod(int(minutes), 60)
    return f"{hours} h {minutes:02d} min" if hours else f"{minutes} min {int(seconds):02d} s"
