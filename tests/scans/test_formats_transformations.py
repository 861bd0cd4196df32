"""NXtransformations (NeXus definitions): Tf = T3 T2 T1, translation (1, t + o), rotation (R, o), active."""

from __future__ import annotations

import h5py
import numpy as np
import pytest
from formats_files import frames, group, make_nexus, positions_um, put
from scipy.spatial.transform import Rotation

from scans.errors import InputError
from scans.formats import load
from scans.formats.hdf5 import InputFile
from scans.formats.transformations import chain_translation, read_chain

ENTRY = "scan 7"
PICTURE = f"{ENTRY}/picture"


def axis(parent, name, value, units, kind=None, **attrs):
    """One axis; `depends_on`, `vector`, `offset`, `offset_units` as attributes."""
    put(parent, name, value, units)
    if kind is not None:
        parent[name].attrs["transformation_type"] = kind
    for key, what in attrs.items():
        parent[name].attrs[key] = what


@pytest.fixture
def chain(tmp_path):
    """Return a function that writes axes into a detector's group and follows its chain."""
    path = tmp_path / "axes.nxs"

    def follow(write, depends_on="transformations/a"):
        with h5py.File(path, "w") as f:
            detector = group(f, "detector", "NXdetector")
            write(group(detector, "transformations", "NXtransformations"))
            if depends_on is not None:
                detector["depends_on"] = depends_on
        with InputFile(path) as file:
            return chain_translation(file, file.root["detector"])

    return follow


def test_a_chain_is_applied_from_the_first_axis_outwards(chain):
    def write(axes):
        axis(axes, "a", 2.0, "mm", "translation", vector=[1.0, 0, 0], depends_on="b")
        axis(axes, "b", 90.0, "deg", "rotation", vector=[0, 0, 1.0], depends_on="c")
        axis(axes, "c", 0.05, "m", "translation", vector=[0, 0, 1.0], depends_on=".")

    # by hand: +2 mm along x, turned by 90 degrees about z onto +y, then 50 mm downstream
    moved, notes = chain(write)
    np.testing.assert_allclose(moved, [0, 2e-3, 50e-3], atol=1e-18)
    assert not notes


def test_random_chains_against_a_rotation_library(chain, rng):
    # the published 4 x 4 matrices, with the rotations of scipy.spatial.transform
    for _ in range(5):
        whole, spec = np.eye(4), []
        for i in range(6):
            vector = rng.normal(size=3)
            vector /= np.linalg.norm(vector)
            offset, value, turns = rng.normal(size=3), float(rng.normal()), bool(rng.integers(2))
            matrix = np.eye(4)
            matrix[:3, 3] = offset * 1e-3 + (0 if turns else value * vector * 1e-6)
            if turns:
                matrix[:3, :3] = Rotation.from_rotvec(value * vector).as_matrix()
            whole = matrix @ whole
            spec.append((value, turns, vector, offset, "." if i == 5 else "abcdef"[i + 1]))

        def write(axes, spec=spec):
            for name, (value, turns, vector, offset, on) in zip("abcdef", spec, strict=True):
                kind, unit = ("rotation", "rad") if turns else ("translation", "um")
                more = {"vector": vector, "offset": offset, "offset_units": "mm", "depends_on": on}
                axis(axes, name, value, unit, kind, **more)

        np.testing.assert_allclose(chain(write)[0], whole[:3, 3], rtol=1e-12, atol=1e-18)


def test_an_axis_may_have_a_value_for_each_frame(chain):
    def write(axes):
        axis(axes, "a", [0.0, 1.0, 2.0], "um", "translation", vector=[1.0, 0, 0], depends_on="b")
        axis(axes, "b", [30.0], "deg", "rotation", vector=[0, 0, 1.0], depends_on="/detector/transformations/c")
        axis(axes, "c", 7.0, "mm", "translation", vector=[0, 0, 1.0])  # no depends_on: the end

    moved, _ = chain(write)
    k = np.arange(3.0) * 1e-6
    # cos 30 degrees = sqrt(3)/2, sin = 1/2
    np.testing.assert_allclose(moved, np.stack([k * 3**0.5 / 2, k / 2, np.full(3, 7e-3)], 1), rtol=1e-12, atol=1e-20)


def test_what_is_missing_comes_from_the_name_and_is_said(chain):
    def write(axes):
        axis(axes, "det_z", 80.0, "mm")

    moved, notes = chain(write, "transformations/det_z")
    np.testing.assert_allclose(moved, [0, 0, 0.08])
    assert {n.what.split(" ")[0]: n.value for n in notes} == {"type": "translation", "vector": "z"}
    assert all(n.guess for n in notes)


def test_an_axis_may_be_a_group_of_values(chain):
    # NXpositioner, NXlog: the values are in a field "value", the attributes on the group
    def write(axes):
        slide = group(axes, "a", "NXpositioner")
        put(slide, "value", 3.0, "cm")
        for key, what in (("transformation_type", "translation"), ("vector", [0, 0, 1.0]), ("depends_on", "b")):
            slide.attrs[key] = what
        axis(axes, "b", 1.0, "cm", "translation", vector=[0, 0, 1.0], depends_on=".")

    np.testing.assert_allclose(chain(write)[0], [0, 0, 0.04])


def test_nothing_depended_on_stays_where_it_is(chain):
    for depends_on in (None, "."):
        np.testing.assert_array_equal(chain(lambda axes: None, depends_on)[0], np.zeros(3))


@pytest.mark.parametrize(
    ("attrs", "message"),
    [
        ({"depends_on": "a"}, r"axes\.nxs::.*chain of depends_on comes back to .*/a"),
        ({"depends_on": "gone"}, r"/a: depends_on names 'gone': there is nothing; expected an axis in the same group"),
        ({"depends_on": "../../nowhere/z"}, r"depends_on names '\.\./\.\./nowhere/z'"),
    ],
)
def test_loops_and_dangling_links(chain, attrs, message):
    with pytest.raises(InputError, match=message):
        chain(lambda axes: axis(axes, "a", 1.0, "mm", "translation", vector=[0, 0, 1.0], **attrs))


def test_axes_that_do_not_fit_together(chain):
    def write(axes):
        axis(axes, "a", [0.0, 1, 2], "mm", "translation", vector=[1.0, 0, 0], depends_on="b")
        axis(axes, "b", [0.0, 1], "mm", "translation", vector=[0, 1.0, 0])

    with pytest.raises(InputError, match=r"different numbers of values: 3 in .*/a, 2 in .*/b"):
        chain(write)
    with pytest.raises(InputError, match=r"slide: no vector; expected the direction"):
        chain(lambda axes: axis(axes, "slide", 1.0, "mm", "translation"), "transformations/slide")
    with pytest.raises(InputError, match=r"/a: unit 'furlong'; expected a unit of length"):
        chain(lambda axes: axis(axes, "a", 1.0, "furlong", "translation", vector=[1.0, 0, 0]))


def test_offset_and_scaling_factor_of_an_axis(chain):
    # NXdata: (stored + offset) x scaling_factor, the offset first: (200 - 150) x 0.5 = 25
    def write(axes):
        axis(axes, "a", 200, "mm", "translation", vector=[0, 0, 1.0])
        axes["a_offset"], axes["a_scaling_factor"] = -150, 0.5

    moved, notes = chain(write)
    np.testing.assert_allclose(moved, [0, 0, 0.025])
    assert any(n.value == "(stored + -150) x 0.5" for n in notes)


def test_links_between_axes_are_read_once_each(tmp_path):
    with h5py.File(tmp_path / "a.nxs", "w") as f:
        axes = group(f, "axes", "NXtransformations")
        axis(axes, "a", 1.0, "mm", "translation", vector=[1.0, 0, 0], depends_on="b")
        axis(axes, "b", 1.0, "mm", "translation", vector=[1.0, 0, 0], depends_on=".")
    with InputFile(tmp_path / "a.nxs") as file:
        axes, _ = read_chain(file, file.root["axes/a"])
        assert [a.dataset.name for a in axes] == ["/axes/a", "/axes/b"]


# --- positions of the sample


@pytest.fixture
def moved(tmp_path):
    """NeXus file without positions in its NXdata, and the sample's group of axes to fill."""
    path = make_nexus(tmp_path / "run.nxs")

    def write(fill, depends_on=None):
        with h5py.File(path, "r+") as f:
            for name in ("y", "x"):
                if name in f[PICTURE]:
                    del f[f"{PICTURE}/{name}"]
            if "specimen" in f[ENTRY]:
                del f[f"{ENTRY}/specimen"]
            sample = group(f[ENTRY], "specimen", "NXsample")
            fill(group(sample, "moves", "NXtransformations"))
            if depends_on is not None:
                sample["depends_on"] = depends_on
        return load(path)

    return write


@pytest.mark.parametrize("named", [True, False])
def test_stage_axes_that_are_turned(moved, named):
    # stage axes at 30 degrees: sample x = cos a x - sin a y, y = sin a x + cos a y (rotation about z, active)
    angle = np.radians(30)
    y, x = positions_um().T

    def fill(axes):
        names = ("x", "y") if named else ("fine_x", "fine_y")
        axis(axes, names[0], x, "um", "translation", vector=[1.0, 0, 0], depends_on=names[1])
        axis(axes, names[1], y, "um", "translation", vector=[0, 1.0, 0], depends_on="azimuth")
        axis(axes, "azimuth", 30.0, "deg", "rotation", vector=[0, 0, 1.0], depends_on=".")

    scan = moved(fill, None if named else "moves/fine_x")
    cos, sin = np.cos(angle), np.sin(angle)
    expected = np.stack([sin * x + cos * y, cos * x - sin * y], axis=1) * 1e-6
    np.testing.assert_allclose(scan.positions_m, expected, rtol=1e-12, atol=1e-15)
    raw = scan.raw_positions
    np.testing.assert_allclose(raw.values, positions_um(), rtol=1e-12)
    np.testing.assert_allclose(raw.matrix, np.array([[cos, sin], [-sin, cos]]) * 1e-6, rtol=1e-12)
    assert not any("not applied" in n.value for n in scan.notes)


def test_coarse_and_fine_stage_add_up(moved):
    y, x = positions_um().T
    coarse = np.repeat([0.0, 3.0, 6.0], 4)

    def fill(axes):
        axis(axes, "fine_x", x, "um", "translation", vector=[1.0, 0, 0], depends_on="fine_y")
        axis(axes, "fine_y", y - coarse, "um", "translation", vector=[0, 1.0, 0], depends_on="coarse_y")
        axis(axes, "coarse_y", coarse * 1e-3, "mm", "translation", vector=[0, 1.0, 0], depends_on=".")

    np.testing.assert_allclose(moved(fill, "moves/fine_x").positions_m, positions_um() * 1e-6, rtol=1e-9)


def test_a_sample_that_turns_during_the_scan_is_refused(moved):
    def fill(axes):
        axis(axes, "x", positions_um()[:, 1], "um", "translation", vector=[1.0, 0, 0], depends_on="y")
        axis(axes, "y", positions_um()[:, 0], "um", "translation", vector=[0, 1.0, 0], depends_on="phi")
        axis(axes, "phi", np.arange(12.0), "deg", "rotation", vector=[0, 1.0, 0], depends_on=".")

    with pytest.raises(InputError, match=r"phi: turns from 0 to 11 deg.*Split the scan"):
        moved(fill)


def test_positions_linked_into_the_data_group_keep_their_chain(tmp_path):
    path = make_nexus(tmp_path / "run.nxs", frames())
    with h5py.File(path, "r+") as f:
        axes = group(group(f[ENTRY], "specimen", "NXsample"), "moves", "NXtransformations")
        f[f"{ENTRY}/specimen/depends_on"] = "moves/x"
        axis(axes, "x", positions_um()[:, 1], "um", "translation", vector=[1.0, 0, 0], depends_on="y")
        axis(axes, "y", positions_um()[:, 0], "um", "translation", vector=[0, 1.0, 0], depends_on="azimuth")
        axis(axes, "azimuth", 180.0, "deg", "rotation", vector=[0, 0, 1.0], depends_on=".")
        for name in "xy":
            del f[f"{PICTURE}/{name}"]
            f[f"{PICTURE}/{name}"] = h5py.SoftLink(f"/{ENTRY}/specimen/moves/{name}")
    np.testing.assert_allclose(load(path).positions_m, -positions_um() * 1e-6, rtol=1e-12)


def test_a_name_in_the_groups_of_axes_is_found_without_its_group(chain):
    # met in example files of the format's own project: depends_on = "x", the axis is in transformations/x
    moved, _ = chain(lambda axes: axis(axes, "a", 1.0, "mm", "translation", vector=[1.0, 0, 0]), "a")
    np.testing.assert_allclose(moved, [1e-3, 0, 0])


def test_a_broken_chain_of_the_sample_is_said_where_positions_are_elsewhere(tmp_path):
    path = make_nexus(tmp_path / "run.nxs")
    with h5py.File(path, "r+") as f:
        group(f[ENTRY], "specimen", "NXsample")["depends_on"] = "t_stage"
    scan = load(path)
    np.testing.assert_allclose(scan.positions_m, positions_um() * 1e-6, rtol=1e-12)
    assert any(n.what == "axes of the sample" and "t_stage" in n.value + n.why for n in scan.guesses)
    with h5py.File(path, "r+") as f:
        del f[f"{PICTURE}/x"]
    with pytest.raises(InputError, match=r"specimen: depends_on names 't_stage': there is nothing"):
        load(path)
