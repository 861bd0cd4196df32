"""Our NeXus files against the published application definition NXcxi_ptycho.

The validator and the definitions are those of the package nexusformat (version in the `test` extra), offline.
The definition has defects, which its own text proves; the test pins what they lead to:

- ``source_1/probe`` and ``source_1/type`` are typed NX_FLOAT, though both are words (base class NXsource: NX_CHAR);
- ``data`` is typed NX_INT, though its own examples hold floats;
- NXdata, ``data_1`` and ``sample_1`` stand outside ``entry_1``, so that no validator looks at them there. A copy of
  the definition with them inside (nothing else about them changed) is therefore used as well.
"""

from __future__ import annotations

import logging
import re
import xml.etree.ElementTree as ET
from importlib import resources

import h5py
import numpy as np
import pytest
from nexusformat.nexus.utils import get_logger
from nexusformat.nexus.validate import validate_application
from test_formats_writing import full_scan

from scans.formats import load, write
from scans.preparation import prepare
from scans.scan import Orientation

NXDL = "{http://definition.nexusformat.org/nxdl/3.1}"
PUBLISHED = resources.files("nexusformat") / "definitions/contributed_definitions/NXcxi_ptycho.nxdl.xml"
TYPED_FLOAT = {
    ("/entry_1/instrument_1/source_1/probe", "The field value is not a valid NX_FLOAT"),
    ("/entry_1/instrument_1/source_1/type", "The field value is not a valid NX_FLOAT"),
}
TYPED_INT = ("/entry_1/instrument_1/detector_1/data", "This field is not a valid NX_INT")


@pytest.fixture(scope="module")
def repaired(tmp_path_factory):
    """The definition with the three groups inside the entry, and words and counts typed as what they are."""
    ET.register_namespace("", NXDL.strip("{}"))
    tree = ET.parse(str(PUBLISHED))
    root = tree.getroot()
    entry, *outside = root.findall(f"{NXDL}group")
    assert [g.get("type") for g in outside] == ["NXdata", "NXcollection", "NXsample"]
    for group in outside:
        root.remove(group)
        entry.append(group)
    types = {"probe": "NX_CHAR", "type": "NX_CHAR", "data": "NX_NUMBER"}
    for item in entry.iter(f"{NXDL}field"):
        item.set("type", types.get(item.get("name"), item.get("type", "NX_CHAR")))
    path = tmp_path_factory.mktemp("definition") / "NXcxi_ptycho.nxdl.xml"
    tree.write(path)
    return path


def findings(path, definition=None):
    """Every warning and error as (HDF5 path or group, message)."""
    records: list[str] = []

    class Listener(logging.Handler):
        def emit(self, record):
            records.append(re.sub(r"\x1b\[[0-9;]*m", "", record.getMessage()))

    logger, listener = get_logger(), Listener(level=logging.DEBUG)
    before, logger.level = logger.level, logging.WARNING
    logger.addHandler(listener)
    try:
        totals = validate_application(str(path), application=None if definition is None else str(definition))
    finally:
        logger.removeHandler(listener)
        logger.level = before
    assert totals is not None, records
    found, place = set(), ""
    for line in (r.strip() for r in records):
        if match := re.match(r"(Field|Link|Group): (.*)", line):
            place = match[2]
        elif re.match(r"(This|The|Values|\"|Units)", line) and "Definition" not in line and "application" not in line:
            found.add((place, line))
    assert len(found) == sum(totals), (records, totals)
    return found


def scans():
    yield "integers", full_scan(Orientation())
    yield "turned", full_scan()
    yield "floats", full_scan(frames=np.ones((12, 16, 20), np.float32))
    bare = dict.fromkeys(
        ("mask", "dark", "flat", "monitor", "zone_plate", "beam_centre_px", "exposure_s", "saturation", "read_noise")
    )
    yield "bare", full_scan(Orientation(), title="", prepared=(), **bare)
    raw = dict.fromkeys(("dark", "dark_exposures_s", "flat", "exposures_s"))
    yield "prepared", prepare(full_scan(Orientation(), prepared=(), **raw), size=12).as_scan()


@pytest.fixture(scope="module", params=list(scans()), ids=lambda p: p[0])
def written(request, tmp_path_factory):
    kind, scan = request.param
    return kind, write(tmp_path_factory.mktemp("nexus") / f"{kind}.nxs", scan)


def test_only_the_definitions_own_defects_are_found(written):
    kind, path = written
    with h5py.File(path) as f:
        floats = f["entry_1/instrument_1/detector_1/data"].dtype.kind == "f"
    assert floats or kind != "floats"
    expected = TYPED_FLOAT | ({TYPED_INT} if floats else set())
    assert findings(path) == expected


def test_nothing_is_found_once_the_definition_is_repaired(written, repaired):
    assert findings(written[1], repaired) == set()


def required_attributes(group, path=""):
    """(field, attribute) pairs that the definition calls required: optional="false"."""
    for item in group:
        name = item.get("name") or item.get("type", "")
        if item.tag in (f"{NXDL}group", f"{NXDL}field"):
            yield from required_attributes(item, f"{path}/{name}")
        elif item.tag == f"{NXDL}attribute" and item.get("optional") == "false":
            yield path, name


def test_required_attributes_are_there(written, repaired):
    """The validator looks at fields and groups only; the definition also requires attributes."""
    pairs = list(required_attributes(ET.parse(repaired).getroot()))
    assert ("/entry_1/instrument_1/detector_1/translation", "units") in pairs
    with h5py.File(written[1]) as f:
        for path, name in pairs:
            path = path.replace("NXdata", "data")
            if path in f:  # optional fields may be absent
                assert name in f[path].attrs, (path, name)


REQUIRED = (
    *("definition", "instrument_1/source_1/name", "instrument_1/source_1/energy"),
    *("instrument_1/beam_1/incident_energy_spread", "instrument_1/detector_1/translation"),
    *("instrument_1/detector_1/distance", "instrument_1/detector_1/data_1", "instrument_1/detector_1"),
    *("instrument_1/detector_1/transformations/vector", "sample_1", "data_1", "data/x_indices", "data/x"),
)


@pytest.mark.parametrize("name", REQUIRED)
def test_the_validator_rejects_a_file_that_lacks_something(tmp_path, repaired, name):
    path = write(tmp_path / "run.nxs", full_scan(Orientation()))
    with h5py.File(path, "r+") as f:
        del f[f"entry_1/{name}"]
    found = findings(path, repaired)
    assert any("required" in text or "broken link" in text for _, text in found), found


def test_the_validator_rejects_a_wrong_definition(tmp_path, repaired):
    path = write(tmp_path / "run.nxs", full_scan(Orientation()))
    with h5py.File(path, "r+") as f:
        del f["entry_1/definition"]
        f["entry_1/definition"] = "NXptycho"
    assert ("/entry_1/definition", "The field value is not a member of the enumerated list") in findings(path, repaired)


def test_what_is_not_known_is_not_invented(tmp_path):
    path = write(tmp_path / "run.nxs", full_scan(Orientation()))
    with h5py.File(path) as f:
        source, beam = f["entry_1/instrument_1/source_1"], f["entry_1/instrument_1/beam_1"]
        assert np.isnan(source["energy"][()])
        assert np.isnan(beam["incident_energy_spread"][()])
        assert source["name"].asstr()[()] == source["type"].asstr()[()] == "unknown"
    assert load(path).geometry.energy_ev == 707.3
