"""Notebooks carry no stored outputs, run from top to bottom on the co-operative's log, and show the figures of the pages."""

from __future__ import annotations

import ast
import json
import subprocess
import sys
from dataclasses import replace
from functools import cache
from pathlib import Path
from tempfile import mkdtemp

import nbformat
import polars as pl
import pytest
from IPython.core.completer import provisionalcompleter
from IPython.core.interactiveshell import InteractiveShell
from nbclient import NotebookClient

import analysis
import rebleed
from analysis import charts
from analysis.audit_options import AuditOptions
from analysis.commands.audit_folder import AuditResult
from analysis.commands.demo import DEMO_SEED, EXPORT_FORMAT, LAST_MONTH, act_on_list, write_notebooks
from analysis.commands.run_audit import audit_exports
from analysis.intake import propose_map
from synthetic import CO_OPERATIVE, EXPORT_FORMATS, co_operative, write_export
from tests.shops import exports

ALL = sorted((Path(__file__).parents[2] / "notebooks").glob("*.ipynb"))
NAMES = ["analyst", "gallery", "lead", "methods", "proof", "trainer", "your_own_analysis"]
OF_A_LOG = [path for path in ALL if path.stem not in ("methods", "proof")]
NOTEBOOKS = [path if path.stem in ("lead", "methods") else pytest.param(path, marks=pytest.mark.slow) for path in ALL]
"""Two run with every change, all in the slow lane; what is in them is looked at every time."""
PACKAGES = [Path(analysis.__file__).parent, Path(rebleed.__file__).parent]
SAVED_BYTES = 300_000
OWN = {"proof": "sessions = 900\nworkshops = 1\nproof_folder = None", "methods": "seed = 2"}
"""What is changed for a reader's own: the exports, or the size of the simulated workshops."""
CHART_BUNDLE = ("application/vnd.vegalite.v5+json", "image/png", "text/plain")


def code_cells(path: Path) -> list[str]:
    return [cell.source for cell in nbformat.read(path, as_version=4).cells if cell.cell_type == "code"]


def test_there_is_one_for_each_reader_one_on_the_method_and_one_for_ones_own() -> None:
    assert [path.stem for path in ALL] == NAMES


@pytest.mark.parametrize("path", ALL, ids=lambda p: p.stem)
def test_it_goes_from_a_question_to_a_decision(path: Path) -> None:
    texts = [cell.source for cell in nbformat.read(path, as_version=4).cells if cell.cell_type == "markdown"]
    assert any("?" in text for text in texts)
    assert "## What to decide" in texts[-1]


@pytest.mark.parametrize("path", ALL, ids=lambda p: p.stem)
def test_nothing_that_ran_is_stored(path: Path) -> None:
    assert path.stat().st_size < SAVED_BYTES
    for cell in nbformat.read(path, as_version=4).cells:
        if cell.cell_type == "code":
            assert cell.outputs == []
            assert cell.execution_count is None


@pytest.mark.parametrize("path", ALL, ids=lambda p: p.stem)
def test_the_cautions_are_at_the_top(path: Path) -> None:
    first = nbformat.read(path, as_version=4).cells[0].source
    assert "Brakes are safety-critical parts" in first
    assert "qualified mechanic" in first


@pytest.mark.parametrize("path", ALL, ids=lambda p: p.stem)
def test_it_uses_no_private_name_and_defines_nothing(path: Path) -> None:
    assert not any(
        "def " in text or "class " in text or "._" in text or "import _" in text for text in code_cells(path)
    )


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda p: p.stem)
def test_it_runs_from_top_to_bottom_with_one_cell_changed(path: Path) -> None:
    book = nbformat.read(path, as_version=4)
    at = next(i for i, cell in enumerate(book.cells) if "parameters" in cell.metadata.get("tags", []))
    own = OWN.get(path.stem) or f"exports = [{str(exports())!r}]\nmap_path, as_of = None, None"
    book.cells.insert(at + 1, nbformat.v4.new_code_cell(own, id="injected"))
    NotebookClient(
        book, timeout=300, kernel_name="python3", resources={"metadata": {"path": str(path.parent)}}
    ).execute()
    assert len(nbformat.writes(book).encode()) < SAVED_BYTES
    outputs = [out.get("data", {}) for cell in book.cells for out in cell.get("outputs", [])]
    if path.stem == "methods":
        return
    bundles = [data for data in outputs if CHART_BUNDLE[1] in data]
    assert bundles
    for data in bundles:  # no script, which a notebook that is not trusted would show as text
        assert set(data) == set(CHART_BUNDLE[path.stem == "gallery" :])


@cache
def demo_pages() -> tuple[Path, AuditResult]:
    """A small co-operative's exports with all that is wrong in the demo's, and the audit as the demo makes it."""
    folder = Path(mkdtemp())
    log = co_operative(DEMO_SEED, 1200)
    exported = write_export(log, folder / "exports", EXPORT_FORMATS[EXPORT_FORMAT], DEMO_SEED)
    files = tuple(str(file) for file in exported.files)
    (folder / "map.toml").write_text(propose_map(files).toml, encoding="utf-8")
    last_month = AuditOptions(
        files, folder / "last-month", map_path=str(folder / "map.toml"), as_of=LAST_MONTH, pages=False
    )
    audit_exports(last_month)
    exports = (*files, str(act_on_list(folder, log)))
    options = replace(last_month, exports=exports, out=folder / "audit", as_of=CO_OPERATIVE.as_of, pages=True)
    return folder, audit_exports(options)


@cache
def report_of(cells: tuple[str, ...]) -> object:
    """`report` after these cells have run; notebooks that begin alike run once."""
    names: dict[str, object] = {}
    for source in cells:
        exec(source.replace("../rebleed-demo", str(demo_pages()[0])), names)
    return names["report"]


@pytest.mark.parametrize("path", OF_A_LOG, ids=lambda p: p.stem)
def test_its_figures_are_those_of_the_pages(path: Path) -> None:
    """The parameters as kept, but for the folder: rows dated three weeks after all others must not move the last day."""
    pages, cells = demo_pages()[1], code_cells(path)
    report = report_of(tuple(cells[: 1 + next(i for i, source in enumerate(cells) if "run_audit(" in source)]))
    assert isinstance(report, analysis.Report)
    assert report.as_of == CO_OPERATIVE.as_of
    for table in ("rates", "months", "steps", "technique", "risk", "holds", "model", "costs"):
        assert getattr(report, table).equals(getattr(pages.report, table)), table
    assert list(map(str, analysis.findings(report))) == list(map(str, analysis.findings(pages.report)))


def test_without_a_day_the_gap_is_pointed_out_in_the_notebook_and_by_the_command() -> None:
    from analysis.commands.check import check_exports

    folder, pages = demo_pages()
    late = [source.file for source in pages.report.log.sources]
    warnings = analysis.read_log(folder / "exports", folder / "map.toml").warnings
    assert any("a gap of 20 days" in warning and "--as-of 2026-06-30" in warning for warning in warnings)
    files = sorted({file.partition("#")[0] for file in late})
    assert "a gap of 20 days" in check_exports(files, str(folder / "map.toml")).text


def test_the_gallery_draws_every_chart_and_a_readers_notebook_their_board() -> None:
    """Each name that draws, as the tests of charts count them."""
    used = {
        path.stem: {
            node.attr for node in ast.walk(ast.parse("\n".join(code_cells(path)))) if isinstance(node, ast.Attribute)
        }
        for path in ALL
    }
    ends = ("dots", "bars", "board", "curve", "line", "lines", "marks", "day", "changes", "comparison", "time")
    names = {name for name in charts.__all__ if name.endswith(ends)}
    assert names <= used["gallery"]
    assert all(f"{reader}_board" in used[reader] for reader in ("lead", "trainer", "analyst"))


def test_the_command_writes_them_for_the_demo_and_replaces_none(tmp_path: Path) -> None:
    files = write_notebooks(tmp_path / "books", tmp_path / "demo")
    assert [file.stem for file in files] == NAMES
    lead = json.loads(files[2].read_text("utf-8"))
    parameters = next(cell for cell in lead["cells"] if "parameters" in cell["metadata"].get("tags", []))
    assert f"{(tmp_path / 'demo').as_posix()}/map.toml" in parameters["source"]
    files[0].write_text("edited", encoding="utf-8")
    write_notebooks(tmp_path / "books", tmp_path / "demo")
    assert files[0].read_text("utf-8") == "edited"


def test_a_type_checker_finds_no_error_in_them(tmp_path: Path) -> None:
    """Each exported as a script; pyright in its basic mode, as editors run it."""
    pytest.importorskip("pyright")
    for path in ALL:
        (tmp_path / f"{path.stem}.py").write_text("\n\n".join(code_cells(path)) + "\n", encoding="utf-8")
    settings = {"typeCheckingMode": "basic", "extraPaths": [str(path.parent) for path in PACKAGES]}
    (tmp_path / "pyrightconfig.json").write_text(json.dumps(settings), encoding="utf-8")
    command = [sys.executable, "-m", "pyright", "--pythonpath", sys.executable, "-p", str(tmp_path)]
    result = subprocess.run(command, capture_output=True, text=True)
    assert result.returncode == 0, result.stdout


def test_tab_completion_lists_the_doors() -> None:
    """As a kernel completes: names, and what a name leads to."""
    shell = InteractiveShell()
    shell.run_cell("import rebleed as rb")

    def completions(text: str) -> set[str]:
        with provisionalcompleter():
            return {one.text for one in shell.Completer.completions(text, len(text))}

    assert completions("rb.") == set(analysis.__all__)
    assert completions("rb.run") == {"run_audit", "run_proof"}
    assert "months_line" in completions("rb.charts.mon")


def test_the_published_figures_in_the_methods_are_ours() -> None:
    """Every table with a column of published figures, to the digits printed."""
    names: dict[str, object] = {}
    for source in code_cells(next(path for path in ALL if path.stem == "methods")):
        tree = ast.parse(source)
        last = tree.body[-1]
        exec(compile(ast.Module(tree.body[:-1], []), "cell", "exec"), names)
        value = eval(compile(ast.Expression(last.value), "cell", "eval"), names) if isinstance(last, ast.Expr) else None
        if value is None:
            exec(compile(ast.Module([last], []), "cell", "exec"), names)
        for ours, published in (("ours", "published"), ("incidence", "published"), ("lo", "published lo"),
                                ("hi", "published hi"), ("sd", "published")):  # fmt: skip
            if isinstance(value, pl.DataFrame) and {ours, published} <= set(value.columns):
                assert value[ours].to_list() == pytest.approx(value[published].to_list(), rel=2e-3, abs=5e-3)
