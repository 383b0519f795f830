"""Pages as text: templates filled, charts' library once a page, a content policy that lets nothing else run."""

from __future__ import annotations

import base64
import hashlib
import json
from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from typing import Any

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from analysis.boards import analyst_board, lead_board, lead_figures, trainer_board
from analysis.charts import prefetch_svg, quick_composition, svg
from analysis.charts.embed import SHARED, SvgRenderer, chart_library_script
from analysis.pages.analyst import analyst_links, analyst_questions
from analysis.pages.board_bleeds import list_board_bleeds
from analysis.pages.board_view import BoardView, board_view
from analysis.pages.file_names import shorten_file_names
from analysis.pages.labels import CAUTIONS, GLOSSARY, TABLE_LABELS
from analysis.pages.lead import lead_questions
from analysis.pages.meeting import meeting_sheet
from analysis.pages.question import Question
from analysis.pages.summary import findings_beyond_figures
from analysis.pages.trainer import trainer_questions
from analysis.parallel import Executor
from analysis.report import Report

NAVIGATION = (
    ("index.html", "overview"),
    ("lead.html", "service lead"),
    ("trainer.html", "trainer"),
    ("analyst.html", "analyst"),
    ("meeting.html", "team meeting"),
)


@dataclass(frozen=True)
class Audience:
    """Who a page is for, what they ask, and the board at its top."""

    file: str
    title: str
    questions: Callable[[Report], list[Question]]
    board: Callable[[Report], BoardView]


LEAD = Audience(
    "lead.html",
    "For the service lead",
    lead_questions,
    lambda report: board_view(report, lead_board, lead_figures, list_board_bleeds),
)
TRAINER = Audience(
    "trainer.html", "For the trainer", trainer_questions, lambda report: board_view(report, trainer_board)
)
ANALYST = Audience(
    "analyst.html",
    "For the analyst",
    analyst_questions,
    lambda report: board_view(report, analyst_board, links=analyst_links),
)


@dataclass(frozen=True)
class Page:
    """A page as it will be written."""

    file: str
    text: str


def prepare_pages(report: Report, executor: Executor | None = None) -> Callable[[], tuple[Page, ...]]:
    """Make every chart of an audit and have the pictures drawn; called, the result gives the pages.

    Each page is complete in itself, without a network. Nothing is computed from the report but sentences.

    Parameters
    ----------
    report
        What the audit found.
    executor
        Draws the pictures ahead; this process unless given, and then only when the pages are made.
    """
    report, renderer = shorten_file_names(report), SvgRenderer(executor)
    parts = {reader: _board_and_questions(report, reader, renderer) for reader in (ANALYST, TRAINER, LEAD)}
    with quick_composition():
        sheet = meeting_sheet(report)

    def pages() -> tuple[Page, ...]:
        title, sentences = "What the bleed log says", findings_beyond_figures(report)
        values: dict[str, Any] = {"title": title, "findings": sentences, "figures": lead_figures(report)}
        index = render_template("index.html", report, renderer, here="index.html", **values)
        meeting = render_template(
            "meeting.html", report, renderer, here="meeting.html", title="For the team meeting", sheet=sheet
        )
        readers = (_render_page(report, reader, *parts[reader], renderer) for reader in (LEAD, TRAINER, ANALYST))
        return Page("index.html", index), *readers, Page("meeting.html", meeting)

    return pages


def _board_and_questions(report: Report, audience: Audience, renderer: SvgRenderer) -> tuple[BoardView, list[Question]]:
    """A reader's board and questions with their answers; the charts' pictures are prefetched."""
    with quick_composition():
        board, questions = audience.board(report), audience.questions(report)
    for chart in (board.chart, *(chart for question in questions for chart in question.charts)):
        prefetch_svg(chart, renderer)
    return board, questions


def _render_page(
    report: Report, audience: Audience, board: BoardView, questions: list[Question], renderer: SvgRenderer
) -> Page:
    values: dict[str, Any] = {"title": audience.title, "board": board, "questions": questions}
    return Page(audience.file, render_template("questions.html", report, renderer, here=audience.file, **values))


def data_text(value: Any) -> Markup:
    """Data inside a page: JSON in which no text can end the element around it."""
    text = json.dumps(value, ensure_ascii=False, allow_nan=False, separators=(",", ":"))
    for sign in "<>&\u2028\u2029":
        text = text.replace(sign, f"\\u{ord(sign):04x}")
    return Markup(text)


def render_template(
    template: str, report: Report | None, renderer: SvgRenderer = SHARED, *, here: str, title: str, **values: Any
) -> str:
    """A template filled; without a report it must be one that asks for none."""
    questions: list[Question] = values.get("questions", [])
    board: BoardView | None = values.setdefault("board", None)
    charts = {f"{q.id}-{i}": chart for q in questions for i, chart in enumerate(q.charts)}
    charts |= {"board": board.chart} if board else {}
    own = [_template_text("page.js"), *([_template_text("board.js")] if board else [])]
    scripts = [Markup(text) for text in ([chart_library_script()] if charts else []) + own]
    return (
        _template_environment()
        .get_template(template)
        .render(
            title=title,
            here=here,
            navigation=NAVIGATION,
            report=report,
            charts=charts,
            picture=lambda chart: Markup(svg(chart, renderer)),  # every text of an export is text in it
            scripts=scripts,
            hashes=" ".join(f"'sha256-{_script_digest(script)}'" for script in scripts),
            cautions=CAUTIONS,
            glossary=GLOSSARY,
            table_labels=TABLE_LABELS,
            data=data_text,
            font=_font_base64,
            **values,
        )
    )


def _script_digest(script: str) -> str:
    return base64.b64encode(hashlib.sha256(script.encode()).digest()).decode()


@cache
def _template_text(name: str) -> str:
    return files("analysis.pages").joinpath(f"templates/{name}").read_text("utf-8")


@cache
def _font_base64(weight: str) -> str:
    """A font of the package as text, for a style sheet."""
    return base64.b64encode(files("analysis.pages").joinpath(f"fonts/bench-sans-{weight}.woff2").read_bytes()).decode()


@cache
def _template_environment() -> Environment:
    return Environment(
        loader=PackageLoader("analysis.pages"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
