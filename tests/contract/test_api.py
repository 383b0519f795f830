"""API.md is printed from the docstrings; the public objects print in a few lines; editors see every name."""

from __future__ import annotations

import ast
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

import analysis
from tests.contract.print_api import API, TITLES, api_markdown
from tests.shops import exports, report

TOP = Path(analysis.__file__).parents[1]


def test_api_md_is_up_to_date() -> None:
    """`python -m tests.contract.print_api` prints it again."""
    assert API.read_text("utf-8") == api_markdown()


def test_every_public_name_is_in_it() -> None:
    assert {name for names in TITLES.values() for name in names} | {"charts"} == set(analysis.__all__)
    assert set(analysis._MODULES) | {"charts"} == set(analysis.__all__)


def test_the_names_are_written_out_for_readers_of_the_source() -> None:
    tree = ast.parse(Path(analysis.__file__).read_text("utf-8"))
    listed = next(
        ast.literal_eval(node.value)
        for node in tree.body
        if isinstance(node, ast.Assign) and ast.unparse(node.targets[0]) == "__all__"
    )
    imports = [node for node in ast.walk(tree) if isinstance(node, ast.ImportFrom) and node.module != "__future__"]
    assert set(listed) <= {alias.name for node in imports for alias in node.names}
    assert all((TOP / package / "py.typed").exists() for package in ("analysis", "schemas", "synthetic"))


@pytest.mark.parametrize(
    "show", [lambda: report(), lambda: report().log, lambda: analysis.built_in(), lambda: analysis.findings(report()),
             lambda: analysis.propose_map(exports()), lambda: analysis.show(report().rates)],
)  # fmt: skip
def test_a_public_object_prints_in_under_40_lines_without_bytes(show: Any) -> None:
    text = repr(show())
    assert len(text.splitlines()) < 40
    assert len(text) < 10_000
    assert "b'" not in text


def test_the_report_displays_its_findings_and_tables() -> None:
    html = report()._repr_html_()
    assert str(analysis.findings(report())[1].text) in html
    tables = html.count("<summary>report.")
    assert tables > 10
    assert html.count("<details>") == tables + 1  # and the notes
    assert len(html) < 150_000


def test_importing_the_charts_changes_nothing_of_the_users() -> None:
    code = (
        "import altair as alt, jsonschema, sys; before = (alt.theme.active, alt.renderers.active, alt.data_transformers.active,"
        " set(jsonschema.FormatChecker.checkers), 'rfc3987_syntax' in sys.modules);"
        "import analysis.charts, analysis.boards;"
        "after = (alt.theme.active, alt.renderers.active, alt.data_transformers.active,"
        " set(jsonschema.FormatChecker.checkers), 'rfc3987_syntax' in sys.modules);"
        "assert before == after, (before, after)"
    )
    subprocess.run([sys.executable, "-c", code], check=True, cwd=TOP)
