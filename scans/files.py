"""Files that appear whole or not at all."""

from __future__ import annotations

import errno
import os
import secrets
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from scans.errors import InputError

_FOLDER = "Make the folder, or name a file in another one with -o."
_RIGHTS = "Name a folder that you may write to with -o."
_WRITE_FIXES = {
    errno.ENOSPC: "Free some space, or name another folder with -o.",
    errno.EDQUOT: "Free some of your quota, or name another folder with -o.",
    **dict.fromkeys((errno.EACCES, errno.EPERM, errno.EROFS), _RIGHTS),
    **dict.fromkeys((errno.ENOENT, errno.ENOTDIR, errno.EISDIR), _FOLDER),
}


@contextmanager
def replacing(path: Path, *, force: bool) -> Iterator[Path]:
    """Yield a temporary name beside `path`; at the end it becomes `path`, after an error it is gone.

    Parameters
    ----------
    path
        Resolved path of the file to make.
    force
        Replace a file that is there already.

    Raises
    ------
    InputError
        When `path` exists and `force` is off, or its folder cannot be written or is full.
    """
    temporary = path.with_name(f".{path.name}.{os.getpid()}-{secrets.token_hex(4)}.part")
    try:
        _refuse_existing(path, force)
        yield temporary
        with temporary.open("rb+") as written:
            os.fsync(written.fileno())
        _refuse_existing(path, force)
        temporary.replace(path)
    except OSError as exc:
        if exc.errno not in _WRITE_FIXES:
            raise
        raise InputError(
            f"cannot be written ({os.strerror(exc.errno)})",
            where=str(path),
            expected="a file name in a folder that can be written",
            fix=_WRITE_FIXES[exc.errno],
        ) from exc
    finally:
        # Beside a path that leads through a file there is nothing to remove either.
        if temporary.parent.is_dir():
            temporary.unlink(missing_ok=True)


def _refuse_existing(path: Path, force: bool) -> None:
    if path.is_dir():
        raise InputError("is a folder", where=str(path), expected="a file name", fix="Add a file name to -o.")
    if os.path.lexists(path) and not force:
        fix = "Name another file with -o, or replace this one with --force."
        raise InputError("exists already", where=str(path), expected="a free name", fix=fix)
