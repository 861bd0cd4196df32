import hashlib
import os
import sys
from contextlib import closing
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest

import recon
from recon.result import History, Source, StopReason
from scans.errors import InputError


def test_arrays_get_their_types_and_shapes_are_checked(result):
    assert result.transmission.dtype == np.complex64
    assert result.coverage.dtype == np.float32
    assert result.y_m.dtype == np.float64
    assert result.frame_index.dtype == np.int64
    with pytest.raises(ValueError, match=r"coverage has shape \(3, 3\), expected \(24, 31\)"):
        replace(result, coverage=np.ones((3, 3)))
    with pytest.raises(ValueError, match="raw_positions holds 5 readings for 4 used frames"):
        replace(
            result,
            **{n: getattr(result, n)[:4] for n in ("frame_index", "frame_intensity", "monitor")},
            **{n: getattr(result, n)[:4] for n in ("positions_measured_m", "positions_refined_m")},
        )
    with pytest.raises(ValueError, match='verdict is "fine"'):
        replace(result, verdict="fine")
    with pytest.raises(ValueError, match="columns of different lengths"):
        replace(result.history, stage=["main"])


def test_pixel_and_occupancy(result):
    assert result.pixel_m == pytest.approx((9.5e-9, 1e-8), rel=1e-9)
    probe = np.zeros((2, 16, 16))
    probe[0, 3, 4], probe[1, 5, 6] = 3, 1  # powers 9 and 1
    np.testing.assert_allclose(replace(result, probe=probe).occupancy, [0.9, 0.1], rtol=1e-12)
    np.testing.assert_array_equal(replace(result, probe=0 * probe).occupancy, [0, 0])
    shifted = replace(result, probe=probe, occupancy_shift=[0.05, -0.05])
    np.testing.assert_allclose(shifted.occupancy, [0.85, 0.15], rtol=1e-12)
    assert "2 modes (85.0, 15.0 % of the power; as fitted 90.0, 10.0 %)" in str(shifted)
    np.testing.assert_allclose(replace(result, probe=probe, occupancy_shift=[-0.2, 0.2]).occupancy, [1, 0])


def test_phase_is_free_of_the_ramp_and_of_the_unlit_border(result):
    y, x = np.mgrid[:24, :31]
    lit = (abs(y - 12) < 8) & (abs(x - 15) < 10)
    # A ramp and a constant are no property of the sample: the exit waves do not change with them.
    flat = replace(result, transmission=np.exp(1j * (0.4 + 0.2 * y - 0.1 * x)) * np.where(lit, 1, -3), coverage=lit)
    np.testing.assert_allclose(flat.phase[lit], 0, atol=1e-5)
    np.testing.assert_allclose(flat.ramp_cycles_per_px, (0.2 / (2 * np.pi), -0.1 / (2 * np.pi)), atol=1e-6)
    np.testing.assert_allclose(flat.amplitude[lit], 1, rtol=1e-6)


def many_parts(rng, n_waves=3):
    """Fields that only some results have, for the fixture `result`: 24 x 31 pixels, 5 frames of 16 pixels."""
    waves, shares = (rng.normal(size=s) + 1j * rng.normal(size=s) for s in ((n_waves, 16, 16), (5, n_waves)))
    slices = rng.normal(size=(2, 24, 31)) + 1j * rng.normal(size=(2, 24, 31))
    return {
        **{"prior": "gradient, strength 812", "without_prior": slices[1], "background": rng.random((16, 16))},
        **{"slices": slices, "slice_positions_m": [0, 2.2e-6]},
        **{"variation_basis": waves, "variation_coefficients": shares},
    }


def test_optional_parts_get_their_types_and_shapes_are_checked(result, rng):
    full = replace(result, **many_parts(rng))
    assert {f"{full.without_prior.dtype} {full.slices.dtype} {full.variation_basis.dtype}"} == {
        " ".join(["complex64"] * 3)
    }
    assert (full.background.dtype, full.slice_positions_m.dtype) == (np.float32, np.float64)
    assert full.variation_coefficients.dtype == np.complex128
    wrong = {
        "without_prior": np.ones((31, 24)),
        "slices": np.ones((2, 24, 30)),
        "slice_positions_m": [0, 1, 2],
        "background": np.ones((24, 31)),
        "variation_basis": np.ones((3, 8, 8)),
        "variation_coefficients": np.ones((3, 5)),
    }
    for name, value in wrong.items():
        with pytest.raises(ValueError, match=f"{name} has shape"):
            replace(full, **{name: value})
    for name in ("slices", "slice_positions_m", "variation_basis", "variation_coefficients"):
        with pytest.raises(ValueError, match=r"one of .* without the other"):
            replace(full, **{name: None})


def test_background_share_is_that_of_frames_summed_one_by_one(result, rng):
    """Exit waves of random patches, by the words of docs/conventions.md: frame j holds Σ |P O_j|² + background."""
    corners = np.stack([rng.integers(0, 24 - 16 + 1, 5), rng.integers(0, 31 - 16 + 1, 5)], axis=1)
    light, coverage = np.sum(np.abs(result.probe) ** 2, axis=0), np.zeros((24, 31))
    background = rng.random((16, 16))
    totals = []
    for row, column in corners:
        patch = slice(row, row + 16), slice(column, column + 16)
        coverage[patch] += light
        totals.append((np.abs(result.probe * result.transmission[patch]) ** 2).sum() + background.sum())
    found = replace(result, coverage=coverage, background=background).background_share
    assert found == pytest.approx(5 * background.sum() / sum(totals), rel=1e-5)
    assert result.background_share == 0


def test_variation_share_is_that_of_waves_summed_one_by_one(result, rng):
    parts = many_parts(rng)
    varying = replace(result, **parts)
    waves = [
        sum(c * v for c, v in zip(row, parts["variation_basis"], strict=True))
        for row in parts["variation_coefficients"]
    ]
    power = (np.abs(result.probe) ** 2).sum()
    expected = np.mean([(np.abs(wave) ** 2).sum() / power for wave in waves])
    assert varying.variation_share == pytest.approx(expected, rel=1e-5)
    assert result.variation_share == 0


def test_moves_of_positions_are_distances(result):
    moves = 1e-9 * np.array([[3, 4], [0, 0], [-3, 4], [0, 5], [5, 0]])  # four of 5 nm, one of none
    moved = replace(result, positions_refined_m=result.positions_measured_m + moves)
    assert moved.position_move_m == pytest.approx(5e-9 * np.sqrt(4 / 5), rel=1e-6)
    assert "moved    positions, by 4.47 nm (rms)" in str(moved)
    still = replace(result, positions_refined_m=result.positions_measured_m)
    assert still.position_move_m == 0
    assert "moved" not in str(still)


def test_every_stop_reason_says_what_to_try_next():
    for reason in StopReason:
        assert reason.advice.endswith(".")
    assert "--resume" in StopReason.INTERRUPTED.advice


def test_the_summary_holds_what_a_person_asks_first(result):
    text = str(result)
    for part in (
        "usable with cautions",
        "9.5 x 10 nm",
        "710 eV",
        "5 used, 2 left out",
        "R factor 0.2",
        "2 modes",
    ):
        assert part in text
    assert "iteration limit" in text
    assert "caution  overlap 42 %. Take smaller steps." in text
    assert "running" in str(replace(result, history=History.empty(), stop_reason=None, status="running"))


def test_the_summary_names_every_part_of_the_model(result, rng):
    history = replace(result.history, held_out=[9.5, 2.6, 1.32])
    full = replace(result, **many_parts(rng), history=history)
    text = str(full)
    for part in (
        "R factor 0.2, held-out deviance 1.32 beside 1.1 fitted, per pixel after 3 passes",
        "prior    gradient, strength 812; the estimate without it is kept beside",
        "slices   2, at 0, 2.2 µm along the beam",
        f"counts   {100 * full.background_share:.2g} % of all are a static background",
        f"varying over the scan by 3 waves, {100 * full.variation_share:.2g} % of the power",
    ):
        assert part in text
    assert "kept beside" not in str(replace(full, without_prior=None))
    assert "prior    not recorded which; the estimate without it" in str(replace(full, prior=None))
    plain = str(result)
    assert "R factor 0.2, deviance 1.1 per pixel after" in plain
    for word in ("prior", "slices", "background", "varying", "held-out"):
        assert word not in plain


def test_the_source_checksum_is_that_of_both_ends_and_the_size(tmp_path, rng):
    path = tmp_path / "big.h5"
    content = rng.bytes(3 << 20)
    path.write_bytes(content)
    source = Source.of(path)
    expected = hashlib.sha256(content[: 1 << 20] + content[-(1 << 20) :] + str(len(content)).encode()).hexdigest()
    assert (source.checksum, source.size_bytes) == (expected, 3 << 20)
    with pytest.raises(InputError, match=r"gone\.h5: No such file.*Put the scan file back"):
        Source.of(tmp_path / "gone.h5")


def a_folder(tmp_path, rng, n=7, size=3000):
    folder = tmp_path / "run [17] é"
    folder.mkdir()
    for j in range(n):
        (folder / f"img {j}.tif").write_bytes(rng.bytes(size))
    (folder / "positions.csv").write_text("1,2\n")
    return folder


def expected_checksum(root, files):
    """By the words of `CHECKSUM_OF`, written again."""
    each = max(4096, (1 << 20) // len(files))
    text = b""
    for file in files:
        data = file.read_bytes()
        text += file.relative_to(root).as_posix().encode() + b"\0"
        text += data[:each] + data[-each:] + str(len(data)).encode()
    return hashlib.sha256(text).hexdigest()


@pytest.mark.parametrize("size", [3000, 400_000])
@pytest.mark.parametrize("pattern", ["", "img *.tif", "img {0-6}.tif"])
def test_the_source_of_a_folder_or_pattern_is_all_its_files(tmp_path, rng, pattern, size):
    folder = a_folder(tmp_path, rng, size=size)
    files = [*sorted(folder.glob("img *.tif")), folder / "positions.csv"]
    source = Source.of(folder / pattern, "/")
    assert source.checksum == expected_checksum(folder, files)
    assert source.size_bytes == 7 * size + 4
    assert source.path == str(folder / pattern)
    os.utime(files[3], (2e9, 2e9))
    assert Source.of(folder / pattern).modified == "2033-05-18T03:33:20+00:00"  # 2e9 s of Unix time


@pytest.mark.parametrize("change", ["first", "last", "longer", "renamed", "gone", "table"])
def test_every_change_of_a_folder_shows(tmp_path, rng, change):
    folder = a_folder(tmp_path, rng, size=400_000)
    before = Source.of(folder).checksum
    file = folder / "img 3.tif"
    data = bytearray(file.read_bytes())
    data[0 if change == "first" else -1] ^= change in ("first", "last")
    file.write_bytes(bytes(data) + b"x" * (change == "longer"))
    if change == "renamed":
        file.rename(folder / "img 33.tif")
    if change == "gone":
        file.unlink()
    if change == "table":
        (folder / "positions.csv").write_text("1,3\n")
    assert Source.of(folder).checksum != before
    (folder / ".hidden").write_text("no part of the scan")
    (folder / "notes.doc").write_text("neither")


def test_of_ten_thousand_files_little_is_read(tmp_path, rng, monkeypatch):
    """Bytes are counted, not seconds: at most 4 KiB from each end of each."""
    folder = a_folder(tmp_path, rng, n=3, size=100_000)
    for j in range(10_000):
        (folder / f"z{j}.tif").touch()
    read = []
    opened = Path.open

    def counted(path, *words):
        file = opened(path, *words)
        plain = file.read
        return SimpleNamespace(seek=file.seek, read=lambda n: read.append(n) or plain(n), close=file.close)

    monkeypatch.setattr(Path, "open", lambda path, *words: closing(counted(path, *words)))
    Source.of(folder)
    assert len(read) == 2 * 10_004
    assert sum(read) <= 2 * 10_004 * 4096


def test_a_notebook_gets_a_png_of_the_result_figure(result, monkeypatch):
    from matplotlib.figure import Figure

    drawn = []
    figures = SimpleNamespace(result_figure=lambda shown: drawn.append(shown) or Figure(figsize=(1, 1)))
    monkeypatch.setitem(sys.modules, "recon.figures", figures)
    monkeypatch.setattr(recon, "figures", figures, raising=False)
    # PNG specification (ISO/IEC 15948), section 5.2: the signature.
    assert result._repr_png_()[:8] == b"\x89PNG\r\n\x1a\n"
    assert drawn == [result]
