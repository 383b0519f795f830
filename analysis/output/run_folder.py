"""A run's folder: written next to its place and moved there whole, where nothing but an earlier run's own files is."""

from __future__ import annotations

import os
import shutil
import stat
from collections.abc import Iterator, Sequence
from contextlib import ExitStack, contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path

from analysis.errors import UserError
from analysis.output.manifest import MANIFEST, UNFINISHED, changes, is_unfinished, kind_of_run, seal
from analysis.output.run_lock import run_lock

MAX_NAMED = 5
"""Files that a message names."""


@dataclass(frozen=True)
class OutputPlace:
    """A folder that this run alone may write, as long as its lock is held."""

    target: Path
    kind: str

    @contextmanager
    def write(self) -> Iterator[Path]:
        """A new folder to write into; it takes its place once everything in it is written.

        Raises
        ------
        UserError
            The disk is full; the earlier run's folder was changed meanwhile.
        """
        writing = _sibling(self.target, "writing")
        try:
            writing.mkdir()
        except OSError as error:
            raise _refused(self.target, error) from error
        try:
            _begin(writing, self.target)
            yield writing
            sync(writing)
            seal(writing, self.kind)
            refuse_foreign(self.target, self.kind)
            _move_in(writing, self.target)
        except OSError as error:
            if isinstance(error, ConnectionError | TimeoutError):
                raise
            raise _refused(self.target, error) from error
        finally:
            with suppress(OSError):
                _remove(writing)

    def record(self) -> None:
        """Count what was added to the finished folder as the run's own."""
        try:
            seal(self.target, self.kind)
        except OSError as error:
            raise _refused(self.target, error) from error


@contextmanager
def claim_folder(out: str | Path, kind: str, inputs: Sequence[str | Path | None] = ()) -> Iterator[OutputPlace]:
    """Keep a place for the folder of a run, before the run reads anything.

    Parameters
    ----------
    out
        A new or empty folder, or one that an earlier run of this kind wrote and nobody changed since.
    kind
        The kind of run: "audit", "check", ...
    inputs
        What the run reads: none of it may be in the folder.

    Raises
    ------
    UserError
        Something would be lost or could not be written; another run is writing there.
    """
    try:
        target = _real(Path(out))
        refuse_place(target)
        created = [parent for parent in target.parents if not parent.exists()]
        target.parent.mkdir(parents=True, exist_ok=True)
    except (OSError, RuntimeError) as error:
        raise _refused(Path(out), error) from error
    try:
        with ExitStack() as stack:
            try:
                stack.enter_context(run_lock(target))
            except OSError as error:
                raise _refused(target, error) from error
            _settle(target)
            _refuse_inputs(target, inputs)
            refuse_foreign(target, kind)
            yield OutputPlace(target, kind)
    finally:
        for parent in created:
            with suppress(OSError):
                parent.rmdir()  # stays unless empty


@contextmanager
def run_folder(out: str | Path, kind: str, inputs: Sequence[str | Path | None] = ()) -> Iterator[Path]:
    """A folder to write into, where nothing is done between claiming the place and writing.

    Raises
    ------
    UserError
        As `claim_folder` and `OutputPlace.write`.
    """
    with claim_folder(out, kind, inputs) as place, place.write() as folder:
        yield folder


def refuse_place(target: Path) -> None:
    """Refuse a place where no folder could be put or exchanged; another run may be moving its folder there.

    Raises
    ------
    UserError
        A disk's own folder, the working folder or one that holds it, a place below a file.
    """
    inside = f"name a folder in it: --out {target / 'out'}"
    if os.path.ismount(target):  # Path.is_mount fails where another run moves the folder meanwhile
        raise UserError(str(target), "is where a disk is mounted, so no run can replace it", "a folder", inside)
    here = Path.cwd()
    if _is_within(here, target):
        raise UserError(str(target), "is the folder you are working in, or holds it", "another folder", inside)
    nearest = next((parent for parent in target.parents if parent.exists()), target)
    if nearest != target and not nearest.is_dir():
        raise UserError(str(nearest), "is a file, so no folder can be made in it", "a folder", "name another --out")


def refuse_foreign(target: Path, kind: str) -> None:
    """Refuse to replace anything that an earlier run of the same kind did not write.

    Raises
    ------
    UserError
        It is no folder, or holds something else, or files that were added or changed since.
    """
    if target.is_symlink():
        raise UserError(str(target), "is a link", "a folder of its own", "name another --out")
    if target.exists() and not target.is_dir():
        raise UserError(str(target), "is a file", "a folder that is new or an earlier run's", "name another --out")
    try:
        if not target.is_dir() or not any(target.iterdir()):
            return
        found = kind_of_run(target)
        changed = changes(target) if found == kind else []
    except OSError as error:
        raise _refused(target, error) from error
    if found is None:
        raise UserError(
            str(target),
            "holds files that no run of rebleed wrote",
            "a new folder or an earlier run's",
            "name another --out",
        )
    if found != kind:
        raise UserError(
            str(target),
            f"was written by another kind of run ({found})",
            f"a new folder, or one that an earlier {kind} wrote",
            "name another --out",
        )
    if changed:
        raise UserError(
            str(target),
            f"holds files that were changed or added since it was written: {_listed(changed)}",
            "only what the earlier run wrote, since this run replaces the folder",
            "move those files elsewhere, or name another --out",
        )


def _refuse_inputs(target: Path, inputs: Sequence[str | Path | None]) -> None:
    """What a run reads must not be in the folder that it replaces."""
    for given in inputs:
        for path in _paths(given):
            if _is_within(path, target):
                raise UserError(
                    str(target),
                    f"holds what this run reads: {given}",
                    "a folder apart from what is read, since this run replaces it",
                    "name another --out, or move what is read elsewhere",
                )


def _is_within(path: Path, folder: Path) -> bool:
    """Whether a path is the folder or is below it, by what the system takes for one folder."""
    for place in (path, *path.parents):
        with suppress(FileNotFoundError):
            if place.samefile(folder):
                return True
    return False


def _paths(given: str | Path | None) -> Iterator[Path]:
    """The file an input may mean: as it is, or up to a #; of a database's address what follows the scheme."""
    text = "" if given is None else str(given)
    text = text.partition("://")[2] if "://" in text else text
    ends = [at for at, sign in enumerate(text) if sign == "#"]
    for end in [len(text), *ends]:
        with suppress(OSError, ValueError, RuntimeError):
            path = Path(text[:end])
            if text[:end] and path.exists():
                yield path.resolve()


def _listed(names: list[str]) -> str:
    more = len(names) - MAX_NAMED
    return ", ".join(names[:MAX_NAMED]) + (f" and {more:,} more" if more > 0 else "")


def _real(path: Path) -> Path:
    """The absolute path without `..` or links before its last name."""
    path = path.absolute()
    return path.resolve() if path.name in ("", "..") else path.parent.resolve() / path.name


def _sibling(target: Path, role: str) -> Path:
    return target.with_name(f".{target.name}.{role}")


def _settle(target: Path) -> None:
    """Tidy up after a killed run: remove what it began; put an earlier run back that it had moved out of its place."""
    writing, old = _sibling(target, "writing"), _sibling(target, "old")
    try:
        for path in (writing, old):
            if path.is_symlink() or (path.exists() and not path.is_dir()):
                raise _in_the_way(path, target)
        if old.exists() and not (target.exists() and any(target.iterdir())) and kind_of_run(old) is not None:
            if target.exists():
                target.rmdir()
            old.rename(target)
        for path in (writing, old):
            if path.exists():
                _discard(path, target)
    except OSError as error:
        raise _refused(target, error) from error


def _discard(folder: Path, target: Path) -> None:
    """Remove a folder that a run wrote; one that holds anything else is refused."""
    if is_unfinished(folder) or (kind_of_run(folder) is not None and not changes(folder)):
        _remove(folder)
    else:
        raise _in_the_way(folder, target)


def _in_the_way(path: Path, target: Path) -> UserError:
    return UserError(
        str(path),
        "is in the way, and holds something that no run of rebleed wrote",
        f"nothing there: a run uses this name while it writes {target.name}",
        "move it elsewhere, or name another --out",
    )


def _begin(writing: Path, target: Path) -> None:
    """Mark the new folder as a run's, and give it owner, group and permissions of the one it replaces."""
    (writing / UNFINISHED).touch()
    if not target.exists():
        return
    before = target.stat()
    if hasattr(os, "chown"):
        for owner in (before.st_uid, -1):
            with suppress(PermissionError):
                os.chown(writing, owner, before.st_gid)
                break
    shutil.copystat(target, writing)
    writing.chmod(stat.S_IMODE(before.st_mode) | stat.S_IRWXU)


def _move_in(writing: Path, target: Path) -> None:
    """Two renames: a run killed between them leaves the earlier one as `.NAME.old`, which the next run puts back."""
    old = _sibling(target, "old")
    if target.exists():
        target.rename(old)
    try:
        writing.rename(target)
    except OSError as error:
        _put_back(old, target, error)
        raise
    with suppress(OSError):
        if old.exists():
            _discard(old, target)


def _put_back(old: Path, target: Path, error: OSError) -> None:
    if not old.exists():
        return
    try:
        old.rename(target)
    except OSError:
        raise UserError(
            str(target),
            f"cannot be written: {error.strerror or error}; the earlier run is now {old}",
            "a folder that can be renamed",
            f"rename {old.name} to {target.name}",
        ) from error


def _remove(folder: Path) -> None:
    """Remove a run's folder, what marks it as a run's last: the next run can finish a removal that was cut short."""
    last = (UNFINISHED, MANIFEST)
    for path in [path for path in folder.iterdir() if path.name not in last]:
        if path.is_dir() and not path.is_symlink():
            shutil.rmtree(path)
        else:
            path.unlink()
    for name in last:
        (folder / name).unlink(missing_ok=True)
    folder.rmdir()


def sync(folder: Path) -> None:
    """See every file below on the disk."""
    for path in folder.rglob("*"):
        if path.is_file():
            with path.open("r+b") as file:  # Windows syncs no file that is open for reading only
                os.fsync(file.fileno())


def _refused(target: Path, error: Exception) -> UserError:
    why = error.strerror if isinstance(error, OSError) and error.strerror else str(error)
    return UserError(
        str(target), f"cannot be written: {why}", "a folder with room and leave to write", "name another --out"
    )
