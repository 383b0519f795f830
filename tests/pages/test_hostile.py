"""Markup, script and formulas in every text of an export, from the file's name to the note, held in a real browser."""

from __future__ import annotations

import csv
import re
from collections.abc import Iterator
from pathlib import Path

import polars as pl
import pytest

from analysis.commands.run_audit import AuditOptions, audit_exports
from schemas import LOG_TABLES, field_entries
from tests.pages.browser import asked_for, complaints, drawn_charts, opened_browser
from tests.shops import exports

BREAKS = "document.body.dataset.broken=1"
PAYLOADS = (
    f"</script><script>{BREAKS}</script>",
    f"<img src=x onerror={BREAKS}>",
    f"'\"><svg onload={BREAKS}>",
    '=HYPERLINK("http://nowhere.invalid","x")',
    "@SUM(1)",
    "+1+cmd|' /C calc'!A0",
    "{{7*7}}${7*7}<%= 7*7 %>",
    "\u2028\u202ejavascript:alert(1)",
    "]]>--></style><!--",
)
FILE_NAME = f"{{table}} <img src=x onerror={BREAKS}>.csv"
RISKY = re.compile(r"^[=+\-@\t\r]")


@pytest.fixture(scope="module")
def run(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The audit of a small shop whose every free text begins with a payload, and whose last bleed has bad levels too."""
    folder: Path = tmp_path_factory.mktemp("hostile")
    (folder / "in").mkdir()
    for path in sorted(exports().glob("*.csv")):
        spoiled(path).write_csv(folder / "in" / FILE_NAME.format(table=path.stem))
    audit_exports(AuditOptions((str(folder / "in"),), folder / "out"))
    return folder / "out"


@pytest.fixture(scope="module")
def driver() -> Iterator:
    with opened_browser() as one:
        yield one


@pytest.mark.parametrize("file", ["index.html", "lead.html", "trainer.html", "analyst.html"])
def test_nothing_an_export_says_runs_or_breaks_a_page(driver, run, file) -> None:
    asked_for(driver)
    drawn_charts(driver, run / file)
    assert driver.execute_script("return [document.body.dataset.broken, document.body.dataset.failed]") == [None, None]
    assert (
        driver.execute_script("return document.querySelectorAll('img, svg script, foreignObject, iframe').length") == 0
    )
    assert complaints(driver) == []
    assert asked_for(driver) == [(run / file).as_uri()]
    text = driver.execute_script("return document.body.innerText + document.body.textContent")
    if file != "index.html":  # which names nobody here
        assert f"<img src=x onerror={BREAKS}>" in text, "it stands there as what it is: text"


def test_a_choice_of_a_hostile_name_is_only_a_name(driver, run) -> None:
    drawn_charts(driver, run / "lead.html")
    boxes = "return document.querySelectorAll('.vega-bindings select').length"
    for box in range(driver.execute_script(boxes)):
        for at in range(len(PAYLOADS)):
            choose = "var s = document.querySelectorAll('.vega-bindings select')[arguments[0]]; s.selectedIndex = Math.min(arguments[1], s.length - 1); s.dispatchEvent(new Event('input', {bubbles: true}))"
            driver.execute_script(choose, box, at)
    assert driver.execute_script("return document.body.dataset.broken") is None
    assert complaints(driver) == []


def test_no_cell_of_a_table_is_a_formula(run) -> None:
    number = re.compile(r"^[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?$")
    visible = 0
    for path in sorted((run / "tables").glob("*.csv")):
        with path.open(encoding="utf-8", newline="") as file:
            for cell in (cell for row in csv.reader(file) for cell in row):
                assert not RISKY.match(cell) or number.match(cell), (path.name, cell)
                visible += cell.startswith("'")
    assert visible, "some were made harmless"


def spoiled(path: Path) -> pl.DataFrame:
    """An export with a payload before every free text; the same text is spoiled alike in every table."""
    table = pl.read_csv(path, infer_schema=False)
    free = [
        e.name
        for e in field_entries(path.stem, LOG_TABLES[path.stem])
        if e.type == "text" and not e.levels and e.name != "step"
    ]
    here = [name for name in free if name in table.columns]
    text = table.with_columns(pl.col(name).map_elements(hostile, return_dtype=pl.String) for name in here)
    if path.stem != "sessions":
        return text
    worst = text.tail(1).with_columns(
        brake=pl.lit(PAYLOADS[0]), fluid_used=pl.lit(PAYLOADS[1]), session_id=pl.lit(PAYLOADS[3])
    )
    return pl.concat([text, worst]).with_columns(pl.lit(PAYLOADS[2]).alias(f"<script>{BREAKS}</script>"))


def hostile(text: str) -> str:
    return PAYLOADS[sum(text.encode()) % len(PAYLOADS)] + text
