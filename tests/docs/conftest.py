"""One review of the sample shoot for everything the documentation shows of it."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest

import windstill
from cli.conftest import SampleReview


@dataclass(frozen=True)
class Sample:
    """The sample shoot reviewed: as a library gives it, and as files."""

    shoot: windstill.ReviewedShoot
    out: Path
    cache: Path


@pytest.fixture(scope="session")
def sample(
    sample_shoot: Path, sample_review: SampleReview, tmp_path_factory: pytest.TempPathFactory
) -> Iterator[Sample]:
    out = tmp_path_factory.mktemp("sample") / "out"
    with windstill.review(sample_shoot, out, cache=sample_review.cache) as shoot:
        yield Sample(shoot, out, sample_review.cache)
