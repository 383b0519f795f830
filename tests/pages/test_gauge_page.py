"""The page of a gauge study: answers in order, data that stays data, nothing fetched."""

from __future__ import annotations

import json
import re

import numpy as np
import polars as pl
import pytest

from analysis.pages import CAUTIONS, GaugeResult, gauge_page, gauge_summary
from analysis.plan import gauge_study
from schemas import validate_table
from schemas.log import Readings

HOSTILE = "</script><img src=x onerror=alert(1)>"


def gauge_result(noise: float = 0.2, **others: object) -> GaugeResult:
    rng = np.random.default_rng(3)
    rows = [
        {"item": f"{HOSTILE}{i}", "technician": who, "repeat": again, "reading": 20 + i + shift + rng.normal(0, noise)}
        for i in range(6)
        for who, shift in (("Wren", 0.0), ("<b>Flint</b>", 0.5))
        for again in (1, 2)
    ]
    readings = validate_table(Readings, pl.DataFrame(rows))
    study = gauge_study(readings, rng, tolerance=12.0)
    usual: dict[str, object] = {"heading": "travel <mm>", "tolerance": 12.0, "notes": ("a <i>note</i>",)}
    return GaugeResult(
        readings=readings,
        table=study.table,
        noise=study.noise,
        verdict=study.verdict,
        interaction_p=study.interaction_p,
        balanced=study.balanced,
        **(usual | others),  # type: ignore[arg-type]
    )


@pytest.fixture(scope="module")
def text() -> str:
    return gauge_page(gauge_result()).text


def test_verdict_spread_and_cost_come_in_this_order(text: str) -> None:
    heads = re.findall(r"<section class=\"question\" id=\"(\w+)\"", text)
    assert heads == ["trusted", "spread", "noise"]
    assert "24 readings of 6 items by 2 technicians, the same number of readings each" in text
    assert "of the tolerance of 12" in text


def test_text_from_the_file_is_text_not_markup(text: str) -> None:
    assert HOSTILE not in text
    assert "<b>Flint</b>" not in text
    assert "<i>note</i>" not in text
    assert "travel &lt;mm&gt;" in text


def test_every_chart_has_a_description(text: str) -> None:
    charts = json.loads(re.findall(r'<script type="application/json" id="charts">(.*?)</script>', text, re.DOTALL)[0])
    assert len(charts) == 2
    assert all(len(chart["description"]) > 30 for chart in charts.values())


def test_nothing_is_fetched_and_the_cautions_are_shown(text: str) -> None:
    page = re.sub(r"<script>.*?</script>", "", text, flags=re.DOTALL)
    assert not re.search(r"(src|href)=[\"']?(https?:)?//", page)
    assert "default-src 'none'" in text
    assert all(line.replace("'", "&#39;") in text for line in CAUTIONS)


def test_noise_larger_than_the_items_is_reported(text: str) -> None:
    lines = " ".join(gauge_summary(gauge_result(noise=30.0)))
    assert "Do not judge a brake by a single reading" in lines
    assert "Trust the reading" not in lines
    assert "names hidden" in gauge_page(gauge_result(names_hidden=True)).text
    assert "names hidden" not in text
