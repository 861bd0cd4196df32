"""Links and virtual data: whatever is absent or lies elsewhere is named, never read as zeros."""

from __future__ import annotations

import shutil

import h5py
import numpy as np
import pytest
from formats_files import HEIGHT, N_FRAMES, WIDTH, frames, make_cxi, make_nexus, replace

from scans.errors import InputError
from scans.formats import load
from scans.formats.hdf5 import BrokenLink

CXI_DATA = "entry_1/instrument_1/detector_1/data"
NEXUS_DATA = "scan 7/endstation/camera/data"
CASES = [(make_cxi, CXI_DATA), (make_nexus, NEXUS_DATA)]
both = pytest.mark.parametrize(("make", "data"), CASES, ids=["cxi", "nexus"])


@pytest.fixture
def cxi(tmp_path):
    return make_cxi(tmp_path / "run.cxi")


@both
def test_dangling_soft_link(tmp_path, make, data):
    path = make(tmp_path / "run.h5")
    with h5py.File(path, "r+") as f:
        del f[data]
    with pytest.raises(BrokenLink, match=rf"/data: a link to /{data}, where there is nothing.*Correct the link"):
        load(path)


def test_links_in_a_circle(cxi):
    with h5py.File(cxi, "r+") as f:
        del f[CXI_DATA]
        f[CXI_DATA] = h5py.SoftLink("/entry_1/data_1/data")
    with pytest.raises(BrokenLink, match=r"links in a circle"):
        load(cxi)


def external(path, data, target):
    with h5py.File(path, "r+") as f:
        if data in f:
            del f[data]
        f[data] = h5py.ExternalLink(target, "/stack")


@both
def test_external_frames(tmp_path, make, data, monkeypatch):
    (tmp_path / "scan").mkdir()
    (tmp_path / "cwd").mkdir()
    path = make(tmp_path / "scan" / "run.h5")
    external(path, data, "stack.h5")
    with h5py.File(tmp_path / "cwd" / "stack.h5", "w") as f:
        f["stack"] = frames()[::-1]  # another scan's file of the same name in the current folder
    monkeypatch.chdir(tmp_path / "cwd")
    with pytest.raises(BrokenLink, match=r"points to stack\.h5, which is missing.*Copy stack\.h5 beside the master"):
        load(path)
    with h5py.File(tmp_path / "scan" / "stack.h5", "w") as f:
        f["stack"] = frames()
    scan = load(path)
    np.testing.assert_array_equal(scan.frames[2:4], frames()[2:4])
    with h5py.File(tmp_path / "scan" / "stack.h5", "w") as f:
        f["other"] = 1
    with pytest.raises(BrokenLink, match=r"a link to stack\.h5::/stack, where there is nothing"):
        load(path)


@pytest.mark.parametrize("target", ["../stack.h5", "{folder}/stack.h5", "sub/../../stack.h5"])
def test_links_that_leave_the_folder_are_refused(tmp_path, target):
    (tmp_path / "scan").mkdir()
    path = make_cxi(tmp_path / "scan" / "run.h5")
    with h5py.File(tmp_path / "stack.h5", "w") as f:
        f["stack"] = frames()
    external(path, CXI_DATA, target.format(folder=tmp_path))
    with pytest.raises(BrokenLink, match=r"outside the file's own folder.*Copy or link that file beside"):
        load(path)


def virtual(path, data, sources):
    """Virtual frames from (file, dataset, number of frames)."""
    layout = h5py.VirtualLayout((sum(n for *_, n in sources), HEIGHT, WIDTH), np.uint16)
    first = 0
    for name, dataset, n in sources:
        layout[first : first + n] = h5py.VirtualSource(name, dataset, (n, HEIGHT, WIDTH), np.uint16)
        first += n
    with h5py.File(path, "r+") as f:
        del f[data]
        f.create_virtual_dataset(data, layout)


@both
def test_virtual_frames(tmp_path, make, data, monkeypatch):
    (tmp_path / "scan").mkdir()
    (tmp_path / "cwd").mkdir()
    path = make(tmp_path / "scan" / "run.h5")
    virtual(path, data, [("a.h5", "d", 5), ("b.h5", "d", 7)])
    for name, part in (("scan/a.h5", frames()[:5]), ("cwd/b.h5", frames()[5:])):
        with h5py.File(tmp_path / name, "w") as f:
            f["d"] = part
    monkeypatch.chdir(tmp_path / "cwd")  # the library would read cwd/b.h5 without complaint
    with pytest.raises(BrokenLink, match=rf"{data}: points to b\.h5, which is missing.*Copy b\.h5 beside the master"):
        load(path)
    shutil.move(tmp_path / "cwd" / "b.h5", tmp_path / "scan" / "b.h5")
    scan = load(path)
    np.testing.assert_array_equal(scan.frames[3:9], frames()[3:9])
    (tmp_path / "scan" / "b.h5").unlink()
    with pytest.raises(InputError, match=r"the source file .*b\.h5 has gone.*Bring the file back"):
        scan.frames[0:1]
    with h5py.File(tmp_path / "scan" / "b.h5", "w") as f:
        f["renamed"] = frames()[5:]
    with pytest.raises(BrokenLink, match=r"its source b\.h5::d does not exist.*Bring the right b\.h5"):
        load(path)


def test_virtual_frames_that_are_not_all_mapped(cxi):
    layout = h5py.VirtualLayout((N_FRAMES, HEIGHT, WIDTH), np.uint16)
    layout[:4] = h5py.VirtualSource(".", "part", (4, HEIGHT, WIDTH), np.uint16)
    with h5py.File(cxi, "r+") as f:
        f["part"] = frames()[:4]
        del f[CXI_DATA]
        f.create_virtual_dataset(CXI_DATA, layout)
    with pytest.raises(InputError, match=rf"{CXI_DATA}: only 1280 of 3840 values are mapped.*Correct the master"):
        load(cxi)


def test_search_folders_in_the_environment_are_refused(cxi, monkeypatch):
    virtual(cxi, CXI_DATA, [("a.h5", "d", N_FRAMES)])
    with h5py.File(cxi.with_name("a.h5"), "w") as f:
        f["d"] = frames()
    monkeypatch.setenv("HDF5_VDS_PREFIX", "/elsewhere")
    with pytest.raises(InputError, match=r"environment variable HDF5_VDS_PREFIX is set.*Unset HDF5_VDS_PREFIX"):
        load(cxi)


def test_raw_external_storage_is_refused(cxi, tmp_path):
    (tmp_path / "raw.bin").write_bytes(frames().tobytes())
    shape = (N_FRAMES, HEIGHT, WIDTH)
    replace(cxi, CXI_DATA, shape, np.uint16, external=[(str(tmp_path / "raw.bin"), 0, frames().nbytes)])
    with pytest.raises(InputError, match=rf"{CXI_DATA}: its bytes lie in another raw file.*h5repack"):
        load(cxi)
