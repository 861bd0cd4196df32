from __future__ import annotations

import json

import numpy as np
import pytest

from scans.errors import InputError
from scans.formats import text_tables
from scans.formats.folder_source import open_source
from scans.formats.labels import split_label
from scans.formats.text_tables import read_json, read_table, table_items

# What a table says is checked against the numbers that the test wrote, and against numpy.loadtxt where that reads it.


def table(tmp_path, text, name="t.txt", encoding="utf-8"):
    path = tmp_path / name
    path.write_bytes(text.encode(encoding))
    return read_table(path)


def columns(read):
    return {c.name: (c.unit, c.values.tolist()) for c in read.columns}


def codes(read):
    return [f.code for f in read.findings]


POSITIONS = {"y": ("um", [1.0, 1.5, -2.25e-3]), "x": ("mm", [2.0, 2.5, 3.0])}


@pytest.mark.parametrize(
    "text",
    [
        "# y (um)  x (mm)\n1.0 2.0\n1.5 2.5\n-2.25e-3 3\n",
        "y[um],x[mm]\n1.0,2.0\n1.5,2.5\n-2.25e-3,3\n",
        "% y / um ; x / mm\n1.0;2.0\n1.5;2.5\n-2.25e-3;3\n",
        "y (µm)\tx (mm)\r\n1,0\t2,0\r\n1,5\t2,5\r\n-2,25e-3\t3\r\n",
        "y;x\num;mm\n1,0;2,0\n1,5;2,5\n-2,25e-3;3,0\n",
        "; y x\n; [micron] [mm]\n  1.0    2.0\n\n  1.5    2.5\n  -2.25D-03  3.0  # last\n",
        '"y (um)", "x (mm)"\n1.0, 2.0\n1.5, 2.5\n-0.00225, 3\n',
        "y (um), x (mm)\n1,0, 2,0\n1,5, 2,5\n-2,25e-3, 3,0\n",
        "y (um)\tx (mm)\n1.0\t2.0\t\n1.5\t2.5\t\n-2.25e-3\t3\t\n",
        "y (um)\tx (mm)\t\n1.0\t2.0\t\n1.5\t2.5\t\n-2.25e-3\t3\t\n",
        "y (um)|x (mm)\n1.0|2.0\n1.5|2.5\n-2.25e-3|3\n",
        "y (um) | x (mm)\n1,0 | 2,0\n1,5 | 2,5\n-2,25e-3 | 3,0\n",
    ],
)
def test_one_table_in_many_hands(tmp_path, text):
    assert columns(table(tmp_path, text)) == POSITIONS


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "utf-16-le", "utf-16-be", "latin-1", "cp1252"])
def test_encodings(tmp_path, encoding):
    read = table(tmp_path, "# étage\ny (µm)\tx (µm)\n1\t2\n3\t4\n", encoding=encoding)
    assert columns(read) == {"y": ("um", [1, 3]), "x": ("um", [2, 4])}


def test_plain_numbers_as_numpy_reads_them(tmp_path):
    rng = np.random.default_rng(6)
    values = rng.normal(size=(300, 5)) * 10.0 ** rng.integers(-12, 12, (300, 5))
    for delimiter in (" ", ",", "\t", ";", "|"):
        np.savetxt(tmp_path / "t.dat", values, delimiter=delimiter)
        read = read_table(tmp_path / "t.dat")
        np.testing.assert_array_equal(
            np.stack([c.values for c in read.columns], axis=1), np.loadtxt(tmp_path / "t.dat", delimiter=delimiter)
        )
        assert [c.name for c in read.columns] == ["1", "2", "3", "4", "5"]
        assert read.findings == ()


def test_units_in_names(tmp_path):
    read = table(tmp_path, "pos_y_nm,stage.x.um,i0,t [ms],e (keV)\n1,2,3,4,5\n1,2,3,4,5.5\n")
    assert [(c.name, c.unit) for c in read.columns] == [
        ("pos_y_nm", "nm"),
        ("stage.x.um", "um"),
        ("i0", None),
        ("t", "ms"),
        ("e", "keV"),
    ]


@pytest.mark.parametrize(
    ("label", "expected"),
    [
        ("x (um)", ("x", "um")),
        ("y[µm]", ("y", "um")),
        ("pos[0]", ("pos[0]", None)),
        ("x / nm", ("x", "nm")),
        ("counts/photon", ("counts/photon", None)),
        ("energy_eV", ("energy_eV", "eV")),
        ("x_pixels", ("x_pixels", "pixel")),
        ("frame", ("frame", None)),
        ("item", ("item", None)),
        ("data_a", ("data_a", None)),
        ("x ()", ("x", None)),
        ("", ("", None)),
    ],
)
def test_labels(label, expected):
    assert split_label(label) == expected


def test_header_values(tmp_path):
    read = table(
        tmp_path,
        "# energy = 0.7 keV\n# detector distance: 50 (mm)\n# pixel size (um) = 24, 48\n# started: 2026-01-02 03:04\n"
        "# dwell = 25 ms, gain = 45.5\n# y  x\n1.5 2\n3 4\n# ended = yes\n",
    )
    assert [(v.name, v.unit, v.values.tolist()) for v in read.header] == [
        ("energy", "keV", 0.7),
        ("detector distance", "mm", 50),
        ("pixel size", "um", [24, 48]),
        ("dwell", "ms", 25),
        ("gain", None, 45.5),
    ]
    assert read.texts == {"started": "2026-01-02 03:04", "ended": "yes"}
    assert list(columns(read)) == ["y", "x"]


def test_header_values_in_cells(tmp_path):
    read = table(tmp_path, "energy,700,eV\ndistance,5.1,cm\ny,x,i0\n1,2,9\n3,4,9\n5,6,8\n")
    assert [(v.name, v.unit, v.values.tolist()) for v in read.header] == [
        ("energy", "eV", 700),
        ("distance", "cm", 5.1),
    ]
    assert columns(read) == {"y": (None, [1, 3, 5]), "x": (None, [2, 4, 6]), "i0": (None, [9, 9, 8])}


def test_values_without_a_table(tmp_path):
    read = table(tmp_path, "energy: 700 eV\ndistance = 5 cm\nsample: star\n")
    assert read.n_rows == 0
    assert [(v.name, v.unit, v.values.tolist()) for v in read.header] == [("energy", "eV", 700), ("distance", "cm", 5)]


def test_columns_of_text_stay(tmp_path):
    read = table(
        tmp_path, "file,when,y,x\nimg_10.tif,2026-01-01 12:00:00,1.0,2.0\nimg_2.tif,2026-01-01 12:00:01,1.5,\n"
    )
    assert read.columns[0].values.tolist() == ["img_10.tif", "img_2.tif"]
    assert read.columns[1].values.tolist() == ["2026-01-01 12:00:00", "2026-01-01 12:00:01"]
    np.testing.assert_array_equal(read.columns[3].values, [2.0, np.nan])
    blank = table(tmp_path, "img_10.tif 1.0 2.0\nimg_2.tif 1.5 2.5\n")
    assert columns(blank) == {
        "1": (None, ["img_10.tif", "img_2.tif"]),
        "2": (None, [1.0, 1.5]),
        "3": (None, [2.0, 2.5]),
    }


def test_missing_values_are_kept_and_reported(tmp_path):
    read = table(tmp_path, "y,x\n1,2\nnan,3\n4,\n5,NA\n6,--\n7,8\n")
    np.testing.assert_array_equal(read.columns[0].values, [1, np.nan, 4, 5, 6, 7])
    np.testing.assert_array_equal(read.columns[1].values, [2, 3, np.nan, np.nan, np.nan, 8])
    assert [f.text for f in read.findings] == [
        "t.txt: column y misses 1 of 6 values, the first in row 1",
        "t.txt: column x misses 3 of 6 values, the first in row 2",
    ]


def test_rows_of_another_length_are_kept_and_reported(tmp_path):
    text = "# y x i\n" + "".join(f"{i}.5 2 3\n" for i in range(6))
    read = table(tmp_path, text + "1 2\n1 2 3 4\n9 9 9\nscan aborted by user\n8.5 2")
    assert read.n_rows == 10
    np.testing.assert_array_equal(read.columns[0].values[6:], [np.nan, np.nan, 9, 8.5])  # only the last was cut
    np.testing.assert_array_equal(read.columns[2].values[6:], [np.nan, np.nan, 9, np.nan])
    texts = " ".join(f.text for f in read.findings)
    assert "2 rows with too few fields, kept with nan (line 8, 12)" in texts
    assert "1 rows with too many fields, kept as nan (line 9)" in texts
    assert "1 lines that are no rows, left out (line 11)" in texts


def test_text_in_a_column_of_numbers_is_reported(tmp_path):
    read = table(tmp_path, "y,x\n1,2\n3,4\nERROR,5\n6,7\n")
    np.testing.assert_array_equal(read.columns[0].values, [1, 3, np.nan, 6])
    assert codes(read) == ["unread-fields", "missing-values"]


def test_a_count_above_the_table_is_no_row(tmp_path):
    read = table(tmp_path, "3\n1.0 2.0\n1.5 2.5\n2.0 3.0\n")
    assert read.n_rows == 3
    assert codes(read) == ["unread-lines"]


def test_decimal_commas_are_reported(tmp_path):
    assert codes(table(tmp_path, "y;x\n1,5;2\n2,5;3\n")) == ["decimal-commas"]
    assert codes(table(tmp_path, "y,x\n1.5,2\n2.5,3\n")) == []


@pytest.mark.parametrize("text", ["1,5\n2,5\n3,5\n", "1,5,2,5\n1,6,2,6\n"])
def test_commas_that_may_be_either_are_reported(tmp_path, text):
    read = table(tmp_path, text)
    assert len(read.columns) == text.splitlines()[0].count(",") + 1
    assert "commas-as-delimiters" in codes(read)


def test_names_that_do_not_fit_are_not_used(tmp_path):
    read = table(tmp_path, "y,x\n1,5,2,5\n1,6,2,6\n")
    assert list(columns(read)) == ["1", "2", "3", "4"]
    finding = next(f for f in read.findings if f.code == "no-names")
    assert "no line above the rows has 4 names; the last is 'y,x'" in finding.text
    assert "decimal signs" in finding.fix


def test_equal_names_are_told_apart(tmp_path):
    items, _ = table_items(_write(tmp_path, "# x = 3\nx,x,y\n1,2,3\n4,5,6\n"), "t.txt")
    assert [i.path for i in items] == ["t.txt:x", "t.txt:x#2", "t.txt:y", "t.txt:x#3"]
    assert [i.read().tolist() for i in items] == [[1, 4], [2, 5], [3, 6], 3]


def _write(tmp_path, text, name="t.txt"):
    (tmp_path / name).write_text(text)
    return tmp_path / name


def test_items_of_a_table(tmp_path):
    source = open_source(_write(tmp_path, "# operator: nobody\n# energy = 700 eV\ny (um),x (um)\n1,2\n3,4\n"))
    assert [(i.path, i.shape, i.unit) for i in source.items()] == [
        ("t.txt:y", (2,), "um"),
        ("t.txt:x", (2,), "um"),
        ("t.txt:energy", (), "eV"),
    ]
    assert source.item("t.txt:y").attributes["header"] == {"operator": "nobody"}
    assert source.item("t.txt:y").frames is None
    source.item("t.txt:y").read()[:] = 0  # what is given away is a copy
    assert source.item("t.txt:y").read().tolist() == [1, 3]


def test_a_picture_as_text_is_one_array(tmp_path):
    mask = np.eye(20, 30)
    np.savetxt(tmp_path / "mask.txt", mask)
    [item] = open_source(tmp_path / "mask.txt").items()
    assert item.path == "mask.txt"
    np.testing.assert_array_equal(item.read(), mask)


@pytest.mark.parametrize(
    "raw",
    [
        b"",
        b"\n\n",
        b"these are only words\nof a letter\n",
        bytes(range(256)) * 20,
        b"\x00" * 500,
        b"\xff\xfe\x00",
        b"y,x\n",
    ],
)
def test_what_is_no_table_is_refused(tmp_path, raw):
    (tmp_path / "t.txt").write_bytes(raw)
    with pytest.raises(InputError, match=r"t\.txt"):
        open_source(tmp_path / "t.txt")


def test_binary_and_large_files_are_named_so(tmp_path, monkeypatch):
    (tmp_path / "t.txt").write_bytes(np.random.default_rng(7).bytes(5000))
    with pytest.raises(InputError, match="binary data"):
        read_table(tmp_path / "t.txt")
    monkeypatch.setattr(text_tables, "MAX_TEXT_BYTES", 100)
    with pytest.raises(InputError, match=r"4\.883 KiB of text; expected at most 100 bytes"):
        read_table(tmp_path / "t.txt")
    with pytest.raises(InputError, match="cannot be read"):
        read_table(tmp_path / "absent.txt")


def test_seeded_damage_gives_input_errors_only(tmp_path):
    rng = np.random.default_rng(8)
    text = b"# energy = 700 eV\n# y (um), x (um), file\n" + b"".join(
        b"%d.5, %d, a_%d.tif\n" % (i, i, i) for i in range(20)
    )
    read = 0
    for _ in range(300):
        raw = bytearray(text)
        for at in rng.integers(0, len(raw), 6):
            raw[at] = int(rng.integers(32, 256)) if rng.random() < 0.8 else int(rng.integers(256))
        (tmp_path / "t.txt").write_bytes(raw)
        try:
            read += read_table(tmp_path / "t.txt").n_rows > 0
        except InputError:
            pass
    assert read > 150


# --- JSON ------------------------------------------------------------------------------------------------------


def test_json_rows_are_a_table(tmp_path):
    rows = [{"x (um)": 1.5, "y (um)": -2, "file": "a"}, {"x (um)": 2.5, "file": "b"}, {"x (um)": 3, "y (um)": 4}]
    expected = {"x": ("um", [1.5, 2.5, 3.0]), "y": ("um", [-2.0, np.nan, 4.0])}
    for data, start in ((rows, ""), ({"scan": {"points": rows}}, "scan.points.")):
        read = read_json(_write(tmp_path, json.dumps(data), "meta.json"))
        found = {v.name: (v.unit, v.values) for v in (*read.columns, *read.header)}
        assert set(found) == {start + name for name in expected}
        for name, (unit, values) in expected.items():
            assert found[start + name][0] == unit
            np.testing.assert_array_equal(found[start + name][1], values)


def test_json_values(tmp_path):
    data = {
        "energy": {"value": 700, "unit": "eV"},
        "distance_mm": 50.5,
        "detector": {"pixel": {"size (um)": [24, 48]}, "binned": False},
        "positions": [[1, 2], [3, None]],
        "ragged": [[1], [2, 3]],
        "sample": "star",
        "nothing": None,
    }
    path = _write(tmp_path, json.dumps(data), "meta.json")
    items, read = table_items(path, "meta.json")
    found = {i.path: (i.unit, i.read().tolist()) for i in items}
    assert found.pop("meta.json:positions")[1][1][1] is not None
    assert found == {
        "meta.json:energy": ("eV", 700),
        "meta.json:distance_mm": ("mm", 50.5),
        "meta.json:detector.pixel.size": ("um", [24, 48]),
        "meta.json:detector.binned": (None, False),
    }
    assert read.texts == {"sample": "star"}
    assert np.isnan(read.header[-1].values[1, 1])


@pytest.mark.parametrize("text", ["{", "[" * 100_000, "{}", '"text"', '{"a": "b"}', '{"a": ' + "9" * 5000 + "}"])
def test_json_that_gives_nothing_is_refused(tmp_path, text):
    with pytest.raises(InputError, match=r"meta\.json"):
        read_json(_write(tmp_path, text, "meta.json"))


@pytest.mark.parametrize("odd", ["", "# a remark\n", "1,\n", "1,2,3\n", "nan,5\n", "1.0D3,2\n", "1_0,2\n", "\n"])
def test_long_tables_are_read_like_short_ones(tmp_path, odd):
    """The fast way for plain numbers gives what the careful way gives: the same lines in a table of two halves."""
    lines = [f"{i / 7!r},{i * 1e-9!r}\n" for i in range(300)]
    long = table(tmp_path, "y,x\n" + "".join(lines[:150]) + odd + "".join(lines[150:]))
    short = [table(tmp_path, "y,x\n" + "".join(lines[i : i + 50])) for i in range(0, 150, 50)]
    middle = table(tmp_path, "y,x\n" + "".join(lines[149:150]) + odd + "".join(lines[150:152]))
    tail = [table(tmp_path, "y,x\n" + "".join(lines[i : i + 50])) for i in range(150, 300, 50)]
    for column in range(2):
        parts = [t.columns[column].values for t in (*short, middle, *tail)]
        parts[3] = parts[3][1:-2]  # what the odd line gave
        np.testing.assert_array_equal(long.columns[column].values, np.concatenate(parts))
    assert [f.code for f in long.findings] == [f.code for f in middle.findings]
