"""The folder of a run: written under another name and renamed when complete; replaces only an earlier run's own files."""

from __future__ import annotations

import os
import shutil
import stat
from collections.abc import Iterator, Sequence
from contextlib import ExitStack, contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path

from analysis.errors import UserError
from analysis.output.manifest import MANIFEST, UNFINISHED, is_unfinished, kind_of_run, list_changed_files, seal
from analysis.output.new_file import cannot_write_error
from analysis.output.run_lock import run_lock

MAX_LISTED = 5
"""Files listed in a message."""


@dataclass(frozen=True)
class OutputPlace:
    """A folder that is locked for this run."""

    target: Path
    kind: str

    @contextmanager
    def write(self) -> Iterator[Path]:
        """Yield a new folder to write into; when complete, it replaces the target.

        Raises
        ------
        UserError
            The disk is full, or the folder of the earlier run was changed meanwhile.
        """
        writing = _sibling_path(self.target, "writing")
        try:
            writing.mkdir()
        except OSError as error:
            raise cannot_write_error(self.target, error) from error
        try:
            _prepare_new_folder(writing, self.target)
            yield writing
            sync(writing)
            seal(writing, self.kind)
            refuse_foreign(self.target, self.kind)
            _replace_target(writing, self.target)
        except OSError as error:
            if isinstance(error, ConnectionError | TimeoutError):
                raise
            raise cannot_write_error(self.target, error) from error
        finally:
            with suppress(OSError):
                _remove_folder(writing)

    def record(self) -> None:
        """Add files written since to the manifest as the run's own."""
        try:
            seal(self.target, self.kind)
        except OSError as error:
            raise cannot_write_error(self.target, error) from error


@contextmanager
def claim_folder(out: str | Path, kind: str, inputs: Sequence[str | Path | None] = ()) -> Iterator[OutputPlace]:
    """Check and lock the place for the folder of a run, before the run reads anything.

    Parameters
    ----------
    out
        A new or empty folder, or one written by an earlier run of this kind and not edited since.
    kind
        The kind of run: "audit", "check", ...
    inputs
        The inputs of the run; none may be in the folder.

    Raises
    ------
    UserError
        Files would be lost or cannot be written, or another run is writing there.
    """
    try:
        target = _resolve_parent(Path(out))
        refuse_place(target)
        created = [parent for parent in target.parents if not parent.exists()]
        target.parent.mkdir(parents=True, exist_ok=True)
    except (OSError, RuntimeError) as error:
        raise cannot_write_error(Path(out), error) from error
    try:
        with ExitStack() as stack:
            try:
                stack.enter_context(run_lock(target))
            except OSError as error:
                raise cannot_write_error(target, error) from error
            _clean_up_killed_run(target)
            _refuse_inputs(target, inputs)
            refuse_foreign(target, kind)
            yield OutputPlace(target, kind)
    finally:
        for parent in created:
            with suppress(OSError):
                parent.rmdir()  # fails, as intended, unless empty


@contextmanager
def run_folder(out: str | Path, kind: str, inputs: Sequence[str | Path | None] = ()) -> Iterator[Path]:
    """`claim_folder` and `OutputPlace.write` in one.

    Raises
    ------
    UserError
        As `claim_folder` and `OutputPlace.write`.
    """
    with claim_folder(out, kind, inputs) as place, place.write() as folder:
        yield folder


def refuse_place(target: Path) -> None:
    """Refuse a place where a folder could not be created or replaced.

    Raises
    ------
    UserError
        A mount point, the working folder or a parent of it, or a path below a file.
    """
    inside = f"choose a folder in it: --out {target / 'out'}"
    if os.path.ismount(target):  # Path.is_mount fails if another run moves the folder meanwhile
        raise UserError(str(target), "is a mount point, so it cannot be replaced", "a folder", inside)
    here = Path.cwd()
    if _is_within(here, target):
        raise UserError(str(target), "is the working folder or contains it", "another folder", inside)
    nearest = next((parent for parent in target.parents if parent.exists()), target)
    if nearest != target and not nearest.is_dir():
        raise UserError(str(nearest), "is a file, so it cannot contain a folder", "a folder", "choose another --out")


def refuse_foreign(target: Path, kind: str) -> None:
    """Refuse to replace files that were not written by an earlier run of the same kind.

    Raises
    ------
    UserError
        It is not a folder, or it has other files, or files added or changed since.
    """
    if target.is_symlink():
        raise UserError(str(target), "is a link", "a folder", "choose another --out")
    if target.exists() and not target.is_dir():
        raise UserError(str(target), "is a file", "a new folder, or one from an earlier run", "choose another --out")
    try:
        if not target.is_dir() or not any(target.iterdir()):
            return
        existing_kind = kind_of_run(target)
        changed = list_changed_files(target) if existing_kind == kind else []
    except OSError as error:
        raise cannot_write_error(target, error) from error
    if existing_kind is None:
        raise UserError(
            str(target),
            "contains files that were not written by rebleed",
            "a new folder, or one from an earlier run",
            "choose another --out",
        )
    if existing_kind != kind:
        raise UserError(
            str(target),
            f"belongs to a different command ({existing_kind})",
            f"a new folder, or one from an earlier {kind}",
            "choose another --out",
        )
    if changed:
        raise UserError(
            str(target),
            f"contains files that were added or edited since the run: {_list_names(changed)}",
            "only the files of the earlier run, because this run replaces the folder",
            "move those files, or choose another --out",
        )


def _refuse_inputs(target: Path, inputs: Sequence[str | Path | None]) -> None:
    """Refuse inputs in the folder that the run replaces."""
    for source in inputs:
        for path in _existing_paths(source):
            if _is_within(path, target):
                raise UserError(
                    str(target),
                    f"contains an input of this run: {source}",
                    "an output folder that does not contain the input, because this run replaces it",
                    "choose another --out, or move the input",
                )


def _is_within(path: Path, folder: Path) -> bool:
    """Whether a path is the folder or below it, also through links."""
    for place in (path, *path.parents):
        with suppress(FileNotFoundError):
            if place.samefile(folder):
                return True
    return False


def _existing_paths(source: str | Path | None) -> Iterator[Path]:
    """Existing files that an input may name: the whole text, the part before a #, or the path of a database URL."""
    text = "" if source is None else str(source)
    text = text.partition("://")[2] if "://" in text else text
    ends = [position for position, character in enumerate(text) if character == "#"]
    for end in [len(text), *ends]:
        with suppress(OSError, ValueError, RuntimeError):
            path = Path(text[:end])
            if text[:end] and path.exists():
                yield path.resolve()


def _list_names(names: list[str]) -> str:
    more = len(names) - MAX_LISTED
    return ", ".join(names[:MAX_LISTED]) + (f" and {more:,} more" if more > 0 else "")


def _resolve_parent(path: Path) -> Path:
    """The absolute path with `..` and links resolved, except a link in the last name."""
    path = path.absolute()
    return path.resolve() if path.name in ("", "..") else path.parent.resolve() / path.name


def _sibling_path(target: Path, role: str) -> Path:
    return target.with_name(f".{target.name}.{role}")


def _clean_up_killed_run(target: Path) -> None:
    """Clean up after a killed run: remove its unfinished folder and restore an earlier run that it had renamed."""
    writing, old = _sibling_path(target, "writing"), _sibling_path(target, "old")
    try:
        for path in (writing, old):
            if path.is_symlink() or (path.exists() and not path.is_dir()):
                raise _foreign_file_error(path, target)
        if old.exists() and not (target.exists() and any(target.iterdir())) and kind_of_run(old) is not None:
            if target.exists():
                target.rmdir()
            old.rename(target)
        for path in (writing, old):
            if path.exists():
                _discard_own_folder(path, target)
    except OSError as error:
        raise cannot_write_error(target, error) from error


def _discard_own_folder(folder: Path, target: Path) -> None:
    """Remove a folder written by a run; refuse one with other files."""
    if is_unfinished(folder) or (kind_of_run(folder) is not None and not list_changed_files(folder)):
        _remove_folder(folder)
    else:
        raise _foreign_file_error(folder, target)


def _foreign_file_error(path: Path, target: Path) -> UserError:
    return UserError(
        str(path),
        "is in the way and contains files that were not written by rebleed",
        f"no file of this name, because a run uses it while it writes {target.name}",
        "move it, or choose another --out",
    )


def _prepare_new_folder(writing: Path, target: Path) -> None:
    """Mark the new folder as unfinished and copy owner, group and permissions of the folder that it replaces."""
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


def _replace_target(writing: Path, target: Path) -> None:
    """Replace the target by two renames; after a crash in between, the next run restores `.NAME.old`."""
    old = _sibling_path(target, "old")
    if target.exists():
        target.rename(old)
    try:
        writing.rename(target)
    except OSError as error:
        _restore_earlier_run(old, target, error)
        raise
    with suppress(OSError):
        if old.exists():
            _discard_own_folder(old, target)


def _restore_earlier_run(old: Path, target: Path, error: OSError) -> None:
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


def _remove_folder(folder: Path) -> None:
    """Remove the folder of a run, its markers last, so that the next run can finish an interrupted removal."""
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
    """Flush every file of the folder to disk."""
    for path in folder.rglob("*"):
        if path.is_file():
            with path.open("r+b") as file:  # Windows cannot sync a file opened for reading only
                os.fsync(file.fileno())
