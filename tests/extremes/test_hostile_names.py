"""Names with characters that no page can hold: the run ends well and each page is there."""

from __future__ import annotations

from pathlib import Path

import polars as pl
import pytest
import xlsxwriter

from analysis.commands.gauge_study import GaugeOptions, run_gauge_study
from analysis.commands.run_audit import AuditOptions, audit_exports
from analysis.drawing import NOT_DRAWN

NAMES = ("Wr\x0ben", "Wr\x1b[31men", "Wr\uffffen", "Gn\u2028eiss 2")
PAGES = ("index.html", "lead.html", "trainer.html", "analyst.html")
MAP = '[readings.columns]\nitem = "item"\ntechnician = "technician"\nreading = "lever\\ntravel mm"\n'


def small_log(name: str) -> pl.DataFrame:
    return pl.DataFrame(
        [
            (f"S{i}", f"B{i}", ("front", "rear")[i % 2], name if i % 3 else "Hazel", name, name, f"2025-01-{i + 1:02d}")
            for i in range(12)
        ],
        schema=["session_id", "bike_id", "brake", "technician", "shop", "brake_model", "started_at"],
        orient="row",
    )


def audited_pages(log: Path, out: Path) -> list[str]:
    audit_exports(AuditOptions((str(log),), out))
    return [(out / page).read_text("utf-8") for page in PAGES]


@pytest.mark.parametrize("name", NAMES, ids=ascii)
def test_a_log_with_such_a_name_is_audited(tmp_path: Path, name: str) -> None:
    small_log(name).write_csv(tmp_path / "log.csv")
    pages = audited_pages(tmp_path / "log.csv", tmp_path / "out")
    assert not any(NOT_DRAWN in page for page in pages)


def test_a_workbook_with_such_a_name_is_audited(tmp_path: Path) -> None:
    """Workbooks write the character 11 as _x000B_."""
    log = small_log("Wr_x000B_en")
    with xlsxwriter.Workbook(str(tmp_path / "log.xlsx")) as book:
        sheet = book.add_worksheet()
        for place, row in enumerate([tuple(log.columns), *log.rows()]):
            sheet.write_row(place, 0, row)
    pages = audited_pages(tmp_path / "log.xlsx", tmp_path / "out")
    assert not any(NOT_DRAWN in page for page in pages)


@pytest.mark.parametrize("name", NAMES, ids=ascii)
def test_readings_with_such_a_name_and_a_heading_of_two_lines_are_studied(tmp_path: Path, name: str) -> None:
    rows = [(item, who, 20 + item + k / 10) for item in range(5) for who in (name, "Hazel") for k in range(3)]
    readings = pl.DataFrame(rows, schema=["item", "technician", "lever\ntravel mm"], orient="row")
    readings.write_csv(tmp_path / "gauge.csv")
    (tmp_path / "map.toml").write_text(MAP, "utf-8")
    run_gauge_study(GaugeOptions(str(tmp_path / "gauge.csv"), tmp_path / "out", str(tmp_path / "map.toml")))
    assert NOT_DRAWN not in (tmp_path / "out" / "gauge.html").read_text("utf-8")
