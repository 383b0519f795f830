"""The page and the lines of a proof say which aims were reached, and which were not."""

from analysis.pages import proof_ending, proof_page
from analysis.prove import Fact, Held, proof
from analysis.prove.held import EASY_WORK_FOUND, MONTH_FOUND


def worlds(month_found):
    steps = [
        Held(
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
    months = [Held("one busy shop changes", 3900, facts=[Fact(MONTH_FOUND, month_found)])] * 30
    return proof([*steps, *months, Held("the co-operative", 6000, facts=[Fact(EASY_WORK_FOUND, True)])])


def test_an_aim_that_is_missed_stands_at_the_top_with_its_interval():
    page = proof_page(worlds(month_found=False))
    assert page.file == "prove.html"
    assert f"Short of its aim at 3,900 bleeds: {MONTH_FOUND}, 0.000 (0.000 to 0.116), aim at least 90%." in page.text
    assert any("SHORT OF IT" in line for line in proof_ending(worlds(month_found=False)))


def test_where_every_aim_is_reached_nothing_is_said_to_be_short():
    table = worlds(month_found=True)
    assert "Short of its aim" not in proof_page(table).text
    aimed = table.filter(table.get_column("aim") != "").height
    assert proof_ending(table)[-1] == f"{aimed} of {aimed} measures with an aim reach it with their 95% interval."


def test_a_measure_without_an_aim_is_neither_reached_nor_missed():
    both = [0.5, 0.1]
    one = Held("signs say nothing", 500, ["purge", "reach"], both, [0, 0], [1, 1], [1, 2], both, both, [False, False])
    table = proof([one, one])
    assert table.filter(table.get_column("aim") == "").get_column("met").null_count() > 0
    assert "no aim" in "\n".join(proof_ending(table))


def test_every_size_has_its_figure_and_table_and_no_network():
    text = proof_page(worlds(month_found=True)).text
    for size in ("1,000", "3,900", "6,000"):
        assert f"Workshops of {size} bleeds" in text
    assert "http://" not in text.split("<script>")[0].replace("http://www.w3.org", "")
