"""Helper process of `guard`: reads everything but the numbers of a file, so that a hang or a crash is its own.

A script that imports nothing of ours: it has to start fast. Each line of its input is the name of a file (JSON). It
says each object that it is about to read in a line ``at ...``, and ends with ``done BYTES``, the memory that it took.
If the library spins, the kernel ends this process by a signal.
"""

from __future__ import annotations

import faulthandler
import json
import os
import signal
import sys
import time
from typing import Any

import h5py

# Processor time for one object [s]; waiting for a slow disk does not count. Sound ones take milliseconds.
MAX_SECONDS = 1.0
# So much of a file is gone through; what lies beyond is read unguarded.
MAX_OBJECTS, MAX_WALK_SECONDS = 20_000, 10.0
# Strings and chunks of a dataset that are looked at.
MAX_STRINGS, MAX_CHUNKS = 10_000, 200_000
# HDF5's own filters and plugins that take damaged chunks without harm (tried with thousands); bitshuffle's are
# checked before they are unpacked (`bitshuffle`). What any other has packed is unpacked here first.
SAFE_FILTERS = {1, 2, 3, 4, 5, 6, 32000, 32001, 32004, 32008, 32015, 32026}


def main() -> None:
    """Serve until the input ends: the process that asks has gone."""
    import hdf5plugin  # noqa: F401  (importing it registers the filters)

    for line in sys.stdin:
        before = _peak_bytes()
        try:
            walk(json.loads(line))
        except Exception:  # whatever can be said as an exception, the reader itself will say better
            pass
        _wind_clock(0.0)
        _say(f"done {_peak_bytes() - before}")


def walk(path: str) -> None:
    """Read names, types, attributes and strings of all objects behind hard links."""
    _wind_clock(MAX_SECONDS)
    end = time.monotonic() + MAX_WALK_SECONDS
    with h5py.File(path, "r", locking=False) as file:  # a lock could turn a writer away
        stack: list[tuple[str, Any]] = [("/", file)]
        seen: set[int] = set()
        while stack and len(seen) < MAX_OBJECTS and time.monotonic() < end:
            name, node = stack.pop()
            _say(f"at {json.dumps(name)}")
            _wind_clock(MAX_SECONDS)
            try:
                address = h5py.h5o.get_info(node.id).addr
                if address not in seen:
                    seen.add(address)
                    _attributes(node)
                    stack += _children(name, node)
                    _contents(node, end)
            except Exception:
                continue


def _children(name: str, node: Any) -> list[tuple[str, Any]]:
    """Open what a group holds; each by itself, for one of them may be damaged."""
    found: list[tuple[str, Any]] = []
    for child in node if isinstance(node, h5py.Group) else ():
        _wind_clock(MAX_SECONDS)  # each has its time: a sound group may hold any number
        try:
            if isinstance(node.get(child, getlink=True), h5py.HardLink):
                found.append((f"{name.rstrip('/')}/{child}", node[child]))
        except Exception:
            continue
    return found


def _attributes(node: Any) -> None:
    for name in node.attrs:
        _wind_clock(MAX_SECONDS)
        try:
            node.attrs[name]
        except Exception:
            continue


def _contents(node: Any, end: float) -> None:
    """Read a small dataset of strings, the list of chunks of any other, and chunks of a filter that may crash."""
    if not isinstance(node, h5py.Dataset) or node.shape is None or node.is_virtual or node.external:
        return
    if node.dtype.kind in "OS" and node.size <= MAX_STRINGS:
        node[()]
        return
    if node.chunks is None or node.id.get_num_chunks() > MAX_CHUNKS:
        return
    node.id.chunk_iter(lambda info: None)
    plist = node.id.get_create_plist()
    if {plist.get_filter(i)[0] for i in range(plist.get_nfilters())} <= SAFE_FILTERS:
        return
    for box in node.iter_chunks():
        _wind_clock(MAX_SECONDS)
        if time.monotonic() > end:
            return
        try:
            node[box]
        except Exception:
            continue


def _wind_clock(seconds: float) -> None:
    """End this process after so much processor time without another call; 0 stops the clock."""
    if hasattr(signal, "setitimer"):
        signal.setitimer(signal.ITIMER_PROF, seconds)
    elif seconds:
        faulthandler.dump_traceback_later(seconds, exit=True)
    else:
        faulthandler.cancel_dump_traceback_later()


def _peak_bytes() -> int:
    """Most memory held so far; 0 where the system does not tell."""
    try:
        import resource
    except ImportError:
        return 0
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * (1 if sys.platform == "darwin" else 1024)


def _say(text: str) -> None:
    os.write(1, f"{text}\n".encode())


if __name__ == "__main__":
    main()
