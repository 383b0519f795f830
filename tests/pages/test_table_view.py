"""Tables as a notebook shows them: by the units of their fields."""

from __future__ import annotations

import polars as pl

from analysis import show
from tests.shops import report


def cells(table: pl.DataFrame) -> dict[str, str]:
    result = show(table)
    return dict(zip(result.headings, (cell.text for cell in result.rows[0]), strict=True))


def test_shares_are_percentages_and_an_interval_is_in_the_cell_of_its_estimate() -> None:
    row = pl.DataFrame({"rate": [0.0744], "rate_lo": [0.0677], "rate_hi": [0.0817], "p_value": [0.01234]})
    assert cells(row) == {"rate": "7.4% (6.8–8.2%)", "p value": "0.0123"}


def test_a_limit_belongs_to_the_estimate_it_begins_like_or_follows() -> None:
    row = pl.DataFrame(
        {"preventable_per_100": [1.61], "lo": [1.24], "hi": [2.07], "aipw_per_100": [1.2], "aipw_lo": [0.8],
         "aipw_hi": [1.6], "funnel_lo": [0.84], "funnel_hi": [1.18], "rank": [1], "rank_lo": [1], "rank_hi": [3]}
    )  # fmt: skip
    assert cells(row) == {
        "preventable per 100": "1.61 (1.24–2.07)", "aipw per 100": "1.20 (0.80–1.60)", "funnel": "0.84–1.18",
        "rank": "1 (1–3)",
    }  # fmt: skip


def test_a_text_is_whole_and_a_foreign_column_as_it_is() -> None:
    action = "Call the bike back now. A leak was seen after the bleed: do not ride before it is repaired."
    assert cells(pl.DataFrame({"action": [action], "mine": [3]})) == {"action": action, "mine": "3"}


def test_every_table_of_a_report_can_be_shown_and_is_safe_html() -> None:
    assert "&lt;b&gt;" in show(pl.DataFrame({"note": ["<b>"]}))._repr_html_()
    for name in ("rates", "months", "steps", "tolerance", "technique", "coaching", "risk", "model", "holds", "costs"):
        table = getattr(report(), name)
        assert len(show(table).rows) == min(table.height, 200)
