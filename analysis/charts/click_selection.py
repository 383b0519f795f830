"""A choice on a chart, by a click or from a list beside it (for keyboards), that what stands beside it follows."""

from __future__ import annotations

import altair as alt

from analysis.charts.theme import AT_LEFT, AT_TOP


def click_selection(field: str, names: list[str], first: str | None, label: str) -> alt.Parameter:
    """One of `names` is always chosen: a click elsewhere clears nothing.

    Parameters
    ----------
    field
        The column that holds the names.
    names
        What may be chosen, in the list's order.
    first
        What is chosen until the reader chooses; the first of the names unless given.
    label
        What is chosen, in the trade's words: stands before the list.
    """
    begin = first if first in names else next(iter(names), None)
    return alt.selection_point(
        name=f"chosen_{field}",
        fields=[field],
        value=[{field: begin}] if begin is not None else [],
        on="click",
        clear=False,
        empty=False,
        bind=alt.binding_select(options=names, name=f"{label} "),
    )


def selected_name(selection: alt.Parameter, data: alt.Chart, field: str) -> alt.Chart:
    """What is chosen, in bold above what stands beside."""
    return (
        data.transform_filter(selection)
        .transform_aggregate(n="count()", groupby=[field])
        .mark_text(align="left", baseline="bottom", dy=-6, fontWeight="bold", color="#7a78a8")
        .encode(text=alt.Text(f"{field}:N"), x=AT_LEFT, y=AT_TOP)
    )
