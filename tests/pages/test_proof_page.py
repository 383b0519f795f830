"""The page and the lines of a validation say which targets were reached and which were not."""

from analysis.pages import proof_page, proof_summary
from analysis.prove import MeasureOutcome, SimulationResult, proof
from analysis.prove.one_workshop import EASY_WORK_FOUND, MONTH_FOUND


def worlds(month_found):
    steps = [
        SimulationResult(
            "base",
            1000,
            ["purge", "reach"],
            [0.5, 0.1],
            [0.3, -0.1],
            [0.7, 0.3],
            [1, 2],
            [0.5, 0.1],
            [0.5, 0.1],
            [True, False],
        )
    ] * 30
    months = [SimulationResult("one busy shop changes", 3900, facts=[MeasureOutcome(MONTH_FOUND, month_found)])] * 30
    return proof(
        [*steps, *months, SimulationResult("the co-operative", 6000, facts=[MeasureOutcome(EASY_WORK_FOUND, True)])]
    )


def test_a_missed_target_is_at_the_top_with_its_interval():
    page = proof_page(worlds(month_found=False))
    assert page.file == "prove.html"
    assert f"Missed at 3,900 bleeds: {MONTH_FOUND}, 0.000 (0.000 to 0.116), target at least 90%." in page.text
    assert any("MISSED" in line for line in proof_summary(worlds(month_found=False)))


def test_where_every_target_is_reached_none_is_listed_as_missed():
    table = worlds(month_found=True)
    assert "Missed at" not in proof_page(table).text
    aimed = table.filter(table.get_column("aim") != "").height
    assert proof_summary(table)[-1].startswith(f"{aimed} of {aimed} measures with a target are compatible with it")


def test_a_measure_without_a_target_is_neither_reached_nor_missed():
    both = [0.5, 0.1]
    one = SimulationResult(
        "stand readings predict nothing",
        500,
        ["purge", "reach"],
        both,
        [0, 0],
        [1, 1],
        [1, 2],
        both,
        both,
        [False, False],
    )
    table = proof([one, one])
    assert table.filter(table.get_column("aim") == "").get_column("met").null_count() > 0
    assert "no target" in "\n".join(proof_summary(table))


def test_every_size_has_its_figure_and_table_and_no_network():
    text = proof_page(worlds(month_found=True)).text
    for size in ("1,000", "3,900", "6,000"):
        assert f"Workshops of {size} bleeds" in text
    assert "http://" not in text.split("<script>")[0].replace("http://www.w3.org", "")
