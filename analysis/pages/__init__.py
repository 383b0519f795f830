"""Pages: a report into HTML that opens without a network. Nothing here computes an estimate."""

from analysis.pages.gauge_page import GaugeResult, gauge_page, gauge_summary
from analysis.pages.labels import CAUTIONS
from analysis.pages.proof_page import proof_page, proof_summary
from analysis.pages.question import Finding
from analysis.pages.recall_letters import letter_template, recall_letters
from analysis.pages.render import Page, prepare_pages
from analysis.pages.summary import findings, terminal_summary
from analysis.pages.table_view import ShownTable, report_html, show
from analysis.pages.text import estimate, observed_share_text, percent_interval, quantity

__all__ = [
    "CAUTIONS",
    "Finding",
    "GaugeResult",
    "Page",
    "ShownTable",
    "estimate",
    "findings",
    "gauge_page",
    "gauge_summary",
    "letter_template",
    "observed_share_text",
    "percent_interval",
    "prepare_pages",
    "proof_page",
    "proof_summary",
    "quantity",
    "recall_letters",
    "report_html",
    "show",
    "terminal_summary",
]
