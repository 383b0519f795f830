"""Run functions in a worker process or in this process.

A worker is a fresh interpreter, because the threads of the libraries do not survive a fork. It ends with its parent process.
"""

from __future__ import annotations

import atexit
import gc
import io
import os
import pickle
import signal
import sys
from collections.abc import Callable, Iterator
from concurrent.futures import Executor, Future, ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager
from importlib import import_module
from multiprocessing import connection, parent_process
from multiprocessing.context import SpawnContext, SpawnProcess
from multiprocessing.reduction import ForkingPickler
from threading import Thread
from types import ModuleType
from typing import Any


class SerialExecutor(Executor):
    """Run each function in this process as it is submitted."""

    def submit(self, function: Callable[..., Any], /, *args: Any, **kwargs: Any) -> Future[Any]:
        future: Future[Any] = Future()
        try:
            future.set_result(function(*args, **kwargs))
        except Exception as error:
            future.set_exception(error)
        return future


SERIAL = SerialExecutor()


class WorkerExecutor(Executor):
    """Run importable functions one after another in a worker process.

    If the worker crashes, its futures raise BrokenProcessPool; the next submission starts a new worker.
    """

    def __init__(self, *modules: str) -> None:
        """Start the worker and import `modules` in it."""
        self._modules = modules
        self._start()

    def submit(self, function: Callable[..., Any], /, *args: Any, **kwargs: Any) -> Future[Any]:
        _send_tables_as_arrow()
        try:
            return self._pool.submit(_call_in_worker, function, *args, **kwargs)
        except BrokenProcessPool:
            self.shutdown()
            self._start()
            return self._pool.submit(_call_in_worker, function, *args, **kwargs)

    def shutdown(self, wait: bool = True, *, cancel_futures: bool = True) -> None:
        """Stop the worker at once, even in the middle of a function."""
        for process in self._context.started:
            process.terminate()
        self._pool.shutdown(wait, cancel_futures=cancel_futures)

    def _start(self) -> None:
        self._context = _WorkerContext()
        self._pool = ProcessPoolExecutor(1, self._context, _initialize_worker, self._modules)
        self._pool.submit(int)  # the first submission starts the process


@contextmanager
def worker(*modules: str) -> Iterator[Executor]:
    """Yield a WorkerExecutor, or a SerialExecutor on one core or if no process can be started."""
    try:
        executor: Executor = WorkerExecutor(*modules) if _count_cores() > 1 else SerialExecutor()
    except (OSError, ImportError):  # not enough memory, or a system without semaphores
        executor = SerialExecutor()
    with executor:
        yield executor


def limit_threads(*modules: str) -> Any:
    """Context in which matrix libraries and `modules` use one thread, so that sums are equal on every machine."""
    from threadpoolctl import threadpool_limits

    for module in ("scipy.linalg", *modules):  # only libraries already loaded can be limited
        import_module(module)
    return threadpool_limits(1)


def collect_garbage_rarely() -> None:
    """Raise the thresholds of the garbage collector, which saves a tenth of the time of an audit.

    For processes of this program only, not for those of a caller.
    """
    gc.set_threshold(100_000, 50, 100)
    atexit.register(gc.freeze)


def _count_cores() -> int:
    """Number of cores that this process may use."""
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


class _WorkerProcess(SpawnProcess):
    def start(self) -> None:
        """Start without importing the caller's script again, which may have no `__main__` guard or file."""
        script, sys.modules["__main__"] = sys.modules["__main__"], ModuleType("__main__")
        try:
            super().start()
        finally:
            sys.modules["__main__"] = script


class _WorkerContext(SpawnContext):
    def __init__(self) -> None:
        self.started: list[_WorkerProcess] = []

    def Process(self, *args: Any, **kwargs: Any) -> _WorkerProcess:  # type: ignore[override]
        self.started.append(_WorkerProcess(*args, **kwargs))
        return self.started[-1]


def _initialize_worker(*modules: str) -> None:
    """Ignore interrupts, discard output, end with the parent, import `modules` and use one thread."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    collect_garbage_rarely()
    null = os.open(os.devnull, os.O_WRONLY)
    for stream in (1, 2):  # messages of a library that aborts; the parent reports the error
        os.dup2(null, stream)
    Thread(target=_end_with_parent, daemon=True).start()
    if modules:
        for module in modules:
            import_module(module)
        limit_threads()


def _call_in_worker(function: Callable[..., Any], /, *args: Any, **kwargs: Any) -> Any:
    result = function(*args, **kwargs)
    _send_tables_as_arrow()
    return result


def _end_with_parent() -> None:
    parent = parent_process()
    if parent is not None:
        connection.wait([parent.sentinel])
        os.kill(os.getpid(), signal.SIGTERM)


def _send_tables_as_arrow() -> None:
    """Send polars frames as one Arrow record batch; the chunks of their pickles change the last digits of sums."""
    if polars := sys.modules.get("polars"):
        ForkingPickler.register(polars.DataFrame, _pickle_as_arrow)


def _pickle_as_arrow(table: Any) -> Any:
    if table.width == 0:
        return table.__reduce_ex__(pickle.HIGHEST_PROTOCOL)
    arrow = io.BytesIO()
    table.write_ipc(arrow, record_batch_size=max(table.height, 1))
    return _unpickle_arrow, (arrow.getvalue(),)


def _unpickle_arrow(arrow: bytes) -> Any:
    import polars as pl

    return pl.read_ipc(arrow)
