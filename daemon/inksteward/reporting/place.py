"""Putting finished files in their place in one go: nothing is ever half-written under its final name."""

from __future__ import annotations

import os
import shutil
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path


class PlaceError(Exception):
    """What was to be written cannot stand where it was asked to; nothing was changed there."""


@contextmanager
def whole_folder(final: Path, known: frozenset[str], *, force: bool) -> Iterator[Path]:
    """A new folder beside ``final`` that takes its name when the body has ended without a fault.

    ``final`` must not exist or be empty; with ``force`` it may hold files of the names ``known``, which are replaced.
    Raises PlaceError.
    """
    _may_stand(final, known, force)
    try:
        final.parent.mkdir(parents=True, exist_ok=True)
        made = Path(tempfile.mkdtemp(prefix=f".{final.name}.", suffix=".unfinished", dir=final.parent))
    except OSError as error:
        raise PlaceError(f"{final}: cannot be made: {error.strerror}") from error
    try:
        made.chmod(0o777 & ~_umask())
        yield made
        for path in made.iterdir():
            _synced(path)
        _may_stand(final, known, force)  # somebody else may have been here meanwhile
        _exchange(made, final)
    except OSError as error:
        raise PlaceError(f"{final}: cannot be written: {error.strerror}") from error
    finally:
        shutil.rmtree(made, ignore_errors=True)


def _may_stand(final: Path, known: frozenset[str], force: bool) -> None:
    if not final.exists():
        return
    if not final.is_dir():
        raise PlaceError(f"{final}: is a file; expected a folder, or a name that is free")
    there = {path.name for path in final.iterdir()}
    if there and not force:
        raise PlaceError(f"{final}: is there and not empty; name another folder, or replace it with --force")
    if foreign := sorted(there - known):
        raise PlaceError(f"{final}: holds {foreign[0]!r}, which no export wrote: it is not replaced")


def _exchange(made: Path, final: Path) -> None:
    if not final.exists() or not any(final.iterdir()):
        made.rename(final)  # an empty folder is taken over, one that is not is refused
        return
    with tempfile.TemporaryDirectory(prefix=f".{final.name}.", suffix=".old", dir=final.parent) as old:
        kept = Path(old) / final.name
        final.rename(kept)
        try:
            made.rename(final)
        except OSError:
            kept.rename(final)
            raise


def write_whole(final: Path, data: bytes, *, force: bool) -> None:
    """Write a file that appears under its name only when it is complete. Raises PlaceError, also where it is there."""
    refused = f"{final}: is there; name another file with --out, or replace it with --force"
    if final.is_dir():
        raise PlaceError(f"{final}: is a folder; expected the name of a file")
    if final.exists() and not force:
        raise PlaceError(refused)
    made: Path | None = None
    try:
        handle, name = tempfile.mkstemp(prefix=f".{final.name}.", suffix=".unfinished", dir=final.parent)
        made = Path(name)
        with os.fdopen(handle, "wb") as file:
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
        made.chmod(0o666 & ~_umask())
        if final.exists() and not force:
            raise PlaceError(refused)
        made.replace(final)
    except OSError as error:
        raise PlaceError(f"{final}: cannot be written: {error.strerror}") from error
    finally:
        if made is not None:
            made.unlink(missing_ok=True)


def _synced(path: Path) -> None:
    with path.open("rb") as file:
        os.fsync(file.fileno())


def _umask() -> int:
    """The process's mask; it can only be read by setting it."""
    mask = os.umask(0o077)
    os.umask(mask)
    return mask
