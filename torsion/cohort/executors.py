"""Executors: where the work of a cohort is done.

Both do the same: take a function and tasks, give the outcomes as they come, survive the death of a worker.
"""

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from types import TracebackType
from typing import Any, Generic, Protocol, Self, TypeVar

from torsion.cohort.processes import Pool, one_thread
from torsion.errors import LibraryError, TorsionError

__all__ = ["Cluster", "Executor", "Outcome", "Processes"]

Task = TypeVar("Task")
Result = TypeVar("Result")

_AHEAD = 2  # tasks sent for each thread of a cluster: one in work, one waiting; more would only take memory


@dataclass(frozen=True, slots=True)
class Outcome(Generic[Task, Result]):
    """What became of a task: its result, or in one sentence why there is none."""

    task: Task
    result: Result | None
    fault: str | None = None


class Executor(Protocol):
    """Something that runs tasks; to be used as a context."""

    def __enter__(self) -> Self:
        """Start."""

    def __exit__(
        self, kind: type[BaseException] | None, fault: BaseException | None, trace: TracebackType | None
    ) -> None:
        """End; after a fault at once."""

    def run(
        self, function: Callable[[Task], Result], tasks: Iterable[Task]
    ) -> Iterator[Outcome[Task, Result]]:
        """Give the outcome of each task, in the order in which they are ready.

        `function` stands at the top level of a module, so that another process can import it.  `tasks` are
        taken one by one as there is room for them.
        """


class Processes:
    """Workers on this machine, one process with one thread each; they end when this process does.

    Parameters
    ----------
    workers : int
        1 or more.
    """

    def __init__(self, workers: int) -> None:
        if workers < 1:
            msg = f"the number of workers must be 1 or more, not {workers}"
            raise ValueError(msg)
        self._pool = Pool(workers)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, fault: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._pool.close(at_once=kind is not None)

    def run(
        self, function: Callable[[Task], Result], tasks: Iterable[Task]
    ) -> Iterator[Outcome[Task, Result]]:
        """See `Executor.run`."""
        for task, result, fault in self._pool.run(function, tasks):
            yield Outcome(task, result, fault)


class Cluster:
    """An existing Dask cluster, whose workers have this package and see the photos at the same places.

    Parameters
    ----------
    address : str
        Of its scheduler, such as ``tcp://host:8786``.

    Raises
    ------
    LibraryError
        If distributed is not installed.
    TorsionError
        If no scheduler answers.
    """

    def __init__(self, address: str) -> None:
        try:
            import distributed
        except ImportError:
            msg = "a cluster needs a further package: pip install 'torsion[cluster]'"
            raise LibraryError(msg) from None
        try:
            self._dask: Any = distributed  # without types
            self._dask.comm.get_address_host_port(address)  # a client of no address would hang as it ends
            self._client = self._dask.Client(address, set_as_default=False)
        except (OSError, ValueError) as fault:
            msg = f"no cluster answers at '{address}': {fault}"
            raise TorsionError(msg) from fault

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, fault: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._client.close()  # forgets what is still waiting; the cluster stays

    def run(
        self, function: Callable[[Task], Result], tasks: Iterable[Task]
    ) -> Iterator[Outcome[Task, Result]]:
        """See `Executor.run`; a task whose worker dies is given to another by the scheduler."""
        waiting = iter(tasks)
        sent: dict[Any, Task] = {}
        ready = self._dask.as_completed(loop=self._client.loop)

        def send() -> None:
            room = _AHEAD * max(1, sum(self._client.nthreads().values())) - len(sent)
            for _, task in zip(range(room), waiting, strict=False):
                future = self._client.submit(_with_one_thread, function, task, pure=False)
                sent[future] = task
                ready.add(future)

        send()
        while sent:
            future = next(ready)
            task = sent.pop(future)
            fault: BaseException | None = future.exception()
            yield Outcome(task, None if fault else future.result(), _sentence(fault) if fault else None)
            send()


def _with_one_thread(function: Callable[[Any], Any], task: Any) -> Any:  # noqa: ANN401
    one_thread()
    return function(task)


def _sentence(fault: BaseException) -> str:
    return f"{type(fault).__name__}: {fault}".splitlines()[0]
