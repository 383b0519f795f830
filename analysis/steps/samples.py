"""What is told from a part of a large log's bleeds, in words."""

from __future__ import annotations

from analysis.prepared import Prepared
from analysis.steps.check import LARGEST as MOST_CHECKED
from analysis.steps.tolerance import LARGEST as MOST_IN_A_CURVE
from analysis.steps.what_if import LARGEST as MOST_IN_A_SCENARIO


def samples_told(prepared: Prepared) -> tuple[str, ...]:
    """One sentence that names what was told from bleeds drawn by lot, and from how many; none where all were used.

    Parameters
    ----------
    prepared
        All accepted bleeds.
    """
    bleeds, mature = len(prepared.bleeds), int(prepared.bleeds.get_column("mature").sum())
    told = (
        (bleeds, MOST_IN_A_SCENARIO, "what several steps together would spare"),
        (bleeds, MOST_IN_A_CURVE, "risks along a reading"),
        (mature, MOST_CHECKED, "the check of the steps"),
    )
    parts = [f"{words} from {most:,}" for found, most, words in told if found > most]
    return (f"Of the {bleeds:,} bleeds some were drawn by lot: {'; '.join(parts)}.",) if parts else ()
