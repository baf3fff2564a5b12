"""One review of the sample shoot for everything the documentation shows of it."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest

import windstill


@dataclass(frozen=True)
class Sample:
    """The sample shoot reviewed: as a library gives it, and as files."""

    shoot: windstill.ReviewedShoot
    out: Path
    cache: Path


@pytest.fixture(scope="session")
def sample(sample_shoot: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Sample]:
    base = tmp_path_factory.mktemp("sample")
    with windstill.review(sample_shoot, base / "out", cache=base / "cache") as shoot:
        yield Sample(shoot, base / "out", base / "cache")
