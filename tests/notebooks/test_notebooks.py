"""Notebooks carry no stored outputs and run from top to bottom on the co-operative's log."""

from __future__ import annotations

from pathlib import Path

import nbformat
import pytest
from nbclient import NotebookClient

from tests.shops import exports

ALL = sorted((Path(__file__).parents[2] / "notebooks").glob("*.ipynb"))

NOTEBOOKS = [path if path.stem == "lead" else pytest.param(path, marks=pytest.mark.slow) for path in ALL]
"""One runs with every change, all in the slow lane; what stands in them is looked at every time."""


OWN = {"proof": "sessions = 900\nworkshops = 1\nproof_folder = None"}
"""What is changed for a reader's own: the exports, or the size of the simulated workshops."""


def test_there_is_one_for_each_reader_and_one_on_the_method() -> None:
    assert [path.stem for path in ALL] == ["analyst", "lead", "proof", "trainer"]


@pytest.mark.parametrize("path", ALL, ids=lambda p: p.stem)
def test_it_goes_from_a_question_to_a_decision(path: Path) -> None:
    texts = [cell.source for cell in nbformat.read(path, as_version=4).cells if cell.cell_type == "markdown"]
    assert any("?" in text for text in texts)
    assert "## What to decide" in texts[-1] + texts[-2]


@pytest.mark.parametrize("path", ALL, ids=lambda p: p.stem)
def test_nothing_that_ran_is_stored(path: Path) -> None:
    for cell in nbformat.read(path, as_version=4).cells:
        if cell.cell_type == "code":
            assert cell.outputs == []
            assert cell.execution_count is None


@pytest.mark.parametrize("path", ALL, ids=lambda p: p.stem)
def test_the_cautions_stand_at_the_top(path: Path) -> None:
    first = nbformat.read(path, as_version=4).cells[0].source
    assert "Brakes are safety parts" in first
    assert "qualified mechanic" in first


@pytest.mark.parametrize("path", ALL, ids=lambda p: p.stem)
def test_it_uses_no_private_name_and_defines_nothing(path: Path) -> None:
    code = [cell.source for cell in nbformat.read(path, as_version=4).cells if cell.cell_type == "code"]
    assert not any("def " in text or "class " in text or "._" in text or "import _" in text for text in code)


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda p: p.stem)
def test_it_runs_from_top_to_bottom_with_one_cell_changed(path: Path) -> None:
    book = nbformat.read(path, as_version=4)
    at = next(i for i, cell in enumerate(book.cells) if "parameters" in cell.metadata.get("tags", []))
    own = OWN.get(path.stem) or f"exports = [{str(exports())!r}]\nmap_path, as_of = None, None"
    book.cells.insert(at + 1, nbformat.v4.new_code_cell(own, id="injected"))
    NotebookClient(
        book, timeout=300, kernel_name="python3", resources={"metadata": {"path": str(path.parent)}}
    ).execute()
    pictures = [out for cell in book.cells for out in cell.get("outputs", []) if "image/svg+xml" in out.get("data", {})]
    assert pictures
