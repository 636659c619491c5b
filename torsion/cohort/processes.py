"""Processes: workers that outlive a broken task, know which task it was, and never outlive their parent."""

import multiprocessing as mp
import os
import signal
import threading
from collections import deque
from collections.abc import Callable, Iterable, Iterator
from contextlib import suppress
from multiprocessing.connection import Connection, wait
from typing import Any

from torsion.errors import TorsionError

__all__ = ["Pool", "one_thread"]

_ATTEMPTS = 3  # a worker may die through no fault of its task
_PATIENCE_S = 5.0  # for a worker without work to end
_THREADS = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "VECLIB_MAXIMUM_THREADS")
_DIED = "the process that worked on it died (out of memory?)"


class Pool:
    """Processes that are started afresh, so that they hold no lock or file of this one.

    Parameters
    ----------
    workers : int
    """

    def __init__(self, workers: int) -> None:
        self._count = workers
        self._workers: list[_Worker] = []

    def run(
        self, function: Callable[[Any], Any], tasks: Iterable[Any]
    ) -> Iterator[tuple[Any, Any, str | None]]:
        """Give each task with its result, or with None and a sentence that says why there is none.

        Raises
        ------
        TorsionError
            If no worker can be started.
        """
        source = iter(tasks)
        again: deque[tuple[Any, int]] = deque()  # tasks whose worker died, with the attempts they have had
        busy: dict[Connection, tuple[_Worker, Any, int]] = {}

        def next_task() -> tuple[Any, int] | None:
            if again:
                return again.popleft()
            return next(((task, 0) for task in source), None)

        idle = deque(self._workers)

        def give() -> None:
            while len(busy) < self._count and (given := next_task()) is not None:
                worker = idle.popleft() if idle else self._started()
                worker.send((function, given[0]))
                busy[worker.pipe] = (worker, *given)

        give()
        while busy:
            for pipe in wait(list(busy)):
                assert isinstance(pipe, Connection)
                worker, task, attempts = busy.pop(pipe)
                answer = worker.receive()
                if answer is not None:
                    idle.append(worker)
                    give()  # first, so that the worker goes on while the caller writes the result to the disk
                    yield task, *answer
                    continue
                self._buried(worker)
                if attempts + 1 < _ATTEMPTS:
                    again.append((task, attempts + 1))
                give()
                if attempts + 1 >= _ATTEMPTS:
                    yield task, None, _DIED

    def close(self, *, at_once: bool = False) -> None:
        """End the workers, without waiting for what they do where that is wanted."""
        for worker in self._workers:
            worker.end(at_once=at_once)
        self._workers.clear()

    def _started(self) -> "_Worker":
        worker = _Worker()
        self._workers.append(worker)
        if worker.receive() is None:
            self._buried(worker)
            msg = "a worker process cannot be started; its own message stands above"
            raise TorsionError(msg)
        return worker

    def _buried(self, worker: "_Worker") -> None:
        self._workers.remove(worker)
        worker.end(at_once=True)


class _Worker:
    def __init__(self) -> None:
        # Started by a fresh interpreter: a forked child would hold its siblings' pipes open, and these say
        # who is alive; a fork beside the threads of OpenCV may also hang.
        context = mp.get_context("spawn")
        self.pipe, theirs = context.Pipe()
        self._process = context.Process(target=_work, args=(theirs,), daemon=True)
        self._process.start()
        theirs.close()

    def send(self, message: object) -> None:
        with suppress(OSError):  # it has died; `receive` will say so
            self.pipe.send(message)

    def receive(self) -> Any:  # noqa: ANN401
        """Give the next answer; None when the worker has died."""
        try:
            return self.pipe.recv()
        except (EOFError, OSError):
            return None

    def end(self, *, at_once: bool) -> None:
        if not at_once:
            self.send(None)
            self._process.join(_PATIENCE_S)
        if self._process.is_alive():
            self._process.kill()  # it holds nothing that needs to be put in order
        self._process.join()
        self._process.close()
        self.pipe.close()


def _work(pipe: Connection) -> None:
    """Life of a worker: answers (result, fault) to each (function, task) until it is told to end."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # a key pressed reaches the parent too, which ends us
    for name in _THREADS:  # before the libraries that read them are loaded, with the first task
        os.environ[name] = "1"
    threading.Thread(target=_end_with_parent, daemon=True).start()
    pipe.send((True, None))
    while True:
        try:
            message = pipe.recv()
        except (EOFError, OSError):
            return
        if message is None:
            return
        pipe.send(_answer(*message))


def _answer(function: Callable[[Any], Any], task: object) -> tuple[object, str | None]:
    one_thread()
    try:
        return function(task), None
    except Exception as fault:
        return None, f"{type(fault).__name__}: {fault}"


def _end_with_parent() -> None:
    parent = mp.parent_process()
    assert parent is not None
    parent.join()  # returns when it ends, however it ends
    os._exit(1)


def one_thread() -> None:
    """Keep OpenCV to one thread in this process: as many workers as cores leave nothing for more."""
    import cv2

    if cv2.getNumThreads() > 1:
        cv2.setNumThreads(1)
