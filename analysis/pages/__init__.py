"""Pages: a report into HTML that opens without a network. Nothing here computes an estimate."""

from analysis.pages.gauge_page import GaugeResult, gauge_page, gauge_summary
from analysis.pages.labels import CAUTIONS
from analysis.pages.proof_page import proof_page, proof_summary
from analysis.pages.question import Finding
from analysis.pages.recall_letters import letter_template, recall_letters
from analysis.pages.render import Page, render_pages
from analysis.pages.summary import findings, terminal_summary

__all__ = [
    "CAUTIONS",
    "Finding",
    "GaugeResult",
    "Page",
    "findings",
    "gauge_page",
    "gauge_summary",
    "letter_template",
    "proof_page",
    "proof_summary",
    "recall_letters",
    "render_pages",
    "terminal_summary",
]
