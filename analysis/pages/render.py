"""Pages as text: templates filled, charts' library once a page, a content policy that lets nothing else run."""

from __future__ import annotations

import base64
import hashlib
import json
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from typing import Any

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from analysis.charts import library_text, picture
from analysis.pages.analyst import analyst_questions
from analysis.pages.blocks import Question
from analysis.pages.cautions import CAUTIONS
from analysis.pages.findings import findings
from analysis.pages.glossary import GLOSSARY
from analysis.pages.lead import lead_questions
from analysis.pages.trade_words import TABLE_WORDS
from analysis.pages.trainer import trainer_questions
from analysis.report import Report

WAYS = (
    ("index.html", "overview"),
    ("lead.html", "service lead"),
    ("trainer.html", "trainer"),
    ("analyst.html", "analyst"),
)


@dataclass(frozen=True)
class Page:
    """A page as it will be written."""

    file: str
    text: str


def pages(report: Report) -> tuple[Page, ...]:
    """Every page of an audit, each complete in itself, no network.

    Parameters
    ----------
    report
        What the audit found; nothing is computed from it but words.
    """
    told = findings(report)
    return (
        Page(
            "index.html",
            rendered("index.html", report, here="index.html", title="What the bleed log says", findings=told),
        ),
        _questions(report, "lead.html", "For the service lead", lead_questions(report)),
        _questions(report, "trainer.html", "For the trainer", trainer_questions(report)),
        _questions(report, "analyst.html", "For the analyst", analyst_questions(report)),
    )


def _questions(report: Report, file: str, title: str, questions: list[Question]) -> Page:
    return Page(file, rendered("questions.html", report, here=file, title=title, questions=questions))


def data_text(value: Any) -> Markup:
    """Data inside a page: JSON in which no text can end the element it stands in."""
    text = json.dumps(value, ensure_ascii=False, allow_nan=False)
    for sign in "<>&\u2028\u2029":
        text = text.replace(sign, f"\\u{ord(sign):04x}")
    return Markup(text)


def still_picture(chart: dict[str, Any]) -> Markup:
    """A chart's picture, in which every text of an export is text."""
    return Markup(picture(chart))


def rendered(template: str, report: Report | None, *, here: str, title: str, **values: Any) -> str:
    """A template filled; without a report it must be one that asks for none."""
    questions: list[Question] = values.get("questions", [])
    charts = {f"{q.id}-{i}": chart for q in questions for i, chart in enumerate(q.charts)}
    scripts = [Markup(text) for text in ([library_text()] if charts else []) + [_script()]]
    return (
        _environment()
        .get_template(template)
        .render(
            title=title,
            here=here,
            ways=WAYS,
            report=report,
            charts=charts,
            picture=still_picture,
            scripts=scripts,
            hashes=" ".join(f"'sha256-{_digest(script)}'" for script in scripts),
            cautions=CAUTIONS,
            glossary=GLOSSARY,
            table_words=TABLE_WORDS,
            data=data_text,
            **values,
        )
    )


def _digest(script: str) -> str:
    return base64.b64encode(hashlib.sha256(script.encode()).digest()).decode()


@cache
def _script() -> str:
    return files("analysis.pages").joinpath("templates/page.js").read_text("utf-8")


@cache
def _environment() -> Environment:
    return Environment(
        loader=PackageLoader("analysis.pages"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
