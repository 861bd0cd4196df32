from __future__ import annotations

import h5py
import numpy as np
import pytest

from scans.errors import InputError
from scans.formats.units import (
    are_plausible_positions,
    decode,
    implausible,
    normalise_unit,
    plausible_position_units,
    unit_factor,
)


# SI prefixes (SI brochure, 9th ed., table 7); 1 angstrom = 1e-10 m; 1 eV = 1.602176634e-19 J (CODATA 2018)
@pytest.mark.parametrize(
    ("text", "kind", "factor"),
    [
        ("m", "length", 1.0),
        ("mm", "length", 1e-3),
        ("um", "length", 1e-6),
        ("\u00b5m", "length", 1e-6),
        ("\u03bcm", "length", 1e-6),
        (" Microns ", "length", 1e-6),
        ("nm", "length", 1e-9),
        ("\u00c5", "length", 1e-10),
        ("A", "length", 1e-10),
        ("Angstrom", "length", 1e-10),
        ("eV", "energy", 1.0),
        ("KEV", "energy", 1e3),
        ("J", "energy", 1 / 1.602176634e-19),
        ("ms", "time", 1e-3),
    ],
)
def test_units_are_read_in_every_common_spelling(text, kind, factor):
    assert unit_factor(text, kind, where="x") == pytest.approx(factor, rel=1e-15)


def test_micro_sign_comes_as_utf8_and_as_latin1():
    assert normalise_unit(decode(b"\xce\xbcm")) == normalise_unit(decode(b"\xb5m")) == "um"


def test_text_may_be_wrapped_in_an_array_or_padded():
    assert decode(np.array([b"NXentry\x00"])) == "NXentry"
    assert decode(np.array([], dtype="S1")) == ""


def test_milli_electronvolt_is_not_mega():
    with pytest.raises(InputError, match="unit 'meV'"):
        unit_factor("meV", "energy", where="f::/energy", option="scan.energy_ev=VALUE")


def test_unit_of_another_kind_is_refused_with_the_option_to_use():
    with pytest.raises(InputError, match=r"f::/x: unit 's'.*-s scan\.position_unit=um"):
        unit_factor("s", "length", where="f::/x", option="scan.position_unit=um")


@pytest.mark.parametrize(
    ("value", "raw", "fix"),
    [
        (1.2817413072e-16, 1.2817413072e-16, r"is in J, give -s scan\.energy_ev=800\."),
        (0.8, 0.8, r"is in keV, give -s scan\.energy_ev=800\."),
        (5e21, 800.0, r"is in eV, give -s scan\.energy_ev=800\."),
        (0.0, 0.0, r"-s scan\.energy_ev=VALUE"),
        (float("nan"), None, r"-s scan\.energy_ev=VALUE"),
    ],
)
def test_an_implausible_energy_names_the_unit_in_which_it_makes_sense(value, raw, fix):
    problem = implausible("energy_ev", value, where="f::/energy", raw=raw)
    assert problem is not None
    with pytest.raises(InputError, match=fix):
        raise problem


def test_plausible_values_pass():
    assert implausible("energy_ev", 707.0, where="") is None
    assert implausible("distance_m", 0.05, where="") is None


def test_positions_fit_one_unit_or_several():
    walk = np.stack([np.arange(30) * 1.0, np.zeros(30)], axis=1)
    assert plausible_position_units(walk * 2e-7) == ["m"]  # 300 nm steps; nothing else gives 1 nm .. 1 mm
    assert plausible_position_units(walk) == ["mm", "um", "nm"]
    assert not are_plausible_positions(walk)  # 29 m wide
    assert not are_plausible_positions(walk * 0)


# spellings met in files, beyond those above
@pytest.mark.parametrize(
    ("text", "name"),
    [
        ("\u00b5m", "um"),
        ("\u03bcm", "um"),
        ("\u039cM", "um"),  # the Greek letter's capital, from upper-casing
        ("\u00b5rad", "urad"),
        ("\u00b5s", "us"),
        ("micrometers", "um"),
        ("Nanometre", "nm"),
        ("Millimeters", "mm"),
        ("\u212b", "angstrom"),  # angstrom sign, one character of its own
        ("px", "pixel"),
        ("Pixels", "pixel"),
        ("degrees", "deg"),
        ("\u00b0", "deg"),
        ("milliseconds", "ms"),
        ("um.", "um"),
        ("mA", "mA"),  # kept: no unit of ours
        (" ", ""),
    ],
)
def test_spellings_of_one_unit(text, name):
    assert normalise_unit(text) == name


@pytest.mark.parametrize(
    ("raw", "name"), [(b"\xb5rad", "urad"), (b"\xce\xbcrad", "urad"), ("\udcb5m", "um"), (b"\xb0", "deg")]
)
def test_latin_1_however_it_comes(raw, name):
    # bytes; text that HDF5 calls UTF-8 and is not, which h5py passes through as surrogates
    assert normalise_unit(decode(raw)) == name


def test_a_unit_written_as_latin_1_by_a_file(tmp_path):
    with h5py.File(tmp_path / "a.h5", "w") as f:
        f["x"] = 1.0
        f["x"].attrs.create("units", b"\xb5m", dtype=h5py.string_dtype("utf-8", 2))
        f["x"].attrs["other"] = np.bytes_(b"\xb5m")
    with h5py.File(tmp_path / "a.h5") as f:
        assert normalise_unit(decode(f["x"].attrs["units"])) == "um"
        assert normalise_unit(decode(f["x"].attrs["other"])) == "um"


@pytest.mark.parametrize(
    ("text", "factor"),
    # SI brochure, 9th ed., table 8: 1 degree = pi/180 rad, 1' = pi/10800, 1" = pi/648000
    [("deg", np.pi / 180), ("mrad", 1e-3), ("\u00b5rad", 1e-6), ("arcsec", np.pi / 648000), ("rad", 1.0)],
)
def test_angles(text, factor):
    assert unit_factor(text, "angle", where="x") == pytest.approx(factor, rel=1e-15)


@pytest.mark.parametrize("text", ["counts", "steps", "Pulses", "encoder_counts", "count"])
def test_stage_counts_are_no_length_and_the_error_says_what_is_needed(text):
    with pytest.raises(InputError, match=rf"f::/x: unit '{text}': .*metres a count.*-s scan\.position_scale_m=METRES"):
        unit_factor(text, "length", where="f::/x", option="scan.position_unit=um")


def test_electrons_are_told_apart():
    # electron microscopes run at 60 to 300 kV (common practice, no source)
    assert "electron" in implausible("energy_ev", 3e5, where="x").fix
    assert "electron" not in implausible("energy_ev", 1e-3, where="x").fix
