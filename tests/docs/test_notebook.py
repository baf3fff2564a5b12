"""The example notebook runs from top to bottom on the sample shoot."""

from __future__ import annotations

from pathlib import Path

import nbformat
import pytest
from nbclient import NotebookClient

from docs.conftest import Sample

NOTEBOOK = Path(__file__).resolve().parents[2] / "docs" / "notebook" / "an-evening.ipynb"


def test_the_notebook_runs_and_draws(sample: Sample, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("WINDSTILL_CACHE", str(sample.cache))
    notebook = nbformat.read(NOTEBOOK, as_version=4)
    nbformat.validate(notebook)
    NotebookClient(
        notebook, timeout=240, kernel_name="python3", resources={"metadata": {"path": str(NOTEBOOK.parent)}}
    ).execute()
    outputs = [output for cell in notebook.cells if cell.cell_type == "code" for output in cell.outputs]
    assert not [output for output in outputs if output.output_type == "stream" and output.name == "stderr"]
    kinds = [kind for output in outputs for kind in output.get("data", {})]
    assert "image/png" in kinds
    assert kinds.count("text/html") >= 3  # tables
    said = "".join(output.get("text", "") for output in outputs)
    assert "THRF0016: smeared by" in said


def test_the_notebook_is_kept_without_outputs() -> None:
    """Outputs go stale and hold paths of the machine they were made on."""
    notebook = nbformat.read(NOTEBOOK, as_version=4)
    assert all(not cell.outputs and cell.execution_count is None for cell in notebook.cells if cell.cell_type == "code")
