"""The notebook runs on the tables of the sample shop, from an empty start, and shows what the truth says."""

from __future__ import annotations

import base64
import json
from pathlib import Path

import pytest

NOTEBOOK = Path(__file__).parent.parent / "notebooks" / "first_look.ipynb"

nbclient = pytest.importorskip("nbclient", reason="nbclient runs the notebook")
nbformat = pytest.importorskip("nbformat", reason="nbformat reads the notebook")
pytest.importorskip("ipykernel", reason="ipykernel runs the notebook's code")


def test_the_notebook_is_kept_without_output() -> None:
    cells = json.loads(NOTEBOOK.read_text(encoding="utf-8"))["cells"]
    code = [cell for cell in cells if cell["cell_type"] == "code"]
    assert len(code) >= 3
    assert all(cell["outputs"] == [] and cell["execution_count"] is None for cell in code)


def test_the_notebook_runs_and_its_drift_is_that_of_the_truth(sample_shop: Path) -> None:
    notebook = nbformat.read(NOTEBOOK, as_version=4)
    notebook.cells.append(nbformat.v4.new_code_cell("print(air.to_json(orient='records'))"))
    client = nbclient.NotebookClient(
        notebook, timeout=120, kernel_name="python3", resources={"metadata": {"path": str(sample_shop.parent)}}
    )
    client.execute()
    outputs = [output for cell in notebook.cells if cell.cell_type == "code" for output in cell.outputs]
    pictures = [o["data"]["image/png"] for o in outputs if "image/png" in o.get("data", {})]
    assert [base64.b64decode(p)[:8] for p in pictures] == [b"\x89PNG\r\n\x1a\n"]
    drift = json.loads("".join(o["text"] for o in outputs if o.output_type == "stream" and o["text"][0] == "["))
    # the sound hole is opened in five cuts, each of which lifts the air by 36 to 44 cents (sample_data/README.md)
    cuts = [row for row in drift if "step" in row["to_stage"]]
    assert [row["verdict"] for row in cuts] == ["up"] * 5
    for row in drift:
        assert row["freq_change_cents"] == pytest.approx(row["freq_change_cents_true"], abs=1.5)
