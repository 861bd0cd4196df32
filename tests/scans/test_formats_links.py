"""Links and virtual data: whatever is absent or lies elsewhere is named, never read as zeros."""

from __future__ import annotations

import shutil

import h5py
import numpy as np
import pytest
from formats_files import HEIGHT, N_FRAMES, WIDTH, frames, make_cxi, make_nexus, replace

from scans.errors import InputError
from scans.formats import load
from scans.formats.hdf5 import SEARCH_VARIABLES, BrokenLink, InputFile
from scans.formats.lazy import lazy_frames
from scans.formats.preflight import check_frames
from scans.formats.values import read_array, read_text

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
    with pytest.raises(
        BrokenLink, match=r"outside the file's own folder.*allow it with --follow-external; or copy that file beside"
    ):
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


# --- nothing outside the folder -------------------------------------------------------------------------------


@pytest.fixture
def secret(tmp_path):
    """A scan's folder, and beside it a file that it must not reach."""
    (tmp_path / "scan").mkdir()
    (tmp_path / "secret").mkdir()
    with h5py.File(tmp_path / "secret" / "s.h5", "w") as f:
        f["stack"] = frames()
    (tmp_path / "secret" / "raw.bin").write_bytes(frames().tobytes())
    return tmp_path / "secret" / "s.h5"


def stack_of(path, follow_external=False):
    """Frames of the dataset "d", checked and read as a reader does it; and the files followed."""
    with InputFile(path, follow_external) as file:
        dataset = file.dataset(file.root, "d")
        store = check_frames(file, dataset)
        return lazy_frames([dataset], store.sources)[:], file.followed


def source_name(how, folder, secret):
    """Ways to name the file outside, from the scan's folder."""
    if how == "symlink":
        (folder / "s.h5").symlink_to(secret)
        return "s.h5"
    if how == "symlinked folder":
        (folder / "sub").symlink_to(secret.parent)
        return "sub/s.h5"
    if how == "up from a symlinked folder":  # by name this is scan/s.h5, for the system it is secret/s.h5
        (secret.parent / "deep").mkdir()
        (folder / "sub").symlink_to(secret.parent / "deep")
        return "sub/../s.h5"
    return {"up": "../secret/s.h5", "absolute": str(secret), "in and out": f"./x/../../{secret.parent.name}/s.h5"}[how]


WAYS = ["up", "absolute", "in and out", "symlink", "symlinked folder", "up from a symlinked folder"]


@pytest.mark.parametrize("kind", ["link", "virtual"])
@pytest.mark.parametrize("how", WAYS)
def test_no_way_out_unless_followed(tmp_path, secret, how, kind):
    folder = tmp_path / "scan"
    name = source_name(how, folder, secret)
    with h5py.File(folder / "run.h5", "w") as f:
        if kind == "link":
            f["d"] = h5py.ExternalLink(name, "/stack")
        else:
            layout = h5py.VirtualLayout((N_FRAMES, HEIGHT, WIDTH), np.uint16)
            layout[:] = h5py.VirtualSource(name, "stack", (N_FRAMES, HEIGHT, WIDTH), np.uint16)
            f.create_virtual_dataset("d", layout)
    link = " a symbolic link to .*s\\.h5," if how in ("symlink", "symlinked folder") else ""
    with pytest.raises(BrokenLink, match=rf"run\.h5::/d: points to .*s\.h5,{link} outside the .*--follow-external"):
        stack_of(folder / "run.h5")
    if how == "in and out":
        (folder / "x").mkdir()  # the library needs it to exist
    got, followed = stack_of(folder / "run.h5", follow_external=True)
    np.testing.assert_array_equal(got, frames())
    assert followed == {str(secret): f"{folder}/run.h5::/d"}


def test_a_source_that_links_onward_is_followed_by_us(tmp_path, secret):
    folder = tmp_path / "scan"
    names = [f"part{j:03}.h5" for j in range(N_FRAMES)]
    layout = h5py.VirtualLayout((N_FRAMES, HEIGHT, WIDTH), np.uint16)
    for j, name in enumerate(names):
        layout[j] = h5py.VirtualSource(name, "d", (HEIGHT, WIDTH), np.uint16)
        with h5py.File(folder / name, "w") as f:
            f["d"] = frames()[j]
    with h5py.File(folder / "run.h5", "w") as f:
        f.create_virtual_dataset("d", layout)
    np.testing.assert_array_equal(stack_of(folder / "run.h5")[0], frames())
    with h5py.File(secret.with_name("one.h5"), "w") as f:
        f["d"] = frames()[0]
    with h5py.File(folder / names[7], "w") as f:
        f["d"] = h5py.ExternalLink("../secret/one.h5", "/d")
    with pytest.raises(BrokenLink, match=r"part007\.h5::/d: points to \.\./secret/one\.h5, outside"):
        stack_of(folder / "run.h5")


@pytest.mark.parametrize("name", ["part%b.h5", "%%%b.h5"])
def test_numbered_sources_are_refused(tmp_path, secret, name):
    folder = tmp_path / "scan"
    (folder / "part0.h5").symlink_to(secret)  # what the library would read
    (folder / name).write_bytes((secret).read_bytes())  # what its name is
    with h5py.File(folder / "run.h5", "w") as f:
        plist = h5py.h5p.create(h5py.h5p.DATASET_CREATE)
        endless = h5py.h5s.UNLIMITED
        space = h5py.h5s.create_simple((N_FRAMES, HEIGHT, WIDTH), (endless, HEIGHT, WIDTH))
        space.select_hyperslab((0, 0, 0), (endless, 1, 1), (N_FRAMES, 1, 1), (N_FRAMES, HEIGHT, WIDTH))
        plist.set_virtual(space, name.encode(), b"stack", h5py.h5s.create_simple((N_FRAMES, HEIGHT, WIDTH)))
        h5py.h5d.create(f.id, b"d", h5py.h5t.NATIVE_UINT16, space, plist)
    with pytest.raises(BrokenLink, match=r"numbered sources \(.*%b\.h5\)"):
        stack_of(folder / "run.h5")


def test_a_percent_sign_in_a_name_is_one(tmp_path, secret):
    folder = tmp_path / "scan"
    (folder / "50%.h5").write_bytes(secret.read_bytes())
    layout = h5py.VirtualLayout((N_FRAMES, HEIGHT, WIDTH), np.uint16)
    layout[:] = h5py.VirtualSource("50%%.h5", "stack", (N_FRAMES, HEIGHT, WIDTH), np.uint16)
    with h5py.File(folder / "run.h5", "w") as f:
        f.create_virtual_dataset("d", layout)
    np.testing.assert_array_equal(stack_of(folder / "run.h5")[0], frames())


@pytest.mark.parametrize("variable", SEARCH_VARIABLES)
def test_search_folders_are_refused_at_every_access(tmp_path, secret, variable, monkeypatch):
    folder = tmp_path / "scan"
    (folder / "s.h5").write_bytes(secret.read_bytes())
    layout = h5py.VirtualLayout((N_FRAMES, HEIGHT, WIDTH), np.uint16)
    layout[:] = h5py.VirtualSource("s.h5", "stack", (N_FRAMES, HEIGHT, WIDTH), np.uint16)
    with h5py.File(folder / "run.h5", "w") as f:
        f.create_virtual_dataset("d", layout)
    with InputFile(folder / "run.h5") as file:
        dataset = file.dataset(file.root, "d")
        stack = lazy_frames([dataset], check_frames(file, dataset).sources)
    monkeypatch.setenv(variable, str(secret.parent))
    with pytest.raises(InputError, match=rf"environment variable {variable} is set.*Unset {variable}"):
        stack[0:1]


def test_raw_files_only_of_trusted_files(tmp_path, secret):
    folder, raw = tmp_path / "scan", secret.with_name("raw.bin")
    shape = (N_FRAMES, HEIGHT, WIDTH)
    with h5py.File(folder / "run.h5", "w") as f:
        f.create_dataset("d", shape, np.uint16, external=[(str(raw), 0, frames().nbytes)])
        f.create_dataset("long", (99, HEIGHT, WIDTH), np.uint16, external=[(str(raw), 0, h5py.h5f.UNLIMITED)])
        f.create_dataset("near", shape, np.uint16, external=[("raw.bin", 0, frames().nbytes)])
    (folder / "raw.bin").write_bytes(frames().tobytes())
    with pytest.raises(InputError, match=r"another raw file \(.*raw\.bin\).*--follow-external.*h5repack"):
        stack_of(folder / "run.h5")
    got, followed = stack_of(folder / "run.h5", follow_external=True)
    np.testing.assert_array_equal(got, frames())
    assert followed == {str(raw): f"{folder}/run.h5::/d"}
    with InputFile(folder / "run.h5", follow_external=True) as file:
        with pytest.raises(InputError, match=r"raw file .* ends before the data do.*read as zeros"):
            check_frames(file, file.dataset(file.root, "long"))
        with pytest.raises(InputError, match=r"named without its folder \(raw\.bin\)"):
            check_frames(file, file.dataset(file.root, "near"))


@pytest.mark.parametrize("kind", ["raw", "virtual"])
def test_small_values_stay_in_the_folder_too(tmp_path, secret, kind):
    folder = tmp_path / "scan"
    path = make_cxi(folder / "run.cxi")
    where = "entry_1/instrument_1/detector_1/distance"
    with h5py.File(path, "r+") as f:
        del f[where]
        if kind == "raw":
            f.create_dataset(where, (1,), "<f8", external=[(str(secret), 0, 8)])
        else:
            layout = h5py.VirtualLayout((N_FRAMES, HEIGHT, WIDTH), np.uint16)
            layout[:] = h5py.VirtualSource(str(secret), "stack", (N_FRAMES, HEIGHT, WIDTH), np.uint16)
            f.create_virtual_dataset(where, layout)
    with InputFile(path) as file, pytest.raises(InputError, match=r"distance: .*--follow-external"):
        read_array(file, file.dataset(file.root, where))


def test_texts_are_not_read_from_other_files(tmp_path, secret):
    with h5py.File(tmp_path / "scan" / "run.h5", "w") as f:
        f.create_dataset("title", (1,), "S8", external=[(str(secret), 0, 8)])
        f["own"] = "a title"
    with InputFile(tmp_path / "scan" / "run.h5") as file:
        assert read_text(file.dataset(file.root, "title")) == ""
        assert read_text(file.dataset(file.root, "own")) == "a title"


def test_frames_that_became_a_link_are_not_followed(tmp_path, secret):
    path = tmp_path / "scan" / "run.h5"
    with h5py.File(path, "w") as f:
        stack = lazy_frames([f.create_dataset("d", data=frames())])
    with h5py.File(path, "w") as f:
        f["d"] = h5py.ExternalLink(str(secret), "/stack")
    with pytest.raises(InputError, match=r"run\.h5::/d: the dataset has changed or gone"):
        stack[0:1]


def test_a_master_reached_by_a_link_finds_its_sources_beside_itself(tmp_path, secret, monkeypatch):
    folder = tmp_path / "scan"
    (tmp_path / "mine").mkdir()
    with h5py.File(folder / "a.h5", "w") as f:
        f["d"] = frames()
    with h5py.File(tmp_path / "mine" / "a.h5", "w") as f:
        f["d"] = frames()[::-1]  # an equal name in the current folder, which the library would read
    layout = h5py.VirtualLayout((N_FRAMES, HEIGHT, WIDTH), np.uint16)
    layout[:] = h5py.VirtualSource("a.h5", "d", (N_FRAMES, HEIGHT, WIDTH), np.uint16)
    with h5py.File(folder / "run.h5", "w") as f:
        f.create_virtual_dataset("d", layout)
    (tmp_path / "links").mkdir()
    (tmp_path / "links" / "run.h5").symlink_to(folder / "run.h5")
    monkeypatch.chdir(tmp_path / "mine")
    np.testing.assert_array_equal(stack_of(tmp_path / "links" / "run.h5")[0], frames())
    (tmp_path / "links" / "a.h5").symlink_to(tmp_path / "mine" / "a.h5")
    np.testing.assert_array_equal(stack_of(tmp_path / "links" / "run.h5")[0], frames())
    (tmp_path / "links" / "a.h5").unlink()
    shutil.move(folder / "a.h5", tmp_path / "links" / "a.h5")  # where the library would not look
    with pytest.raises(BrokenLink, match=r"a\.h5, which lies beside the link to this file"):
        stack_of(tmp_path / "links" / "run.h5")


def test_circles_of_files_end(tmp_path):
    for one, other in ("ab", "ba"):
        with h5py.File(tmp_path / f"{one}.h5", "w") as f:
            f["d"] = h5py.ExternalLink(f"{other}.h5", "/d")
            layout = h5py.VirtualLayout((N_FRAMES, HEIGHT, WIDTH), np.uint16)
            layout[:] = h5py.VirtualSource(f"{other}.h5", "v", (N_FRAMES, HEIGHT, WIDTH), np.uint16)
            f.create_virtual_dataset("v", layout)
    with InputFile(tmp_path / "a.h5") as file:
        with pytest.raises(BrokenLink, match="links in a circle"):
            file.follow(file.root, "d")
        with pytest.raises(BrokenLink, match="virtual data in a circle"):
            check_frames(file, file.dataset(file.root, "v"))


def test_thousands_of_sources_are_checked_without_keeping_them_open(tmp_path):
    layout = h5py.VirtualLayout((100, 8, 8), np.uint16)
    for j in range(100):
        layout[j] = h5py.VirtualSource(f"{j:03}.h5", "d", (8, 8), np.uint16)
        with h5py.File(tmp_path / f"{j:03}.h5", "w") as f:
            f["d"] = np.full((8, 8), j, np.uint16)
    with h5py.File(tmp_path / "run.h5", "w") as f:
        f.create_virtual_dataset("d", layout)
    with InputFile(tmp_path / "run.h5") as file:
        assert len(check_frames(file, file.dataset(file.root, "d")).sources) == 100
        assert len(h5py.h5f.get_obj_ids(h5py.h5f.OBJ_ALL, h5py.h5f.OBJ_FILE)) < 10
    np.testing.assert_array_equal(stack_of(tmp_path / "run.h5")[0][:, 0, 0], np.arange(100))
