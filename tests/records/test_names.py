"""Names in tables split and read back exactly."""

from __future__ import annotations

import os

from hypothesis import given
from hypothesis import strategies as st

from windstill.records import decode_name, encode_name


@given(st.binary(min_size=1, max_size=60))
def test_any_file_name_reads_back(raw: bytes) -> None:
    name = os.fsdecode(raw)
    cell = encode_name(name)
    assert decode_name(cell) == name
    assert not set(";>") & set(cell)
    assert cell[0] not in "=+-@'"
    assert all(ord(c) >= 32 for c in cell)
    cell.encode("utf-8")


def test_plain_names_stay_readable() -> None:
    assert encode_name("DCIM/101CLIFF/THRF0007 å.JPG") == "DCIM/101CLIFF/THRF0007 å.JPG"
    assert encode_name("100%;a>b") == "100%25%3Ba%3Eb"
    assert encode_name("=1+1.jpg") == "%3D1+1.jpg"
