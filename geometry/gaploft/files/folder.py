"""A folder of results that is replaced as a whole or stays as it was."""

import os
import shutil
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path

from gaploft.errors import InputError
from gaploft.files.whole import STAGING, cannot_write


@contextmanager
def whole_folder(directory: Path, names: Sequence[str]) -> Iterator[Path]:
    """Give an empty folder to write into; when the block ends well, its files become the results.

    Parameters
    ----------
    directory : where the results are to be; made if it is missing
    names : all names that results can have there. Those that the block did not write are removed,
        so that an old target never lies beside a new report.

    Raises
    ------
    InputError
        The folder can't be made or written to, or one of ``names`` is a folder there; a person's
        own folder is never removed. Whatever is raised, in the block or here,
        ``directory`` is left as it was.
    """
    made = _make(directory)
    staging = directory / f"{STAGING}{os.getpid()}"
    try:
        _refuse_folders(directory, names)
        staging.mkdir()
        yield staging
        _swap(staging, directory, names)
        made = []
    except OSError as error:
        raise cannot_write(directory, error) from None
    finally:
        shutil.rmtree(staging, ignore_errors=True)
        _unmake(made)


def refuse_inputs(directory: Path, names: Sequence[str], inputs: Sequence[Path]) -> None:
    """Raise InputError when a result would be written over a file that the job reads."""
    results = {(directory / name).resolve() for name in names}
    for path in inputs:
        if path.resolve() in results:
            raise InputError(
                f"{path} would be overwritten by a result of the same name: choose another folder"
            )


def clear_folder(directory: Path, names: Sequence[str], *, keep: Sequence[Path] = ()) -> None:
    """Remove the results of an earlier run, except files in ``keep``, as far as the folder allows it."""
    kept = {path.resolve() for path in keep}
    for path in (directory / name for name in names):
        with suppress(OSError):
            if path.resolve() not in kept:
                path.unlink()


def _refuse_folders(directory: Path, names: Sequence[str]) -> None:
    for path in (directory / name for name in names):
        if path.is_dir():
            raise InputError(
                f"{path} is a folder, but a file of that name is to be written: "
                "rename that folder, or choose another place"
            )


def _swap(staging: Path, directory: Path, names: Sequence[str]) -> None:
    """Move old results out of the way and new ones in; undo all of it if anything fails or is stopped."""
    old = staging / "old"
    old.mkdir()
    written = [name for name in names if (staging / name).exists()]
    try:
        for name in names:
            if (directory / name).exists():
                (directory / name).replace(old / name)
        for name in written:
            (staging / name).replace(directory / name)
    except BaseException:
        for name in written:
            if not (staging / name).exists():
                (directory / name).unlink(missing_ok=True)
        for name in names:
            if (old / name).exists():
                (old / name).replace(directory / name)
        raise


def _make(directory: Path) -> list[Path]:
    """Make a folder and its parents; return those that were not there, deepest first."""
    missing = [path for path in (directory, *directory.parents) if not path.exists()]
    try:
        directory.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        _unmake(missing)
        raise cannot_write(directory, error) from None
    return missing


def _unmake(made: Sequence[Path]) -> None:
    for path in made:
        with suppress(OSError):
            path.rmdir()
