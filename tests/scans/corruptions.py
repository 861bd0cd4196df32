"""Seeded damage to scan files: to their bytes, and to their structure through h5py.

Used by test_formats_corruption.py (a few cases) and benchmarks/fuzz_formats.py (thousands). A case is a sample, a
kind of damage and a seed; the same three give the same bytes.
"""

from __future__ import annotations

import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import h5py
import numpy as np
from corruption_samples import SIDE, N, Sample
from formats_files import frames

# First bytes of the structures of HDF5 (HDF5 file format specification): heaps, trees, object headers, ...
MARKS = (b"GCOL", b"HEAP", b"TREE", b"SNOD", b"OHDR", b"FRHP", b"FHDB", b"BTHD", b"BTLF", b"FAHD", b"FADB")


# --- damage to bytes


Damage = Callable[[np.random.Generator, bytearray], bytearray]


def _flip(rng: np.random.Generator, raw: bytearray, places: np.ndarray) -> bytearray:
    """Flip 1 to 64 bits at some of the places."""
    count = int(2 ** rng.integers(0, 7))
    for at in rng.choice(places, count):
        raw[int(at)] ^= 1 << int(rng.integers(8))
    return raw


def flip_anywhere(rng: np.random.Generator, raw: bytearray) -> bytearray:
    """Bits of the whole file."""
    return _flip(rng, raw, np.arange(len(raw)))


def flip_structure(rng: np.random.Generator, raw: bytearray) -> bytearray:
    """Bits within 300 bytes behind the mark of a heap, tree or header, or at the very start."""
    starts = [0]
    for mark in MARKS:
        at = raw.find(mark)
        while at >= 0:
            starts.append(at)
            at = raw.find(mark, at + 1)
    start = int(rng.choice(starts))
    return _flip(rng, raw, np.arange(start, min(start + 300, len(raw))))


def flip_heaps(rng: np.random.Generator, raw: bytearray) -> bytearray:
    """One to eight bytes of a heap of strings: header, sizes of its objects, their text."""
    starts = [raw.find(mark) for mark in (b"GCOL", b"HEAP", b"FRHP")]
    starts = [s for s in starts if s >= 0] or [0]
    start = int(rng.choice(starts))
    for at in rng.integers(start, min(start + 256, len(raw)), int(rng.integers(1, 9))):
        raw[int(at)] = int(rng.integers(256))
    return raw


def cut(rng: np.random.Generator, raw: bytearray) -> bytearray:
    """Truncate anywhere, often near the end."""
    size = int(rng.integers(len(raw)))
    return raw[: size if rng.random() < 0.7 else len(raw) - 1 - size // 50]


def cut_and_patched(rng: np.random.Generator, raw: bytearray) -> bytearray:
    """Truncate, and make the superblock of version 0 say so: the file opens."""
    raw = raw[: max(96, int(rng.integers(len(raw))))]
    raw[40:48] = len(raw).to_bytes(8, "little")
    return raw


def overwrite(rng: np.random.Generator, raw: bytearray) -> bytearray:
    """Put zeros, ones or noise over a range, as a bad disk does."""
    start = int(rng.integers(len(raw)))
    length = min(int(2 ** rng.integers(2, 13)), len(raw) - start)
    filler = (bytes(length), b"\xff" * length, rng.bytes(length))[int(rng.integers(3))]
    raw[start : start + length] = filler
    return raw


BYTES: dict[str, Damage] = {
    "bits anywhere": flip_anywhere,
    "bits in structure": flip_structure,
    "bytes in string heaps": flip_heaps,
    "truncated": cut,
    "truncated, patched": cut_and_patched,
    "overwritten range": overwrite,
}


# --- damage to structure


Change = Callable[[np.random.Generator, h5py.File, str, Path], None]


def _swap(f: h5py.File, name: str, *args: Any, **kwargs: Any) -> None:
    """Put another dataset in the place of one, with its attributes."""
    kept = dict(f[name].attrs)
    del f[name]
    made = f.create_dataset(name, *args, **kwargs)
    for key, value in kept.items():
        made.attrs[key] = value


def other_type(rng: np.random.Generator, f: h5py.File, name: str, _: Path) -> None:
    """Values of a type that does not belong there."""
    shape = f[name].shape or (1,)
    kinds: list[Any] = [
        "S5",
        ">f8",
        "c16",
        "?",
        "V7",
        [("a", "f4"), ("b", "i2")],
        h5py.vlen_dtype(np.float32),
        h5py.string_dtype(),
        h5py.enum_dtype({"ON": 1, "OFF": 0}, basetype="i1"),
        h5py.ref_dtype,
        h5py.opaque_dtype(np.dtype("M8[s]")),
        np.dtype(("f4", (3,))),
    ]
    _swap(f, name, shape, kinds[int(rng.integers(len(kinds)))])


def other_shape(rng: np.random.Generator, f: h5py.File, name: str, _: Path) -> None:
    """Another rank, no values, null, reversed axes."""
    values = np.asarray(f[name][()]) if f[name].dtype.kind in "biuf" else np.zeros(3)
    made: list[Any] = [
        values.T,
        values.reshape(1, *values.shape),
        np.zeros((0, *values.shape[1:]), values.dtype),
        np.zeros((*values.shape, 3), values.dtype),
        h5py.Empty("f8"),
        values.reshape(-1)[: max(values.size // 2, 1)],
        np.zeros((2, 2, 2, 2, 2, 2)),
    ]
    _swap(f, name, data=made[int(rng.integers(len(made)))])


def petabyte(rng: np.random.Generator, f: h5py.File, name: str, _: Path) -> None:
    """A claim of far more than there is."""
    rank = max(len(f[name].shape or ()), 1)
    side = int(rng.choice([10**5, 10**7, 2**40])) if rank < 3 else int(rng.choice([8192, 10**5]))
    shape = (side, *(8192 for _ in range(rank - 1)))
    if rng.random() < 0.5:
        _swap(f, name, shape, "u2", chunks=(1,) * (rank - 1) + (8192,), compression="gzip")
    else:
        _swap(f, name, (10**6, *shape[1:]), "f8")


def strange_values(rng: np.random.Generator, f: h5py.File, name: str, _: Path) -> None:
    """NaN, infinite or huge numbers."""
    _put_value(rng, f, name, float(rng.choice([np.nan, np.inf, -np.inf, 1e300])))


def other_values(rng: np.random.Generator, f: h5py.File, name: str, _: Path) -> None:
    """Negative, zero or tiny numbers."""
    _put_value(rng, f, name, float(rng.choice([-1.0, 0.0, -1e-300])))


def _put_value(rng: np.random.Generator, f: h5py.File, name: str, value: float) -> None:
    """Put a value in one place, or everywhere."""
    values = np.array(f[name][()], dtype=np.float64) if f[name].dtype.kind in "biuf" else np.zeros(3)
    if rng.random() < 0.5 or values.ndim == 0:
        values = np.full_like(values, value)
    else:
        values.reshape(-1)[int(rng.integers(values.size))] = value
    _swap(f, name, data=values)


def other_attributes(rng: np.random.Generator, f: h5py.File, name: str, _: Path) -> None:
    """Units and marks of another kind, type or size."""
    node = f[name] if rng.random() < 0.6 else f[name].parent
    made: list[Any] = [
        "kg",
        "furlong",
        3.5,
        np.arange(4),
        b"\xff\xfe",
        h5py.Empty("S1"),
        np.zeros((0,)),
        ["mm", "um"],
        "x" * 60000,
        f.ref,
        np.nan,
        "data",
    ]
    keys = ["units", "NX_class", "signal", "axes", "vector", "depends_on", "offset", "interpretation", "signal"]
    key = str(rng.choice(keys))
    node.attrs.pop(key, None)
    node.attrs[key] = made[int(rng.integers(len(made)))]


def gone(rng: np.random.Generator, f: h5py.File, name: str, _: Path) -> None:
    """A dataset, or the group that it is in, is absent."""
    parent = f[name].parent.name
    del f[name if rng.random() < 0.7 or parent == "/" else parent]


def circle(rng: np.random.Generator, f: h5py.File, name: str, path: Path) -> None:
    """Links that come back to themselves: soft, external, hard."""
    parent, kind = f[name].parent, int(rng.integers(4))
    if kind == 0:
        del f[name]
        f[name] = h5py.SoftLink(name)
    elif kind == 1:
        del f[name]
        f[name] = h5py.ExternalLink(path.name, name)
    elif kind == 2:
        parent["again"] = f["/"]
        parent["twice"] = parent
    else:
        del f[name]
        f[name + "_a"], f[name + "_b"] = h5py.SoftLink(name + "_b"), h5py.SoftLink(name + "_a")
        f[name] = h5py.SoftLink(name + "_a")


def way_out(rng: np.random.Generator, f: h5py.File, name: str, path: Path) -> None:
    """A link, virtual source or raw file outside the folder: absolute, relative, through a symbolic link."""
    secret = path.parent.parent / "secret" / "secret.h5"
    relative = f"../secret/{secret.name}"
    symbolic = path.parent / "beside.h5"
    symbolic.unlink(missing_ok=True)
    symbolic.symlink_to(secret)
    target = (str(secret), relative, symbolic.name)[int(rng.integers(3))]
    shape, dtype = f[name].shape or (), f[name].dtype
    del f[name]
    kind = int(rng.integers(3)) if shape and dtype.kind in "biuf" else 0
    if kind == 0:
        f[name] = h5py.ExternalLink(target, "/secret")
    elif kind == 1:
        layout = h5py.VirtualLayout(shape, dtype)
        layout[...] = h5py.VirtualSource(target, "secret", shape)
        f.create_virtual_dataset(name, layout, fillvalue=7)
    else:
        size = int(np.prod(shape)) * dtype.itemsize
        f.create_dataset(name, shape, dtype, external=[(str(secret), 0, size)])


def source_missing(rng: np.random.Generator, f: h5py.File, name: str, path: Path) -> None:
    """A virtual source or link target that is absent, or shorter than it says."""
    shape, dtype, kind = f[name].shape or (1,), f[name].dtype, int(rng.integers(4))
    dtype = dtype if dtype.kind in "biuf" else np.dtype("f8")
    del f[name]
    if kind == 0:
        f[name] = h5py.ExternalLink("absent.h5", "/data")
        return
    if kind == 1:
        f[name] = h5py.SoftLink("/entry/nowhere")
        return
    with h5py.File(path.parent / "short.h5", "w") as g:
        g["data"] = np.ones((max(shape[0] // 2, 1), *shape[1:]), dtype)
    layout = h5py.VirtualLayout(shape, dtype)
    layout[...] = h5py.VirtualSource("absent.h5" if kind == 2 else "short.h5", "data", shape)
    f.create_virtual_dataset(name, layout, fillvalue=7)


def unknown_filter(rng: np.random.Generator, f: h5py.File, name: str, _: Path) -> None:
    """A filter that nobody has; or chunks that hold something else."""
    shape = f[name].shape or ()
    if not shape or 0 in shape:
        del f[name]
        return
    plist = h5py.h5p.create(h5py.h5p.DATASET_CREATE)
    plist.set_chunk((1, *shape[1:]))
    plist.set_filter(32099 if rng.random() < 0.5 else 1, h5py.h5z.FLAG_OPTIONAL, (4,) if rng.random() < 0.5 else ())
    del f[name]
    made = h5py.h5d.create(f.id, name.encode(), h5py.h5t.NATIVE_UINT16, h5py.h5s.create_simple(shape), plist)
    for j in range(shape[0]):
        made.write_direct_chunk((j, *(0 for _ in shape[1:])), rng.bytes(int(rng.integers(1, 400))))


STRUCTURE: dict[str, Change] = {
    "another type": other_type,
    "another shape": other_shape,
    "a claimed petabyte": petabyte,
    "NaN, inf, huge": strange_values,
    "other numbers": other_values,
    "attributes": other_attributes,
    "missing": gone,
    "links in a circle": circle,
    "links out of the folder": way_out,
    "sources missing or short": source_missing,
    "unknown filter": unknown_filter,
}


def datasets_of(f: h5py.File) -> list[str]:
    """Paths of all datasets, through hard links."""
    found: list[str] = []
    f.visititems(lambda name, node: found.append("/" + name) if isinstance(node, h5py.Dataset) else None)
    return sorted(found)


# Damage after which a file is as sound as any other, but for values that nothing in it speaks against.
BARE = ("bits anywhere", "bits in structure", "bytes in string heaps", "overwritten range", "other numbers", "missing")


def beyond_notice(sample: Sample, kind: str, differ: set[str]) -> bool:
    """Tell whether nobody could notice that the values `differ`, for the file has no check sums over them."""
    # other numbers are written anew by the library, with check sums of their own
    by_sums = sample.protected == "frames" and ("frames" not in differ or kind == "other numbers")
    open_to_it = sample.protected == "" or by_sums
    by_mask = differ <= {"mask", "mean", "totals", "prepared", "prepared mask"}  # anything but zero there means bad
    return open_to_it and (kind in BARE or differ == {"title"} or (kind == "NaN, inf, huge" and by_mask))


# Values that matter are damaged more often than by chance.
LIKELY = ("data", "ccd", "energy", "incident_energy", "distance", "translation", "y", "x", "py_um", "basis_vectors")


def damage(sample: Sample, kind: str, seed: int, folder: Path) -> Path:
    """Copy a sample to `folder` and damage the copy.

    Returns
    -------
    Path
        What to load.
    """
    rng = np.random.default_rng([seed, *kind.encode()])
    home = folder / "case"
    shutil.rmtree(home, ignore_errors=True)
    shutil.copytree(sample.path.parent, home)
    victim = home / sample.victims[int(rng.integers(len(sample.victims)))]
    if kind in BYTES:
        victim.write_bytes(BYTES[kind](rng, bytearray(victim.read_bytes())))
        return home / sample.path.name
    secret = folder / "secret" / "secret.h5"
    if not secret.exists():
        secret.parent.mkdir(exist_ok=True)
        with h5py.File(secret, "w") as f:
            f["secret"] = frames(N, SIDE, SIDE)
    with h5py.File(victim, "r+") as f:
        every = datasets_of(f)
        likely = [n for n in every if n.rsplit("/", 1)[-1] in LIKELY]
        pool = likely if likely and rng.random() < 0.6 else every
        STRUCTURE[kind](rng, f, str(rng.choice(pool)), victim)
    return home / sample.path.name


def cases(samples: list[Sample], count: int, seed: int) -> list[tuple[Sample, str, int]]:
    """Deal out `count` cases over samples and kinds of damage, all kinds about equally often."""
    rng = np.random.default_rng(seed)
    dealt = []
    for number in range(count):
        kinds = [*BYTES, *STRUCTURE]
        kind = kinds[number % len(kinds)]
        fitting = [s for s in samples if s.hdf5 or kind in ("bits anywhere", "truncated", "overwritten range")]
        dealt.append((fitting[int(rng.integers(len(fitting)))], kind, seed * 1_000_000 + number))
    return dealt
