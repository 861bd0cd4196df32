"""Files on which the HDF5 library hangs, crashes or takes all memory: found in a helper process, refused here.

A few flipped bits in a heap of strings make the library spin for ever, which nothing in the same process can stop.
So a helper process reads what is not numbers first (`guard_process`). It starts once, with the first file, and is
asked again only for files that are new or have changed.
"""

from __future__ import annotations

import atexit
import json
import os
import subprocess
import sys
import threading
import warnings
from pathlib import Path

from scans.errors import InputError
from scans.formats.opening import is_growing

# More than this for names, attributes and strings is a claim, not a scan.
MAX_BYTES = 1 << 30
# Files that are remembered as sound.
MAX_KNOWN = 4096

SCRIPT = Path(__file__).with_name("guard_process.py")

_Identity = tuple[str, int, int, int]


def guard(path: str | os.PathLike[str]) -> None:
    """Make sure that the names, attributes and strings of an HDF5 file can be read.

    What can be told as an exception is left to the reader. A file that is still being written is not guarded.

    Raises
    ------
    InputError
        The helper process hung, crashed or took all memory on the file.
    """
    try:
        full = os.path.realpath(path)
        info = os.stat(full)
        if not os.path.isfile(full) or is_growing(Path(full)) is not False:
            return
    except (OSError, ValueError):  # said when it is opened
        return
    _helper().check(str(path), (full, info.st_ino, info.st_size, info.st_mtime_ns))


class _Helper:
    """The helper process, begun with the first file and again after each that ended it."""

    def __init__(self, before: _Helper | None = None) -> None:
        self.owner = os.getpid()
        self.lock = threading.Lock()
        self.before = before  # of the process that this one was forked from: kept, for its pipes are not ours to end
        self.sound: dict[_Identity, None] = {} if before is None else dict(before.sound)
        self.process: subprocess.Popen[bytes] | None = None
        self.usable = True

    def check(self, name: str, identity: _Identity) -> None:
        """Ask about a file that is not known yet."""
        with self.lock:
            if identity in self.sound or not self.usable:
                return
            place, grown = self._ask(identity[0])
        if grown is None or grown > MAX_BYTES:
            what = "hangs or crashes" if grown is None else "takes all memory"
            raise InputError(
                f"cannot be read: the HDF5 library {what} at {place}, which is damaged",
                where=name,
                expected="readable HDF5 data",
                fix="Copy the file again from its source.",
            )
        if len(self.sound) >= MAX_KNOWN:
            self.sound.clear()
        self.sound[identity] = None

    def _ask(self, path: str) -> tuple[str, int | None]:
        """Last object read, and bytes of memory taken; None when the process ended."""
        process = self._started()
        if process is None:
            return "", 0
        place = "its start"
        try:
            assert process.stdin is not None
            assert process.stdout is not None
            process.stdin.write(json.dumps(path).encode() + b"\n")
            process.stdin.flush()
            for line in process.stdout:
                word, _, rest = line.decode("ascii").partition(" ")
                if word == "done":
                    if int(rest) > MAX_BYTES:
                        self.stop()
                    return place, int(rest)
                place = json.loads(rest)
        except OSError:
            pass
        self.stop()
        return place, None

    def _started(self) -> subprocess.Popen[bytes] | None:
        if self.process is not None and self.process.poll() is None:
            return self.process
        pipe = subprocess.PIPE
        try:
            # -P: the folder of the script is no place to import from
            self.process = subprocess.Popen(
                [sys.executable, "-P", str(SCRIPT)], stdin=pipe, stdout=pipe, stderr=subprocess.DEVNULL
            )
        except OSError as exc:
            self.usable = False
            text = f"no helper process ({exc}): a damaged file may stop this program"
            warnings.warn(text, RuntimeWarning, stacklevel=2)
        return self.process

    def stop(self) -> None:
        """End the process."""
        if self.process is None or self.owner != os.getpid():
            return
        process, self.process = self.process, None
        process.kill()
        for stream in (process.stdin, process.stdout):
            if stream is not None:
                try:
                    stream.close()
                except OSError:  # what was still to be written to it
                    pass
        process.wait()


_the_helper: _Helper | None = None
_making = threading.Lock()


def _helper() -> _Helper:
    """Return the helper of this process: one that was forked does not share its parent's."""
    global _the_helper
    with _making:
        if _the_helper is None or _the_helper.owner != os.getpid():
            _the_helper = _Helper(_the_helper)
            atexit.register(_the_helper.stop)
        return _the_helper
