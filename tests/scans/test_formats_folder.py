from __future__ import annotations

import json
import os
import pickle
import shutil

import h5py
import numpy as np
import pytest
import tifffile
from test_formats_numpy import H, N, W, counts

from scans.errors import InputError
from scans.formats.array_frames import JoinedFrames
from scans.formats.file_series import group_series, natural_key
from scans.formats.folder_source import FolderSource, expand, open_source

# Every expectation is what the test itself wrote with h5py, NumPy, tifffile or as text.


def write_line(path, frames, y, index):
    with h5py.File(path, "w") as f:
        f.create_dataset("entry/data", data=frames, chunks=(1, *frames.shape[1:]), compression="gzip")
        f["entry/data"].attrs["gain"] = 45.5
        n = len(frames)
        f["entry/x"], f["entry/y"] = np.arange(n) * 0.5, np.full(n, y)
        f["entry/x"].attrs["units"] = f["entry/y"].attrs["units"] = "um"
        f["entry/energy"] = 700.0
        f["entry/energy"].attrs["units"] = "eV"
        f["entry/ring_current"] = 300.0 - index
        f["entry/mask"] = np.eye(H, W, dtype=np.uint8)
        f["entry/sample"] = "star"
        f["entry/started"] = f"12:0{index}"


def lines(folder, lengths=(4, 4, 1, 3)):
    """Files of a scan, one a line, of unequal length."""
    stop = np.cumsum(lengths)
    for i, (n, b) in enumerate(zip(lengths, stop, strict=True)):
        write_line(folder / f"line_{i}.h5", counts()[b - n : b], 0.25 * i, i)
    return folder


def paths(source):
    return [i.path for i in source.items()]


# --- one HDF5 file a line --------------------------------------------------------------------------------------


def test_line_files_are_joined(tmp_path):
    source = open_source(lines(tmp_path))
    name = "line_{0-3}.h5:/entry"
    stack = source.item(f"{name}/data")
    assert stack.shape == (N, H, W)
    assert stack.attributes["per_file"] == [4, 4, 1, 3]
    frames = stack.frames()
    assert isinstance(frames, JoinedFrames)
    for a, b in [(0, 12), (3, 5), (7, 10), (11, 12), (5, 5)]:
        np.testing.assert_array_equal(frames[a:b], counts()[a:b])
    np.testing.assert_array_equal(pickle.loads(pickle.dumps(frames))[-1], counts()[-1])
    x, y = source.item(f"{name}/x"), source.item(f"{name}/y")
    assert x.unit == y.unit == "um"
    np.testing.assert_array_equal(x.read(), np.concatenate([np.arange(n) * 0.5 for n in (4, 4, 1, 3)]))
    np.testing.assert_array_equal(y.read(), np.repeat([0, 0.25, 0.5, 0.75], [4, 4, 1, 3]))
    assert source.kind == "folder of 4 HDF5 files"
    assert source.findings == ()


def test_numbers_that_agree_stay_one(tmp_path):
    source = open_source(lines(tmp_path))
    name = "line_{0-3}.h5:/entry"
    energy = source.item(f"{name}/energy")
    assert (energy.shape, energy.unit, energy.read()) == ((), "eV", 700.0)
    assert source.item(f"{name}/data@gain").read() == 45.5
    np.testing.assert_array_equal(source.item(f"{name}/ring_current").read(), [300, 299, 298, 297])
    assert source.item(f"{name}/sample").read() == "star"
    assert source.item(f"{name}/started").read().tolist() == ["12:00", "12:01", "12:02", "12:03"]
    mask = source.item(f"{name}/mask")
    assert mask.shape == (H, W)
    assert mask.frames is None
    np.testing.assert_array_equal(mask.read(), np.eye(H, W))


def test_lines_are_joined_in_the_order_of_their_numbers(tmp_path):
    for i in range(12):  # line_10 sorts before line_2 as text
        write_line(tmp_path / f"line_{i}.h5", counts()[i : i + 1], float(i), i % 10)
    source = open_source(tmp_path)
    np.testing.assert_array_equal(source.item("line_{0-11}.h5:/entry/data").frames()[:], counts())
    np.testing.assert_array_equal(source.item("line_{0-11}.h5:/entry/y").read(), np.arange(12.0))
    assert source.item("line_{0-11}.h5:/entry/x").shape == (12,)  # equal in all files, and still one a frame


def test_one_frame_a_file(tmp_path):
    for i in range(N):
        with h5py.File(tmp_path / f"f{i:03d}.h5", "w") as f:
            f["image"], f["y"] = counts()[i], i * 0.5
    source = open_source(tmp_path)
    frames = source.item("f{000-011}.h5:/image").frames()
    assert frames.shape == (N, H, W)
    np.testing.assert_array_equal(frames[3:9], counts()[3:9])
    np.testing.assert_array_equal(pickle.loads(pickle.dumps(frames))[2], counts()[2])
    np.testing.assert_array_equal(source.item("f{000-011}.h5:/y").read(), np.arange(N) * 0.5)


def test_a_missing_line_is_reported(tmp_path):
    (lines(tmp_path) / "line_1.h5").unlink()
    source = open_source(tmp_path)
    [finding] = source.findings
    assert "line_{0-3}.h5: 3 files, 1 missing: 1" in finding.text
    assert source.item("line_{0-3}.h5:/entry/data").shape == (8, H, W)


@pytest.mark.parametrize("keep", [0, 100, 3000])
def test_a_broken_line_is_named(tmp_path, keep):
    path = lines(tmp_path) / "line_2.h5"
    path.write_bytes(path.read_bytes()[:keep])
    with pytest.raises(InputError, match=r"line_2\.h5"):
        open_source(tmp_path)


def test_a_dataset_missing_in_one_file_is_reported(tmp_path):
    with h5py.File(lines(tmp_path) / "line_2.h5", "a") as f:
        del f["entry/x"]
    source = open_source(tmp_path)
    assert [f.code for f in source.findings] == ["missing-in-files"]
    assert "is not in 1 of 4 files (line_2.h5)" in source.findings[0].text
    assert source.item("line_{0-3}.h5:/entry/x").shape == (11,)


def test_lines_that_do_not_fit_are_named(tmp_path):
    write_line(lines(tmp_path) / "line_2.h5", np.zeros((2, H, W + 4), np.uint16), 0.0, 2)
    item = open_source(tmp_path).item("line_{0-3}.h5:/entry/data")
    with pytest.raises(InputError, match=r"line_2\.h5::/entry/data: frames \(16, 24\)"):
        item.frames()


def test_different_units_are_not_joined(tmp_path):
    with h5py.File(lines(tmp_path) / "line_2.h5", "a") as f:
        f["entry/x"].attrs["units"] = "mm"
    source = open_source(tmp_path)
    assert source.item("line_{0-3}.h5:/entry/x") is None
    assert "line_2.h5::/entry/x: another unit" in source.findings[0].text


def test_frames_that_were_never_written_are_named(tmp_path):
    with h5py.File(lines(tmp_path) / "line_3.h5", "a") as f:
        del f["entry/data"]
        data = f.create_dataset("entry/data", (3, H, W), "u2", chunks=(1, H, W))
        data[0] = 1
    item = open_source(tmp_path).item("line_{0-3}.h5:/entry/data")
    with pytest.raises(InputError, match=r"line_3\.h5::/entry/data: 2 frames were never written, the first is frame 1"):
        item.frames()


# --- folders ---------------------------------------------------------------------------------------------------


def mixed(folder):
    """Single-frame TIFF files in a folder of their own, a table, notes and rubbish beside it."""
    (folder / "frames").mkdir()
    for j in range(N):
        tifffile.imwrite(folder / "frames" / f"img_{j:04d}.tif", counts()[j], photometric="minisblack")
    (folder / "positions.txt").write_text("# energy = 0.7 keV\n# y (um)  x (um)\n" + "1.5 2.5\n" * N)
    (folder / "meta.json").write_text(json.dumps({"distance_mm": 50}))
    np.save(folder / "flat.npy", np.ones((H, W)))
    (folder / "README.txt").write_text("Measured at night.\nDo not delete!\n")
    (folder / "garbage.txt").write_bytes(np.random.default_rng(9).bytes(4000))
    (folder / ".hidden.tif").write_bytes(b"x")
    (folder / "img_thumb.tif").write_bytes(b"x")
    (folder / "log.docx").write_bytes(b"x")
    return folder


def test_a_folder_of_everything(tmp_path):
    source = open_source(mixed(tmp_path))
    assert paths(source) == [
        "flat.npy",
        "frames/img_{0000-0011}.tif",
        "positions.txt:y",
        "positions.txt:x",
        "positions.txt:energy",
        "meta.json:distance_mm",
    ]
    np.testing.assert_array_equal(source.item("frames/img_{0000-0011}.tif").frames()[:], counts())
    ignored = dict(source.ignored)
    assert set(ignored) == {"README.txt", "garbage.txt", ".hidden.tif", "img_thumb.tif", "log.docx"}
    assert ignored["img_thumb.tif"] == "a thumbnail"
    assert "binary data" in ignored["garbage.txt"]
    assert ignored["README.txt"] == "no rows of numbers"
    source.close()


def test_more_and_fewer_rows_than_frames_are_only_counted(tmp_path):
    mixed(tmp_path)
    for n in (N - 2, N + 3):
        (tmp_path / "positions.txt").write_text("y,x\n" + "1,2.5\n" * n)
        source = open_source(tmp_path)
        assert source.item("positions.txt:y").shape == (n,)
        assert source.item("frames/img_{0000-0011}.tif").shape[0] == N


def test_one_broken_file_beside_does_not_stop_a_scan(tmp_path):
    (mixed(tmp_path) / "snapshot.tif").write_bytes(b"")
    source = open_source(tmp_path)
    [finding] = source.findings
    assert (finding.level, finding.code) == ("serious", "unreadable-file")
    assert "snapshot.tif: empty: 0 bytes" in finding.text
    assert source.item("frames/img_{0000-0011}.tif") is not None


def test_series_of_arrays_and_archives(tmp_path):
    for j in range(3):
        np.save(tmp_path / f"a{j}.npy", counts()[4 * j : 4 * j + 4])
        np.save(tmp_path / f"b{j}.npy", counts()[j])
        np.savez(tmp_path / f"c{j}.npz", f=counts()[4 * j : 4 * j + 4], x=np.arange(j + 1.0), e=700.0)
    source = open_source(tmp_path)
    np.testing.assert_array_equal(source.item("a{0-2}.npy").frames()[:], counts())
    np.testing.assert_array_equal(source.item("b{0-2}.npy").frames()[:], counts()[:3])
    np.testing.assert_array_equal(source.item("c{0-2}.npz:f").frames()[:], counts())
    np.testing.assert_array_equal(source.item("c{0-2}.npz:x").read(), [0, 0, 1, 0, 1, 2])
    assert source.item("c{0-2}.npz:e").read() == 700


def test_tables_of_lines_are_joined(tmp_path):
    for j in range(3):
        (tmp_path / f"line_{j}.txt").write_text(f"# energy = 700 eV\n# y x\n{j} 1\n{j} 2\n")
    (tmp_path / "line_3.txt").write_text("this line was not measured\n")
    source = open_source(tmp_path)
    np.testing.assert_array_equal(source.item("line_{0-3}.txt:y").read(), [0, 0, 1, 1, 2, 2])
    assert source.item("line_{0-3}.txt:energy").read() == 700
    assert ("line_3.txt", "no rows of numbers") in source.ignored


def test_empty_folders_and_deep_ones(tmp_path):
    with pytest.raises(InputError, match="the folder is empty"):
        open_source(tmp_path)
    (tmp_path / "a.docx").write_bytes(b"x")
    with pytest.raises(InputError, match=r"nothing that can be read \(ignored: a\.docx\)"):
        open_source(tmp_path)
    deep = tmp_path / "1" / "2" / "3"
    (deep / "4").mkdir(parents=True)
    np.save(deep / "x.npy", counts())
    np.save(deep / "4" / "y.npy", counts())
    source = open_source(tmp_path)
    assert paths(source) == ["1/2/3/x.npy"]
    assert ("1/2/3/4/", "a deeper folder") in source.ignored


# --- links -----------------------------------------------------------------------------------------------------


def test_links_out_of_the_folder_are_refused(tmp_path):
    inside, outside = tmp_path / "scan", tmp_path / "elsewhere"
    inside.mkdir()
    outside.mkdir()
    np.save(outside / "secret.npy", counts())
    np.save(inside / "mine.npy", counts())
    (inside / "link.npy").symlink_to(outside / "secret.npy")
    with pytest.raises(InputError, match=r"link\.npy: a symbolic link that leads out of the folder.*--follow-external"):
        open_source(inside)
    assert paths(open_source(inside, follow_external=True)) == ["link.npy", "mine.npy"]
    (inside / "link.npy").unlink()
    (inside / "folder").symlink_to(outside)
    (outside / "back").symlink_to(outside)
    with pytest.raises(InputError, match="leads out of the folder"):
        open_source(inside)
    assert paths(open_source(inside, follow_external=True)) == ["folder/secret.npy", "mine.npy"]
    (inside / "folder").unlink()
    (inside / "notes.docx").symlink_to(outside / "nothing")  # what is not read is not followed
    assert paths(open_source(inside)) == ["mine.npy"]


def test_external_links_of_line_files_are_refused(tmp_path):
    (tmp_path / "scan").mkdir()
    lines(tmp_path / "scan")
    with h5py.File(tmp_path / "other.h5", "w") as f:
        f["x"] = np.arange(4.0)
    with h5py.File(tmp_path / "scan" / "line_0.h5", "a") as f:
        f["entry/out"] = h5py.ExternalLink("../other.h5", "/x")
    assert open_source(tmp_path / "scan").item("line_{0-3}.h5:/entry/out") is None
    source = open_source(tmp_path / "scan", follow_external=True)
    np.testing.assert_array_equal(source.item("line_{0-3}.h5:/entry/out").read(), np.arange(4.0))


def test_links_inside_count_once(tmp_path):
    np.save(tmp_path / "run7.npy", counts())
    (tmp_path / "latest.npy").symlink_to("run7.npy")
    (tmp_path / "loop").symlink_to(".")
    (tmp_path / "broken.npy").symlink_to("gone.npy")
    source = open_source(tmp_path)
    assert paths(source) == ["run7.npy"]
    ignored = dict(source.ignored)
    assert ignored["latest.npy"] == "a link to run7.npy, which is read anyway"
    assert ignored["broken.npy"] == "a link to nothing"
    assert paths(open_source(tmp_path / "latest.npy")) == ["latest.npy"]  # named by the user
    with pytest.raises(InputError, match=r"broken\.npy"):
        open_source(tmp_path / "broken.npy")


def test_a_link_to_a_file_that_is_not_read_otherwise(tmp_path):
    (tmp_path / ".store").mkdir()
    np.save(tmp_path / ".store" / "a.npy", counts())
    (tmp_path / "a.npy").symlink_to(".store/a.npy")
    assert paths(open_source(tmp_path)) == ["a.npy"]


# --- patterns and single files ---------------------------------------------------------------------------------


def test_patterns(tmp_path):
    mixed(tmp_path)
    for pattern in ("img_*.tif", "img_????.tif", "img_[0-9]*.tif", "img_{0000-0011}.tif", "img_{0-11}.tif"):
        source = open_source(tmp_path / "frames" / pattern)
        [item] = source.items()
        assert item.shape == (N, H, W)
        assert source.findings == ()
    [item] = open_source(tmp_path / "frames" / "img_{3-5}.tif").items()
    np.testing.assert_array_equal(item.frames()[:], counts()[3:6])


def test_missing_numbers_of_a_range(tmp_path):
    mixed(tmp_path)
    (tmp_path / "frames" / "img_0004.tif").unlink()
    source = open_source(tmp_path / "frames" / "img_{2-13}.tif")
    [finding] = source.findings
    assert "9 files, 3 missing: 4, 12, 13" in finding.text


def test_a_pattern_takes_tables_beside(tmp_path, monkeypatch):
    for j in range(N):
        tifffile.imwrite(tmp_path / f"img_{j}.tif", counts()[j], photometric="minisblack")
        tifffile.imwrite(tmp_path / f"dark_{j}.tif", counts()[j], photometric="minisblack")
    (tmp_path / "pos.csv").write_text("y,x\n" + "1,2.5\n" * N)
    monkeypatch.chdir(tmp_path)
    for pattern in (tmp_path / "img_*.tif", "img_*.tif", "./img_{0-11}.tif", "{i}mg_*.tif"):
        if "{i}" in str(pattern):
            with pytest.raises(InputError, match="no file fits the pattern"):
                open_source(pattern)
        else:
            assert paths(open_source(pattern)) == ["img_{0-11}.tif", "pos.csv:y", "pos.csv:x"]
    assert [f.name for f in expand("{3-4}.tif")[0]] == []


def test_a_single_stack_takes_its_own_table(tmp_path):
    tifffile.imwrite(tmp_path / "scan7.tif", counts(), photometric="minisblack")
    for name in ("scan7", "scan8"):
        (tmp_path / f"{name}.txt").write_text("y,x\n" + "1,2.5\n" * N)
    source = open_source(tmp_path / "scan7.tif")
    assert paths(source) == ["scan7.tif", "scan7.txt:y", "scan7.txt:x"]
    assert source.kind == "1 TIFF file, 1 text table"


def test_the_kind_is_told_by_content_where_the_suffix_is_silent(tmp_path):
    np.save(tmp_path / "a.npy", counts())
    shutil.move(tmp_path / "a.npy", tmp_path / "frames.raw")
    assert open_source(tmp_path / "frames.raw").item("frames.raw").shape == (N, H, W)


def test_files_that_are_not_there(tmp_path):
    with pytest.raises(InputError, match=r"absent\.npy: no such file"):
        open_source(tmp_path / "absent.npy")
    with pytest.raises(InputError, match="no file fits the pattern"):
        open_source(tmp_path / "img_*.tif")
    (tmp_path / "x.docx").write_bytes(b"words")
    with pytest.raises(InputError, match="nothing that can be read"):
        open_source(tmp_path / "x.docx")


def test_files_named_one_by_one(tmp_path):
    lines(tmp_path)
    source = FolderSource(tmp_path, [tmp_path / "line_3.h5", tmp_path / "line_0.h5"])
    np.testing.assert_array_equal(
        source.item("line_{0-3}.h5:/entry/data").frames()[:], np.concatenate([counts()[:4], counts()[9:]])
    )


def test_natural_order():
    names = ["img_10.tif", "img_2.tif", "img_1.tif", "a2b10", "a2b9", "a10b1"]
    assert sorted(names, key=natural_key) == ["a2b9", "a2b10", "a10b1", "img_1.tif", "img_2.tif", "img_10.tif"]


def test_time_stamps_are_no_counters(tmp_path):
    [series] = group_series(["s_20260101.tif", "s_20260417.tif", "s_20261125.tif"], tmp_path)
    assert series.missing == ()


@pytest.mark.skipif(os.geteuid() == 0, reason="root reads everything")
def test_rights(tmp_path):
    np.save(tmp_path / "a.npy", counts())
    (tmp_path / "a.npy").chmod(0)
    with pytest.raises(InputError, match="cannot be read"):
        open_source(tmp_path / "a.npy")
