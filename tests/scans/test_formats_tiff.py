from __future__ import annotations

import itertools
import logging
import pickle
import shutil
import struct

import numpy as np
import pytest
import tifffile
from test_formats_numpy import H, N, W, a_scan, counts

from scans.errors import InputError
from scans.formats import array_writing
from scans.formats.array_writing import write_tiff
from scans.formats.folder_source import open_source
from scans.formats.tiff_source import TiffFrames, tiff_frames, tiff_item

# The reference is tifffile's writer, and its reader where files are ours. Byte layouts: TIFF 6.0 (1992), section 2.


def write(path, data=None, **options):
    tifffile.imwrite(path, counts() if data is None else data, photometric="minisblack", **options)
    return path


def series(folder, numbers, name="img_{}.tif", **options):
    """One file a frame; frame j of the counts in the file of the j-th number."""
    for j, number in enumerate(numbers):
        write(folder / name.format(number), counts()[j], **options)


VARIANTS = {
    "plain": {},
    "without own description": {"metadata": None},
    "big-endian": {"byteorder": ">"},
    "BigTIFF": {"bigtiff": True},
    "strips": {"rowsperstrip": 5},
    "tiles": {"tile": (16, 16)},
    "deflate": {"compression": "zlib"},
    "deflate with differences": {"compression": "zlib", "predictor": True},
    "one directory for all": {"imagej": True},
}


@pytest.mark.parametrize("options", VARIANTS.values(), ids=VARIANTS.keys())
def test_every_slice_of_a_stack(tmp_path, options):
    path = write(tmp_path / "a.tif", **options)
    item = open_source(path).item("a.tif")
    assert item.shape == (N, H, W)
    assert item.dtype == np.uint16
    frames = item.frames()
    assert isinstance(frames, TiffFrames)
    for start, stop in itertools.combinations(range(13), 2):
        np.testing.assert_array_equal(frames[start:stop], counts()[start:stop])
    again = pickle.loads(pickle.dumps(frames))
    np.testing.assert_array_equal(again[-1], counts()[-1])
    np.testing.assert_array_equal(item.read(), counts())


@pytest.mark.parametrize("dtype", ["u1", "i2", "u4", "i4", "f4", "f8", "u8", "f2"])
@pytest.mark.parametrize("options", [{}, {"byteorder": ">"}, {"compression": "zlib"}])
def test_types_of_counts(tmp_path, dtype, options):
    data = (counts() % 100).astype(dtype)
    frames = tiff_frames([write(tmp_path / "a.tif", data, **options)])
    assert frames.dtype == np.dtype(dtype)
    np.testing.assert_array_equal(frames[:], data)


def test_one_directory_for_many_frames(tmp_path):
    """A stack above 4 GB in classic TIFF: one directory, the frames behind one another, their number in the text."""
    path = write(tmp_path / "a.tif", counts()[0], description=f"ImageJ=1.5\nimages={N}\n", metadata=None)
    with tifffile.TiffFile(path) as tif:
        start = tif.pages[0].dataoffsets[0]
    raw = path.read_bytes()
    assert start + counts()[0].nbytes == len(raw)  # the pixels come last, so that more can follow
    path.write_bytes(raw[:start] + counts().tobytes())
    item = open_source(path).item("a.tif")
    assert item.shape == (N, H, W)
    np.testing.assert_array_equal(item.frames()[3:], counts()[3:])
    path.write_bytes(raw[:start] + counts().tobytes()[:-1])
    with pytest.raises(InputError, match="its description says 12 frames, it holds 11"):
        open_source(path)


def test_description_gives_items(tmp_path):
    path = write(
        tmp_path / "a.tif", description="energy = 700 eV\nexposure (ms): 25\nimages of a sample", metadata=None
    )
    source = open_source(path)
    assert source.item("a.tif@energy").read() == 700
    assert source.item("a.tif@energy").unit == "eV"
    assert source.item("a.tif@exposure").unit == "ms"
    assert len(list(source.items())) == 3


# --- one file a frame ------------------------------------------------------------------------------------------


def test_numbers_give_the_order(tmp_path):
    series(tmp_path, range(12))  # img_10 sorts before img_2 as text
    source = open_source(tmp_path)
    [item] = source.items()
    assert item.path == "img_{0-11}.tif"
    assert item.shape == (12, H, W)
    np.testing.assert_array_equal(item.frames()[:], counts())
    assert item.attributes["file_numbers"].tolist() == list(range(12))
    assert source.findings == ()


def test_padded_names_and_two_numbers(tmp_path):
    for j, (line, column) in enumerate(itertools.product(range(3), range(4))):
        write(tmp_path / f"s7_{line:02d}_{column:03d}.tif", counts()[j])
    [item] = open_source(tmp_path).items()
    assert item.path == "s7_{00-02}_{000-003}.tif"
    np.testing.assert_array_equal(item.frames()[:], counts())
    (tmp_path / "s7_01_002.tif").unlink()
    source = open_source(tmp_path)
    [finding] = source.findings
    assert "1 missing: 1/2" in finding.text


def test_missing_frames_are_reported(tmp_path):
    series(tmp_path, [3, 4, 6, 7, 8, 11])
    source = open_source(tmp_path)
    [item] = source.items()
    assert item.shape[0] == 6
    assert item.attributes["missing_numbers"] == ((5,), (9,), (10,))
    [finding] = source.findings
    assert finding.code == "missing-files"
    assert "6 files, 3 missing: 5, 9, 10" in finding.text


def test_every_tenth_number_is_no_gap(tmp_path):
    series(tmp_path, [0, 10, 20, 40])
    assert "1 missing: 30" in open_source(tmp_path).findings[0].text


def test_lines_of_several_frames_a_file(tmp_path):
    for line, (a, b) in enumerate([(0, 4), (4, 5), (5, 12)]):
        write(tmp_path / f"line{line}.tif", counts()[a:b])
    [item] = open_source(tmp_path).items()
    assert item.shape == (12, H, W)
    np.testing.assert_array_equal(item.frames()[2:9], counts()[2:9])


def test_two_files_of_one_number_are_refused(tmp_path):
    series(tmp_path, range(3))
    shutil.copy(tmp_path / "img_1.tif", tmp_path / "img_01.tif")
    with pytest.raises(InputError, match=r"img_01\.tif and img_1\.tif have the same number"):
        open_source(tmp_path)


@pytest.mark.parametrize("odd", [np.zeros((H, W + 1), np.uint16), np.zeros((H, W), np.float32)])
def test_a_frame_that_differs_is_named(tmp_path, odd):
    series(tmp_path, range(12))
    write(tmp_path / "img_7.tif", odd)
    [item] = open_source(tmp_path).items()
    with pytest.raises(InputError, match=r"img_7\.tif.*expected \(16, 20\) uint16 as in .*img_0\.tif"):
        item.frames()


def test_both_byte_orders_in_one_series(tmp_path):
    series(tmp_path, range(12))
    write(tmp_path / "img_7.tif", counts()[7], byteorder=">")
    np.testing.assert_array_equal(open_source(tmp_path).item("img_{0-11}.tif").frames()[:], counts())


def test_an_empty_file_is_named(tmp_path):
    series(tmp_path, range(12))
    (tmp_path / "img_7.tif").write_bytes(b"")
    with pytest.raises(InputError, match=r"img_7\.tif: empty: 0 bytes"):
        open_source(tmp_path)


# --- damage ----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("options", [{}, {"compression": "zlib"}, {"bigtiff": True}, {"metadata": None}])
def test_a_cut_stack_is_never_a_shorter_stack(tmp_path, options, capfd):
    path = write(tmp_path / "a.tif", **options)
    whole = path.read_bytes()
    refused = 0
    for keep in np.linspace(0, len(whole) - 1, 40).astype(int):
        path.write_bytes(whole[:keep])
        try:
            frames = open_source(path).item("a.tif").frames()
        except InputError:
            refused += 1
        else:  # the last bytes of a file may be a resolution, which nobody needs
            np.testing.assert_array_equal(frames[:], counts())
    assert refused >= 39
    assert capfd.readouterr().err == ""  # nor does the library speak beside us
    assert logging.getLogger("tifffile").handlers


def test_a_cut_frame_of_many_is_named(tmp_path):
    series(tmp_path, range(12))
    path = tmp_path / "img_7.tif"
    path.write_bytes(path.read_bytes()[:-1])
    [item] = open_source(tmp_path).items()
    with pytest.raises(InputError, match=r"img_7\.tif, frame 0 of the file: truncated: its pixels end at byte"):
        item.frames()


def test_a_circle_of_directories_ends(tmp_path):
    path = write(tmp_path / "a.tif", metadata=None)
    with tifffile.TiffFile(path) as tif:
        last, first = tif.pages[-1].offset, tif.pages[0].offset
        n_tags = len(tif.pages[-1].tags)
    raw = bytearray(path.read_bytes())
    struct.pack_into("<I", raw, last + 2 + 12 * n_tags, first)
    path.write_bytes(raw)
    with pytest.raises(InputError, match="damaged after 12 frames: the list of frames comes round"):
        open_source(path)


def test_damaged_packed_pixels_name_the_frame(tmp_path):
    path = write(tmp_path / "a.tif", compression="zlib")
    with tifffile.TiffFile(path) as tif:
        at = tif.pages[5].dataoffsets[0]
    raw = bytearray(path.read_bytes())
    raw[at : at + 8] = bytes(8)
    path.write_bytes(raw)
    frames = open_source(path).item("a.tif").frames()
    np.testing.assert_array_equal(frames[:5], counts()[:5])
    with pytest.raises(InputError, match=r"frame 5 of the file \(frame 5 of the scan\): damaged pixels"):
        frames[4:8]


def set_tag(path, code, value):
    """Overwrite the 2-byte value of a tag in the first directory."""
    with tifffile.TiffFile(path) as tif:
        at = tif.pages[0].tags[code].valueoffset
    raw = bytearray(path.read_bytes())
    struct.pack_into("<H", raw, at, value)
    path.write_bytes(raw)


def test_unknown_packing_says_what_to_do(tmp_path):
    path = write(tmp_path / "a.tif")
    set_tag(path, 259, 5)  # LZW (TIFF 6.0, section 13)
    with pytest.raises(InputError, match=r"packed with method 5 \(LZW\).*Export the frames unpacked"):
        open_source(path).item("a.tif").frames()


def test_pictures_are_no_frames(tmp_path):
    tifffile.imwrite(tmp_path / "a.tif", np.zeros((3, H, W, 3), np.uint8), photometric="rgb")
    with pytest.raises(InputError, match="red, green, blue"):
        open_source(tmp_path / "a.tif").item("a.tif").frames()
    write(tmp_path / "b.tif", np.zeros((5, 4, 30), np.uint8))
    with pytest.raises(InputError, match="frames of 4 x 30 pixels"):
        open_source(tmp_path / "b.tif").item("b.tif").frames()


def test_a_packed_bomb_is_refused(tmp_path):
    tightest = {"compression": "zlib", "compressionargs": {"level": 9}, "rowsperstrip": 1024}
    path = write(tmp_path / "a.tif", np.zeros((100, 1024, 1024), np.uint8), **tightest)
    item = open_source(path).item("a.tif")
    for read in (item.frames, item.read):
        with pytest.raises(InputError, match=r"claims 100 MiB, but only .* KiB are stored"):
            read()


def test_no_other_file_is_opened(tmp_path):
    """A description may name other files of a stack; tifffile's own series would open them."""
    tifffile.imwrite(tmp_path / "a.ome.tif", counts()[:2], ome=True, photometric="minisblack")
    raw = (tmp_path / "a.ome.tif").read_bytes()
    assert b"<OME" in raw
    source = open_source(tmp_path / "a.ome.tif")
    assert source.item("a.ome.tif").frames().shape == (2, H, W)


def test_seeded_damage_gives_input_errors_only(tmp_path):
    """Bit flips and cuts: frames of the old form, another form, or InputError; nothing else."""
    rng = np.random.default_rng(5)
    paths = [
        write(tmp_path / "a.tif", counts(3, 8, 8)),
        write(tmp_path / "b.tif", counts(3, 8, 8), compression="zlib", predictor=True),
        write(tmp_path / "c.tif", counts(3, 16, 16), tile=(16, 16), bigtiff=True),
    ]
    originals = [p.read_bytes() for p in paths]
    refused = 0
    for trial in range(300):
        path, raw = paths[trial % 3], bytearray(originals[trial % 3])
        for at in rng.integers(0, len(raw), 4):
            raw[at] ^= 1 << int(rng.integers(8))
        path.write_bytes(raw[: len(raw) - int(rng.integers(0, 2) * rng.integers(0, len(raw)))])
        try:
            item = tiff_item([path], path.name)
            if item.frames is not None:
                assert item.frames()[0:1].ndim == 3
        except InputError:
            refused += 1
    assert refused > 150  # half of the trials are cut


# --- writing ---------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("limit", [array_writing.BIG_TIFF_BYTES, 100])
def test_a_folder_gives_back_the_scan(tmp_path, monkeypatch, limit):
    monkeypatch.setattr(array_writing, "BIG_TIFF_BYTES", limit)
    scan = a_scan()
    folder = write_tiff(tmp_path / "out", scan)
    with tifffile.TiffFile(folder / "frames.tif") as tif:
        assert tif.is_bigtiff == (limit == 100)
        np.testing.assert_array_equal(tif.asarray(), scan.frames)
    source = open_source(folder)
    assert source.ignored == source.findings == ()
    np.testing.assert_array_equal(source.item("frames.tif").frames()[:], scan.frames)
    np.testing.assert_array_equal(source.item("good_pixel_mask.tif").read(), scan.mask)
    np.testing.assert_array_equal(source.item("dark.tif").read(), scan.dark)
    np.testing.assert_array_equal(source.item("flat.tif").read(), scan.flat)
    np.testing.assert_array_equal(source.item("readings_yx_m.npy").read(), scan.readings_m)
    for j, name in enumerate(("y_m", "x_m")):
        column = source.item(f"positions.csv:{name}")
        assert column.unit == "m"
        np.testing.assert_array_equal(column.read(), scan.positions_m[:, j])
    for name in ("monitor", "exposures_s", "index_in_file", "exposure_s", "counts_per_photon", "saturation"):
        np.testing.assert_array_equal(source.item(f"positions.csv:{name}").read(), getattr(scan, name), err_msg=name)
    for name, value in [
        ("energy_ev", 701.3),
        ("distance_m", 0.0512),
        ("pixel_size_yx_m", [48e-6, 24e-6]),
        ("beam_centre_row_column_px", [7.25, 9.5]),
        ("transpose", 1),
        ("flip_y", 0),
        ("flip_x", 1),
        ("dark_exposures_s", [0.1, 0.1, 1.0]),
        ("zone_plate_outer_zone_m", 5e-8),
    ]:
        assert source.item(f"positions.csv:{name}").read().tolist() == value, name
    assert source.item("positions.csv:y_m").attributes["header"]["title"] == "a scan"


def test_no_file_appears_where_one_cannot(tmp_path):
    (tmp_path / "positions.csv").write_text("mine")
    with pytest.raises(InputError, match=r"positions\.csv: exists already"):
        write_tiff(tmp_path, a_scan())
    assert [p.name for p in tmp_path.iterdir()] == ["positions.csv"]
    with pytest.raises(InputError, match="cannot be made"):
        write_tiff(tmp_path / "not" / "there", a_scan())
    write_tiff(tmp_path, a_scan(), overwrite=True)
    assert open_source(tmp_path).item("frames.tif").shape == (N, H, W)
