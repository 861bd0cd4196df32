"""HDF5 files as ten different people might name things, built by hand, with the true role of each item.

The names are invented. Common practice, no source: what counts is that file and truth are written side by side here,
and that the code under test has no list of these files.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import h5py
import numpy as np

# 710 eV, 50 mm, 24 um, 32 rows: an object pixel of hc/E z / (N p) = 114 nm (CODATA 2018); steps of 0.4 um.
ENERGY_EV, DISTANCE_M, PIXEL_M = 710.0, 0.05, 24e-6
N, H, W = 36, 32, 40
Truth = dict[str, dict[str, str]]
RNG = np.random.default_rng(3)


def patterns(n: int = N, shape: tuple[int, int] = (H, W), centre: tuple[float, float] = (15.0, 21.0)) -> np.ndarray:
    """Poisson counts around a bright centre."""
    y, x = np.indices(shape)
    r2 = (y - centre[0]) ** 2 + (x - centre[1]) ** 2
    mean = 400 * np.exp(-r2 / 18) + 0.2
    return RNG.poisson(mean * RNG.uniform(0.7, 1.3, (n, *shape))).astype(np.uint16)


def walk_um(n: int = N) -> tuple[np.ndarray, np.ndarray]:
    """A raster with jitter, (y, x) in um."""
    k = np.arange(n)
    return 0.4 * (k // 6) + RNG.normal(0, 0.03, n), 0.4 * (k % 6) + RNG.normal(0, 0.03, n)


def bad_pixels() -> np.ndarray:
    """Two in a hundred."""
    return (RNG.random((H, W)) < 0.02).astype(np.uint8)


def put(file: h5py.File, path: str, value: object, units: str | None = None, **attributes: object) -> None:
    """Write one dataset with its attributes."""
    file[path] = value
    if units is not None:
        attributes["units"] = units
    file[path].attrs.update(attributes)


def numbers_in_attributes(f: h5py.File) -> Truth:
    y, x = walk_um()
    put(f, "shots/ccd", patterns())
    put(f, "shots/py_um", y)
    put(f, "shots/px_um", x)
    put(f, "shots/badpixels", bad_pixels())
    f["shots"].attrs.update(E_eV=ENERGY_EV, dist_mm=50.0, pix_um=24.0, i_am_a_comment="hello", run=np.int64(7))
    f["shots"].attrs.update(beam_rc=[15.0, 21.0], full_scale=65535, adu_per_photon=3.5, dwell_ms=20.0)
    return {
        "frames": {"frames": "/shots/ccd"},
        "positions": {"y": "/shots/py_um in um", "x": "/shots/px_um in um"},
        "energy": {"energy": "/shots@E_eV in eV"},
        "distance": {"distance": "/shots@dist_mm in mm"},
        "pixel size": {"pixel_size": "/shots@pix_um in um"},
        "mask": {"mask": "/shots/badpixels", "mask_bad": "nonzero"},
        "beam centre": {"beam_centre": "/shots@beam_rc"},
        "saturation": {"saturation": "/shots@full_scale"},
        "counts per photon": {"counts_per_photon": "/shots@adu_per_photon"},
        "exposure": {"exposure": "/shots@dwell_ms in ms"},
    }


def table_of_three_columns(f: h5py.File) -> Truth:
    y, x = walk_um()
    put(f, "scan/pos", np.stack([x, y, np.full(N, 3.5)], 1), "um", labels="x, y, z")
    put(f, "camera/images", patterns())
    put(f, "camera/background", RNG.poisson(0.1, (5, H, W)).astype(np.uint16))
    put(f, "camera/flatfield", RNG.uniform(0.9, 1.1, (H, W)))
    put(f, "camera/good", 1 - bad_pixels())
    put(f, "camera/distance", 50.0, "mm")
    put(f, "camera/pixel_size", [24.0, 24.0], "um")
    put(f, "camera/beam_xy", [21.0, 15.0])
    put(f, "camera/temperature", RNG.normal(-40, 0.1, N), "degC")
    put(f, "mono/energy", ENERGY_EV, "eV")
    put(f, "log/i0", RNG.normal(1000, 10, N))
    put(f, "log/time", np.arange(N) * 0.5, "s")
    put(f, "log/humidity", RNG.normal(30, 1, N))
    put(f, "xrf/spectra", RNG.poisson(5, (N, 512)).astype(np.uint32))
    return {
        "frames": {"frames": "/camera/images"},
        "positions": {"y": "/scan/pos[:,1]", "x": "/scan/pos[:,0]"},
        "energy": {"energy": "/mono/energy"},
        "distance": {"distance": "/camera/distance"},
        "pixel size": {"pixel_size_y": "/camera/pixel_size[0]", "pixel_size_x": "/camera/pixel_size[1]"},
        "dark": {"dark": "/camera/background"},
        "flat": {"flat": "/camera/flatfield"},
        "mask": {"mask": "/camera/good", "mask_bad": "zero"},
        "monitor": {"monitor": "/log/i0"},
        "beam centre": {"beam_centre_y": "/camera/beam_xy[1]", "beam_centre_x": "/camera/beam_xy[0]"},
    }


def rows_and_a_wavelength(f: h5py.File) -> Truth:
    y, x = walk_um()
    put(f, "stage/xy_mm", np.stack([x, y]) * 1e-3)
    put(f, "ccd/data", patterns())
    put(f, "ccd/dead", bad_pixels())
    put(f, "vlm/frames", RNG.integers(0, 255, (N, 16, 16)).astype(np.uint8))
    put(f, "thumbs/preview", RNG.integers(0, 255, (N, 8, 8)).astype(np.uint8))
    f.attrs.update(lambda_nm=1239.841984 / ENERGY_EV, camera_length_m=DISTANCE_M, pixel_pitch_m=PIXEL_M)
    return {
        "frames": {"frames": "/ccd/data"},
        "positions": {"y": "/stage/xy_mm[1] in mm", "x": "/stage/xy_mm[0] in mm"},
        "energy": {"wavelength": "/@lambda_nm in nm"},
        "distance": {"distance": "/@camera_length_m in m"},
        "pixel size": {"pixel_size": "/@pixel_pitch_m in m"},
        "mask": {"mask": "/ccd/dead", "mask_bad": "nonzero"},
    }


def grid_with_axes(f: h5py.File) -> Truth:
    put(f, "raster/diffraction", patterns(42).reshape(6, 7, H, W))
    put(f, "raster/piezo_y", 0.4 * np.arange(6), "um")
    put(f, "raster/piezo_x", 0.4 * np.arange(7), "um")
    put(f, "raster/fluorescence", RNG.poisson(3, (6, 7, 256)).astype(np.uint16))
    put(f, "raster/ring_current", np.linspace(300, 299, 42).reshape(6, 7))
    put(f, "beam/photon_energy", 0.71)
    put(f, "setup/det_z", 0.05)
    put(f, "setup/pixel_pitch", 2.4e-5)
    return {
        "frames": {"frames": "/raster/diffraction"},
        "positions": {"y": "/raster/piezo_y", "x": "/raster/piezo_x"},
        "energy": {"energy": "/beam/photon_energy in keV"},
        "distance": {"distance": "/setup/det_z in m"},
        "pixel size": {"pixel_size": "/setup/pixel_pitch in m"},
        "monitor": {"monitor": "/raster/ring_current"},
    }


def table_of_records(f: h5py.File) -> Truth:
    y, x = walk_um()
    table = np.zeros(N, dtype=[("index", "i4"), ("sx", "f8"), ("sy", "f8"), ("mon", "f8"), ("temp", "f8")])
    table["index"], table["sx"], table["sy"] = np.arange(N), x * 1e-6, y * 1e-6
    table["mon"], table["temp"] = RNG.normal(5e4, 200, N), RNG.normal(21, 0.1, N)
    put(f, "run/table", table)
    put(f, "run/pattern", patterns().astype(np.float32))
    put(f, "run/pattern_dark", RNG.normal(0, 0.1, (H, W)).astype(np.float32))
    put(f, "run/energy_threshold", 0.35, "keV")
    put(f, "run/x_ray_energy", 0.71, "keV")
    put(f, "run/sample_detector_distance", 5.0, "cm")
    put(f, "run/source_distance", 22.0, "m")
    put(f, "run/detector_pixel_size", 24.0, "micron")
    put(f, "run/exposure_time", 0.02, "s")
    put(f, "run/exposure_start", 1.7e9, "s")
    return {
        "frames": {"frames": "/run/pattern"},
        "positions": {"y": "/run/table:sy in m", "x": "/run/table:sx in m"},
        "energy": {"energy": "/run/x_ray_energy"},
        "distance": {"distance": "/run/sample_detector_distance"},
        "pixel size": {"pixel_size": "/run/detector_pixel_size"},
        "dark": {"dark": "/run/pattern_dark"},
        "monitor": {"monitor": "/run/table:mon"},
        "exposure": {"exposure": "/run/exposure_time"},
    }


def camel_case_and_set_points(f: h5py.File) -> Truth:
    y, x = walk_um()
    put(f, "Data/Frames", patterns())
    for name, values in (("stageX", x), ("stageY", y)):
        put(f, f"Data/{name}Enc_nm", np.rint(values * 1e3).astype(np.int32))
        put(f, f"Data/{name}Set_nm", np.rint(values * 10) * 100)
    put(f, "Data/Mask", 1 - bad_pixels())
    f["Data"].attrs.update(Energy_eV=ENERGY_EV, StorageRingEnergy_GeV=2.4, CameraLength_m=DISTANCE_M)
    f["Data"].attrs["PixelPitch_um"] = 24.0
    f["Data"].attrs.update(DwellTime_ms=20.0, FullWell=60000.0, DetectorTemp_C=-60.0, ZonePlateDiameter_um=120.0)
    f["Data"].attrs.update(OutermostZoneWidth_nm=50.0, CentralStopDiameter_um=48.0, Defocus_um=30.0)
    return {
        "frames": {"frames": "/Data/Frames"},
        "positions": {"y": "/Data/stageYEnc_nm in nm", "x": "/Data/stageXEnc_nm in nm"},
        "energy": {"energy": "/Data@Energy_eV in eV"},
        "distance": {"distance": "/Data@CameraLength_m in m"},
        "pixel size": {"pixel_size": "/Data@PixelPitch_um in um"},
        "mask": {"mask": "/Data/Mask", "mask_bad": "zero"},
        "exposure": {"exposure": "/Data@DwellTime_ms in ms"},
        "saturation": {"saturation": "/Data@FullWell"},
        "zone plate diameter": {"zone_plate_diameter": "/Data@ZonePlateDiameter_um in um"},
        "outer zone": {"outer_zone": "/Data@OutermostZoneWidth_nm in nm"},
        "stop fraction": {"stop_diameter": "/Data@CentralStopDiameter_um in um"},
        "defocus": {"defocus": "/Data@Defocus_um in um"},
    }


def nothing_has_a_telling_name(f: h5py.File) -> Truth:
    y, x = walk_um()
    for name, value in (("a", patterns()), ("b", patterns()), ("m1", y), ("m2", x), ("v", 0.71), ("w", 50.0)):
        put(f, f"d/{name}", value)
    return {}


def two_cameras_alike(f: h5py.File) -> Truth:
    y, x = walk_um()
    put(f, "upstream/camera1", patterns())
    put(f, "upstream/camera2", patterns())
    put(f, "motors/samx", x, "um")
    put(f, "motors/samy", y, "um")
    put(f, "motors/slitx", RNG.normal(0, 1, N), "um")
    put(f, "motors/slity", RNG.normal(0, 1, N), "um")
    put(f, "energy", ENERGY_EV, "eV")
    return {"energy": {"energy": "/energy"}}


def many_decoys(f: h5py.File) -> Truth:
    y, x = walk_um()
    put(f, "expt/det/stack", patterns())
    put(f, "expt/det/sum_image", np.ones((H, W)))
    put(f, "expt/det/offsets", RNG.normal(0, 0.1, (H, W)))
    put(f, "expt/det/noise_sigma", RNG.uniform(0.5, 1, (H, W)))
    put(f, "expt/det/dist", 0.05, "m")
    put(f, "expt/det/pixel_size_x", 24e-6, "m")
    put(f, "expt/det/pixel_size_y", 24e-6, "m")
    put(f, "expt/det/n_pixels", 1280)
    put(f, "expt/det/gain", 1.7)
    put(f, "expt/det/threshold_energy", 350.0, "eV")
    put(f, "expt/det/max_adu", 12.0)  # below the counts: no saturation level
    put(f, "expt/overview/camera", RNG.integers(0, 255, (4, 480, 640)).astype(np.uint8))
    put(f, "expt/overview/pixel_size", 3.45, "um")
    put(f, "expt/optics/undulator_energy", 705.0, "eV")
    put(f, "expt/optics/edge_energy", 708.0, "eV")
    put(f, "expt/optics/energy", ENERGY_EV, "eV")
    put(f, "expt/optics/zp_distance", 3.4, "mm")
    put(f, "expt/optics/osa_distance", 1.1, "mm")
    put(f, "expt/stage/sample_x", x, "um")
    put(f, "expt/stage/sample_y", y, "um")
    put(f, "expt/stage/sample_z", np.full(N, 12.0), "um")
    put(f, "expt/stage/tilt_x", RNG.normal(0, 1e-3, N), "um")
    put(f, "expt/stage/tilt_y", RNG.normal(0, 1e-3, N), "um")
    put(f, "expt/stage/coarse_x", np.full(N, 2.0), "mm")
    put(f, "expt/stage/coarse_y", np.full(N, 1.0), "mm")
    put(f, "expt/log/cryo_temperature", RNG.normal(90, 1, N))
    put(f, "expt/log/diode", RNG.normal(2e-6, 1e-8, N))
    put(f, "expt/log/timestamps", 1.7e9 + np.arange(N))
    return {
        "frames": {"frames": "/expt/det/stack"},
        "positions": {"y": "/expt/stage/sample_y", "x": "/expt/stage/sample_x"},
        "energy": {"energy": "/expt/optics/energy"},
        "distance": {"distance": "/expt/det/dist"},
        "pixel size": {"pixel_size_y": "/expt/det/pixel_size_y", "pixel_size_x": "/expt/det/pixel_size_x"},
        "dark": {"dark": "/expt/det/offsets"},
        "monitor": {"monitor": "/expt/log/diode"},
    }


def aborted(f: h5py.File) -> Truth:
    y, x = walk_um(48)
    put(f, "acq/img", patterns(N))
    put(f, "acq/pos_y", y, "um")
    put(f, "acq/pos_x", x, "um")
    put(f, "acq/energy", ENERGY_EV, "eV")
    put(f, "acq/distance", 50.0, "mm")
    put(f, "acq/pixel", 24.0, "um")
    return {
        "frames": {"frames": "/acq/img"},
        "positions": {"y": "/acq/pos_y", "x": "/acq/pos_x"},
        "energy": {"energy": "/acq/energy"},
        "distance": {"distance": "/acq/distance"},
        "pixel size": {"pixel_size": "/acq/pixel"},
    }


ZOO: tuple[Callable[[h5py.File], Truth], ...] = (
    *(numbers_in_attributes, table_of_three_columns, rows_and_a_wavelength, grid_with_axes, table_of_records),
    *(camel_case_and_set_points, nothing_has_a_telling_name, two_cameras_alike, many_decoys, aborted),
)


def make(folder: Path, build: Callable[[h5py.File], Truth]) -> tuple[Path, Truth]:
    """Write one file; returns it and its truth."""
    path = folder / f"{build.__name__}.h5"
    with h5py.File(path, "w") as f:
        truth = build(f)
    return path, truth
