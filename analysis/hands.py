"""Other processes of this program's own: they do what they are asked while this one goes on, and end with it.

Each is a fresh interpreter, since the threads of the libraries do not live through a fork, and imports what it will need
while the caller is still busy. It takes a function of ours with its arguments through a pipe that nobody else holds, and
gives back what the function returned. Whatever goes wrong there, the same is done again here: an error is the one it
would have been, and a process that died costs nothing but time.
"""

from __future__ import annotations

import atexit
import gc
import os
import signal
import subprocess
import sys
from collections.abc import Callable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import contextmanager, suppress
from functools import partial
from importlib import import_module
from pathlib import Path
from queue import SimpleQueue
from threading import Thread
from typing import Any, ParamSpec, TypeVar

from analysis.asked import Asked
from analysis.packing import Handed, Part, packed, received, send, unpacked

P = ParamSpec("P")
T = TypeVar("T")
Process = subprocess.Popen[bytes]
Order = tuple[Callable[..., object], tuple[object, ...], dict[str, object]]
LENDING = "import sys; sys.path[:] = {}; from analysis.hands import lending; lending({})"
MANY_ROWS = 1_500_000
"""Two processes take 3.9 GB at most for a million bleeds, one alone some 2."""
GIVES_BACK = ("_RJEM_MALLOC_CONF", "dirty_decay_ms:1000,muzzy_decay_ms:1000")
"""To the allocator under polars, which reads it when polars is imported: what is freed goes back to the machine in a second."""
OWN_FONT = ("FONTCONFIG_FILE", str(Path(__file__).with_name("fonts.conf")))
"""To the drawing library: the font it brings, held in memory, alone. One of the machine's is opened anew for every letter
measured, a third of the time a picture takes. Only where no other program is started, which would find no font either."""
LOOKED_FOR_RINGS = (100_000, 50, 100)
"""Objects made until Python looks for rings of them to free: with its own 700, a twentieth of an audit is spent looking."""


def settle() -> None:
    """What a process of this program's own sets for itself before it imports much; a caller's process keeps its settings."""
    os.environ.setdefault(*GIVES_BACK)
    gc.set_threshold(*LOOKED_FOR_RINGS)
    atexit.register(gc.freeze)  # else half a second goes into looking through all there is once more at the very end


class Hands:
    """This process alone: what is asked for is done when its answer is wanted."""

    beside = False

    def carrying(self, rows: int) -> Hands:
        """These for tables of so many rows; nobody else where they are too long to lie in memory once a process."""
        return self if rows < MANY_ROWS else HERE

    def ask(self, task: Callable[P, T], *given: P.args, **named: P.kwargs) -> Asked[T]:
        """The answer to come: a function of ours, named at the top of its module, of arguments nobody changes."""
        here = partial(task, *given, **named)
        return Asked(here, lambda: True, here)

    def leave(self, task: Callable[P, T], *given: P.args, **named: P.kwargs) -> Asked[T]:
        """As `ask`, for what others are readier for: waited for even where none has begun it when it is wanted."""
        return self.ask(task, *given, **named)


HERE = Hands()
"""Whoever asks nobody else."""


class HandsBeside(Hands):
    """Other processes, each busy with one task at a time."""

    beside = True

    def __init__(self, processes: tuple[Process, ...]) -> None:
        self._free: SimpleQueue[tuple[Process, Handed]] = SimpleQueue()
        for process in processes:
            self._free.put((process, Handed()))
        self._asking = ThreadPoolExecutor(max_workers=len(processes))

    def ask(self, task: Callable[P, T], *given: P.args, **named: P.kwargs) -> Asked[T]:
        told, here = self._asking.submit(self._told, (task, given, named)), partial(task, *given, **named)
        return Asked(here, told.cancel, lambda: _waited_for(told, here))

    def leave(self, task: Callable[P, T], *given: P.args, **named: P.kwargs) -> Asked[T]:
        told, here = self._asking.submit(self._told, (task, given, named)), partial(task, *given, **named)
        return Asked(here, lambda: False, lambda: _waited_for(told, here))

    def outlives(self, task: Callable[P, T], *given: P.args, **named: P.kwargs) -> bool:
        """Whether a process that does the task is still there when it is done; the task must not fail."""
        try:
            return bool(self._answer((task, given, named)))
        except OSError:
            return False

    def close(self) -> None:
        """Leave what nobody waits for undone."""
        self._asking.shutdown(wait=False, cancel_futures=True)

    def _told(self, order: Order) -> tuple[Any, ...]:
        """What was answered; nothing where nothing was."""
        answer = self._answer(order)
        return (unpacked(answer),) if answer else ()

    def _answer(self, order: Order) -> list[Part]:
        process, handed = self._free.get()
        try:
            send(process.stdin, packed(order, handed))
            return received(process.stdout)
        finally:
            self._free.put((process, handed))


@contextmanager
def hands_beside(count: int, ready: tuple[str, ...] = ()) -> Iterator[Hands]:
    """So many processes beside this one while it lasts; this one alone on a machine with a single core.

    Parameters
    ----------
    count
        Processes, no more of them than the machine has cores.
    ready
        Modules they import before they are asked for anything, in this order.
    """
    processes = _started(min(count, cores()), ready) if cores() > 1 else ()
    if not processes:
        yield HERE
        return
    with _lent(processes) as hands:
        yield hands


@contextmanager
def hand_at_risk() -> Iterator[HandsBeside | None]:
    """A process for what may kill the process that does it, on any machine; None where there can be none."""
    processes = _started(1, ())
    if not processes:
        yield None
        return
    with _lent(processes) as hands:
        yield hands


@contextmanager
def _lent(processes: tuple[Process, ...]) -> Iterator[HandsBeside]:
    hands = HandsBeside(processes)
    try:
        yield hands
    finally:
        hands.close()
        for process in processes:
            _ended(process)


def cores() -> int:
    """Cores this process may use."""
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


def _started(count: int, ready: tuple[str, ...]) -> tuple[Process, ...]:
    """So many fresh interpreters, or none where the machine gives none."""
    order = [sys.executable, "-P", "-c", LENDING.format([str(place) for place in sys.path], ready)]
    pipes = {"stdin": subprocess.PIPE, "stdout": subprocess.PIPE, "stderr": subprocess.DEVNULL}
    try:
        return tuple(subprocess.Popen(order, **pipes) for _ in range(count))  # type: ignore[call-overload]
    except OSError:
        return ()


def _ended(process: Process) -> None:
    process.kill()
    process.wait()
    for pipe in (process.stdin, process.stdout):
        with suppress(OSError):
            pipe.close()  # type: ignore[union-attr]


def _waited_for(told: Future[tuple[T, ...]], again: Callable[[], T]) -> T:
    try:
        answer = told.result()
    except OSError:
        answer = ()
    return answer[0] if answer else again()


def lending(ready: tuple[str, ...]) -> None:
    """What a process beside does: import these modules, then one order after another until the other side is gone.

    With half the threads, since the other side goes on with its own.
    """
    asked = os.environ.get("OMP_NUM_THREADS", "")
    most = min(cores(), int(asked)) if asked.isdigit() and int(asked) else cores()
    os.environ["OMP_NUM_THREADS"] = str(max(most // 2, 1))
    settle()
    os.environ.setdefault(*OWN_FONT)
    answers = os.fdopen(os.dup(1), "wb")
    os.dup2(2, 1)  # what a library prints must not get between answers
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    orders: SimpleQueue[list[Part]] = SimpleQueue()
    Thread(target=_listening, args=(orders,), daemon=True).start()
    for module in ready:
        import_module(module)
    while True:
        send(answers, _done(orders.get()))


def _listening(orders: SimpleQueue[list[Part]]) -> None:
    """Ends the process, whatever it is busy with, once the other side is gone."""
    while order := received(sys.stdin.buffer):
        orders.put(order)
        del order  # nor is it kept, large as it may be, until another comes
    os._exit(0)


def _done(order: list[Part]) -> list[Part]:
    """What the task returned; nothing where it failed."""
    try:
        task, given, named = unpacked(order)
        order.clear()
        return packed(task(*given, **named))
    except Exception:
        return []
