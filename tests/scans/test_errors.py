"""The error for wrong input passes between processes whole; `pickle` is the standard library's."""

from __future__ import annotations

import pickle

from scans.errors import InputError


def test_an_error_is_pickled_with_its_four_parts():
    error = InputError("-3 m", where="scan.h5::/distance", expected="a positive distance", fix="Correct it.")
    again = pickle.loads(pickle.dumps(error))
    assert (again.found, again.where, again.expected, again.fix) == (
        "-3 m",
        "scan.h5::/distance",
        "a positive distance",
        "Correct it.",
    )
    assert str(again) == str(error)
