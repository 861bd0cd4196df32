"""`halfbit prepare`: a scan of its own that needs nothing more done to it."""

import json

import h5py
import numpy as np
import pytest

import scans
from recon.cli import main
from scans.scenario import build


@pytest.fixture(scope="module")
def raw(tmp_path_factory):
    """Scan with everything that prepare puts right: gain, dark, beam off the centre, turned detector."""
    scan, _ = build(
        "catalyst",
        n_frames=40,
        frame_px=64,
        photons_per_frame=1e5,
        counts_per_photon=5,
        dark_level=100,
        read_noise=0.4,
        dark_frames=8,
        centre_offset_y_px=3.3,
        orientation="transpose+flip_x",
    )
    path = tmp_path_factory.mktemp("raw") / "run17.cxi"
    scans.write(path, scan)
    return path


@pytest.mark.parametrize("suffix", [".nxs", *(pytest.param(s, marks=pytest.mark.slow) for s in (".h5", ".cxi"))])
def test_what_is_written_comes_back_as_it_was_prepared(raw, tmp_path, capsys, suffix):
    out = tmp_path / f"ready{suffix}"
    assert main(["prepare", str(raw), "-o", str(out), "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert told["frames"] == 40
    assert (tmp_path / "ready.png").stat().st_size > 10_000
    wanted = scans.prepare(scans.load(raw))
    again = scans.prepare(scans.load(out))
    np.testing.assert_array_equal(again.counts, wanted.counts)
    np.testing.assert_array_equal(again.mask, wanted.mask)
    np.testing.assert_allclose(again.positions_m, wanted.positions_m, rtol=0, atol=1e-18)
    assert again.unit == wanted.unit == "photon"
    assert again.read_noise == pytest.approx(wanted.read_noise)
    assert scans.load(out).prepared[1:] == wanted.steps


def test_a_window_larger_than_the_detector(raw, tmp_path):
    out = tmp_path / "wide.nxs"
    assert main(["prepare", str(raw), "-o", str(out), "-s", "prepare.size=128", "--quiet"]) == 0
    ready = scans.load(out)  # three quarters of it are padding, and masked
    assert ready.frames.shape == (40, 128, 128)
    assert ready.mask.mean() < 0.3


def test_a_prepared_scan_reconstructs_like_the_raw_one(raw, tmp_path):
    ready, results = tmp_path / "ready.nxs", []
    assert main(["prepare", str(raw), "-o", str(ready), "--quiet"]) == 0
    for scan in (raw, ready):
        out = tmp_path / f"{scan.stem}_result.h5"
        options = ["-s", "solve.iterations=3", "-s", "run.trial_passes=0", "-s", "run.held_out=0"]
        options += ["--device", "cpu", "--quiet"]
        assert main(["reconstruct", str(scan), "-o", str(out), *options]) == 0
        with h5py.File(out) as file:
            results.append(file["/entry/object/transmission"][()])
    np.testing.assert_array_equal(*results)


def test_without_a_name_beside_nothing_of_the_users(raw, tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    assert main(["prepare", str(raw)]) == 0
    printed = capsys.readouterr().out
    assert sorted(p.name for p in tmp_path.iterdir()) == ["run17_ready_001.nxs", "run17_ready_001.png"]
    assert "run17_ready_001.nxs" in printed
    assert "dark" in printed
    assert "orientation: transpose+flip_x" in printed


def test_nothing_is_overwritten(raw, tmp_path, capsys):
    out = tmp_path / "mine.nxs"
    out.write_text("precious")
    assert main(["prepare", str(raw), "-o", str(out)]) == 2
    assert out.read_text() == "precious"
    assert "there already" in capsys.readouterr().err
    assert main(["prepare", str(raw), "-o", str(raw), "--force"]) == 2
    assert "never replaced" in capsys.readouterr().err
