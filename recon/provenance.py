"""Where a result comes from: its scan file, the program, the machine."""

from __future__ import annotations

import hashlib
import io
import os
import sys
from dataclasses import dataclass
from datetime import UTC, datetime
from importlib import metadata
from pathlib import Path
from typing import Any

from scans.errors import InputError
from scans.formats import files_of

CHECKSUM_OF = (
    "sha256 of the first MiB, the last MiB and the size in bytes as decimal text; of a folder or pattern with n files: "
    "of each in natural order its name (UTF-8), a zero byte, its first and its last max(4 KiB, 1 MiB / n) and its size"
)
_MIB = 1 << 20


@dataclass(frozen=True)
class Source:
    """The scan file a result came from; or its folder, or pattern of files.

    Parameters
    ----------
    path, entry
        Absolute path, and the HDF5 path of the entry in it.
    size_bytes, modified
        Of the file at the time of reading; ISO 8601. Of several: all bytes, the latest change.
    checksum
        See `CHECKSUM_OF`: a whole 40 GB file would take minutes.
    """

    path: str
    entry: str
    size_bytes: int
    modified: str
    checksum: str

    @classmethod
    def of(cls, path: str | Path, entry: str = "/") -> Source:
        """Describe a file, or all files of a folder or pattern, as they are now.

        Raises
        ------
        InputError
            When one cannot be read.
        """
        path = Path(path).resolve()
        digest, total, latest, here = hashlib.sha256(), 0, 0.0, path
        try:
            files = files_of(path)
            many = files != [path]
            root = path if path.is_dir() else files[0].parent
            each = max(_MIB // len(files), 4096) if many else _MIB
            for here in files:
                if many:
                    digest.update(os.path.relpath(here, root).encode(errors="surrogateescape") + b"\0")
                size, changed = _add_ends(digest, here, each)
                total, latest = total + size, max(latest, changed)
        except OSError as exc:
            fix = "Put the scan file back, or name another one."
            raise InputError(str(exc.strerror), where=str(here), expected="the scan file", fix=fix) from exc
        modified = datetime.fromtimestamp(latest, UTC).isoformat(timespec="seconds")
        return cls(str(path), entry, total, modified, digest.hexdigest())


def _add_ends(digest: Any, path: Path, n_bytes: int) -> tuple[int, float]:
    """Add both ends of a file and its size to a checksum; return its size and time of change."""
    with path.open("rb") as file:
        size = file.seek(0, io.SEEK_END)
        for start in (0, max(size - n_bytes, 0)):
            file.seek(start)
            digest.update(file.read(n_bytes))
    digest.update(str(size).encode())
    return size, path.stat().st_mtime


@dataclass(frozen=True)
class Provenance:
    """What made a result: program, machine, source.

    Parameters
    ----------
    program, version, date
        Name and version; ISO 8601 with zone.
    seed, device, fft, threads
        What really ran, not what was asked for.
    libraries
        ``(name, version)`` pairs.
    source
        The scan file; None for arrays.
    """

    program: str
    version: str
    date: str
    seed: int
    device: str
    fft: str
    threads: int
    libraries: tuple[tuple[str, str], ...]
    source: Source | None = None

    @classmethod
    def now(cls, *, seed: int, device: str, fft: str, threads: int, source: Source | None = None) -> Provenance:
        """Fill in program, date and versions of this process."""
        libraries = [("python", ".".join(map(str, sys.version_info[:3])))]
        libraries += [(name, _version(name)) for name in ("numpy", "scipy", "h5py")]
        date = datetime.now().astimezone().isoformat(timespec="seconds")
        return cls("halfbit", program_version(), date, seed, device, fft, threads, tuple(libraries), source)


def program_version() -> str:
    """Version of the installed distribution; "not installed" in a bare checkout."""
    return _version("halfbit")


def _version(name: str) -> str:
    try:
        return metadata.version(name)
    except metadata.PackageNotFoundError:
        return "not installed"
