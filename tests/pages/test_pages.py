"""Pages hold everything they need, let nothing foreign run, and tell each question in the same order."""

from __future__ import annotations

import base64
import hashlib
import re
from dataclasses import replace
from functools import cache
from html.parser import HTMLParser

import polars as pl
import pytest

from analysis.pages import CAUTIONS, prepare_pages
from analysis.report import Report
from tests.shops import report

FILES = ("index.html", "lead.html", "trainer.html", "analyst.html", "meeting.html")
PAYLOAD = "</script><script>document.body.setAttribute('data-broken','1')</script><img src=x onerror=alert(1)>"


@cache
def texts() -> dict[str, str]:
    return {page.file: page.text for page in prepare_pages(report())()}


@cache
def hostile() -> Report:
    """The same report, with markup wherever an export could put it."""
    audited = report()
    worst = audited.log.sessions.get_column("technician").sort()[0]

    def spoiled(frame: pl.DataFrame) -> pl.DataFrame:
        names = [name for name in ("technician", "group", "shop") if name in frame.columns]
        spoil = [pl.lit(PAYLOAD).alias("observed")] if "observed" in frame.columns else []
        return frame.with_columns(pl.col(names).replace(worst, PAYLOAD), *spoil)

    tables = {
        name: spoiled(getattr(audited, name)) for name in ("rates", "technique", "credibility", "holds", "coaching")
    }
    data = replace(audited.data, bleeds=spoiled(audited.data.bleeds))
    log = replace(audited.log, sessions=spoiled(audited.log.sessions), warnings=(PAYLOAD,))
    return replace(audited, **tables, data=data, log=log, notes=(PAYLOAD,))


class PageReader(HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str | None]]] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))


def test_there_is_a_page_for_each_reader() -> None:
    assert tuple(texts()) == FILES


@cache
def hostile_texts() -> dict[str, str]:
    return {page.file: page.text for page in prepare_pages(hostile())()}


@pytest.mark.parametrize("file", FILES)
def test_every_script_of_a_page_is_named_in_its_policy(file: str) -> None:
    text = texts()[file]
    policy = re.search(r'Content-Security-Policy" content="([^"]*)"', text)
    assert policy is not None
    assert policy[1].startswith("default-src 'none'")
    assert "unsafe-eval" not in policy[1]
    assert "'unsafe-inline'" not in policy[1].split("script-src")[1].split(";")[0]
    for script in re.findall(r"<script>(.*?)</script>", text, re.DOTALL):
        assert base64.b64encode(hashlib.sha256(script.encode()).digest()).decode() in policy[1]


@pytest.mark.parametrize("file", FILES)
def test_a_page_fetches_nothing(file: str) -> None:
    reader = PageReader()
    reader.feed(re.sub(r"<script.*?</script>", "", texts()[file], flags=re.DOTALL))
    for tag, attributes in reader.tags:
        assert tag not in ("img", "link", "iframe", "object", "embed")
        if tag == "a":
            assert str(attributes["href"]).startswith("#") or str(attributes["href"]).partition("#")[0] in FILES


@pytest.mark.parametrize("file", FILES)
def test_the_cautions_stand_on_each_page(file: str) -> None:
    import html

    for caution in CAUTIONS:
        assert caution in html.unescape(texts()[file])


@pytest.mark.parametrize("file", FILES)
def test_what_an_export_holds_never_becomes_markup(file: str) -> None:
    text = hostile_texts()[file]
    assert "<img src=x" not in text
    assert "<script>document.body" not in text
    if file not in ("index.html", "meeting.html"):  # neither names anybody
        assert "onerror" in text, "the payload stands somewhere, as text"


@pytest.mark.parametrize("file", FILES[1:])
def test_each_question_answers_before_it_shows_and_says_how_it_was_got(file: str) -> None:
    for section in re.findall(r'<section class="question".*?</section>', texts()[file], re.DOTALL):
        marks = ('class="answer"', 'class="action"', "<figure", "<details", 'class="method"')
        if "<summary>Show charts" in section:
            marks = ('class="answer"', 'class="action"', "<details", "<figure", 'class="method"')
        places = [section.find(mark) for mark in marks]
        rows = [place for place in places if place >= 0]
        assert rows == sorted(rows)
        assert places[0] >= 0


@pytest.mark.parametrize("file", FILES[1:])
def test_every_chart_has_a_text_in_its_place(file: str) -> None:
    for figure in re.findall(r"<figure[^>]*>", texts()[file]):
        label = re.search(r'aria-label="([^"]*)"', figure)
        assert label is not None
        assert len(label[1]) > 20


def test_no_field_name_stands_in_an_answer() -> None:
    for text in texts().values():
        for answer in re.findall(r'<p class="answer">(.*?)</p>', text, re.DOTALL):
            assert not re.search(r"\b[a-z]+_[a-z_]+\b", answer), answer
