"""Shared fixtures; long tests run only when asked for."""

from __future__ import annotations

import os
import subprocess
from pathlib import Path

import pytest

from cli.conftest import SampleReview, arguments, environment

ROOT = Path(__file__).resolve().parent.parent


def pytest_addoption(parser: pytest.Parser) -> None:
    parser.addoption("--run-slow", action="store_true", help="also run the long benchmarks and sweeps")


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    if config.getoption("--run-slow"):
        return
    skip = pytest.mark.skip(reason="long; run with --run-slow")
    for item in items:
        if "slow" in item.keywords:
            item.add_marker(skip)


@pytest.fixture(scope="session")
def outside_data() -> Path:
    """Folder of real photographs beside the checkout; the test is skipped where it is absent."""
    folder = Path(os.environ.get("WINDSTILL_OUTSIDE_DATA", ROOT.parent / "shared" / "data"))
    if not folder.is_dir():
        pytest.skip("no folder of real photographs beside the checkout (set WINDSTILL_OUTSIDE_DATA)")
    return folder


@pytest.fixture(scope="session")
def sample_shoot() -> Path:
    """The committed sample shoot."""
    return ROOT / "sample_data" / "cliff-thrift"


@pytest.fixture(scope="session")
def sample_review(sample_shoot: Path, tmp_path_factory: pytest.TempPathFactory) -> SampleReview:
    """The one review of the sample shoot that nothing is known of before; its cache makes every other one short."""
    base = tmp_path_factory.mktemp("sample-review")
    run = subprocess.run(
        arguments(["review", sample_shoot, "--out", base / "out"]), env=environment(base / "cache"),
        capture_output=True, text=True, check=True, timeout=240,
    )  # fmt: skip
    return SampleReview(base / "out", base / "cache", run.stdout)
