"""The sheet for the team meeting: one step and one question, nobody's name, one page of paper."""

import shutil
import subprocess
from dataclasses import replace
from functools import cache

import polars as pl
import pytest

from analysis.pages import prepare_pages
from analysis.pages.meeting import meeting_sheet
from tests.shops import report


@cache
def sheet_text():
    [page] = [page for page in prepare_pages(report())() if page.file == "meeting.html"]
    return page.text


def test_nobody_is_named():
    people = report().log.sessions.get_column("technician").unique().to_list()
    assert people
    assert [name for name in people if name in sheet_text()] == []


def test_the_costliest_step_is_the_one_step_and_the_question_asks_about_it():
    sheet, steps = meeting_sheet(report()), report().steps
    costly = steps.filter(pl.col("verdict") == "costs_comebacks").sort("rank").row(0, named=True)
    [title] = [step.title for step in report().standard.steps if step.id == costly["step"]]
    assert title in sheet.question
    assert f"{costly['preventable_per_100']:.1f}" in sheet.step.text


def test_without_a_costly_step_the_one_missed_most_often_is_discussed():
    steps = report().steps.with_columns(verdict=pl.lit("too_few"))
    often = steps.sort("share_missed", descending=True, nulls_last=True).row(0, named=True)
    sheet = meeting_sheet(replace(report(), steps=steps))
    [title] = [step.title for step in report().standard.steps if step.id == often["step"]]
    assert f"The step missed most often is “{title}”: " in sheet.step.text
    assert "prevent" not in sheet.step.text


def test_shares_of_a_workshop_are_counted_over_the_last_90_days():
    sheet, data = meeting_sheet(report()), report().data
    step = report().steps.filter(pl.col("verdict") == "costs_comebacks").sort("rank").row(0, named=True)["step"]
    rows = data.bleeds.select("shop", "age_days", missed=data.missed.get_column(step)).drop_nulls("missed")
    shop, missed, bleeds = (
        rows.filter(pl.col("age_days") < 90).group_by("shop").agg(pl.col("missed").sum(), pl.len()).sort("len").row(-1)
    )
    assert f"{shop} {missed / bleeds:.0%} of {bleeds:,} bleeds" in sheet.step.detail


def test_an_audit_without_steps_still_has_a_question():
    sheet = meeting_sheet(replace(report(), steps=report().steps.clear()))
    assert sheet.step is None
    assert sheet.question.endswith("?")


@pytest.mark.skipif(
    not (shutil.which("chromium") and shutil.which("pdfinfo")), reason="needs Chromium and poppler's pdfinfo"
)
def test_the_sheet_is_one_page_of_a4(tmp_path):
    page, paper = tmp_path / "meeting.html", tmp_path / "meeting.pdf"
    page.write_text(sheet_text(), "utf-8")
    options = [
        "--headless",
        "--no-sandbox",
        "--disable-gpu",
        "--no-pdf-header-footer",
        f"--user-data-dir={tmp_path / 'c'}",
    ]
    subprocess.run(["chromium", *options, f"--print-to-pdf={paper}", page.as_uri()], check=True, capture_output=True)
    info = dict(line.split(":", 1) for line in subprocess.check_output(["pdfinfo", paper], text=True).splitlines())
    assert info["Pages"].strip() == "1"
    assert "A4" in info["Page size"]
