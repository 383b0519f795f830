"""Pages: a report into HTML that opens without a network. Nothing here computes an estimate."""

from analysis.pages.cautions import CAUTIONS
from analysis.pages.ending import ending
from analysis.pages.findings import findings
from analysis.pages.gauge import GaugeTold, gauge_ending, gauge_page
from analysis.pages.proof import proof_ending, proof_page
from analysis.pages.render import Page, asked_pages

__all__ = [
    "CAUTIONS",
    "GaugeTold",
    "Page",
    "asked_pages",
    "ending",
    "findings",
    "gauge_ending",
    "gauge_page",
    "proof_ending",
    "proof_page",
]
