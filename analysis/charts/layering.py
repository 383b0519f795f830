"""Charts over one another, and marks that look one way or the other, as light as Altair lets them be.

Altair copies every chart of a layer some ten times on its way to Vega-Lite. A mark as it makes one has ninety places, nearly
all of them empty, and was half of what it copied; a condition that stands in a chart as a dictionary is held against every
kind of channel there is.
"""

from __future__ import annotations

from typing import Any

import altair as alt


def layer_charts(*charts: alt.Chart) -> Any:
    """The charts over one another, the first undermost; their marks become plain dictionaries."""
    for chart in charts:
        if isinstance(chart.mark, alt.SchemaBase):
            chart.mark = chart.mark.to_dict(validate=False)
    return alt.layer(*charts)


def conditional(channel: type[Any], when: Any, then: Any, otherwise: Any) -> Any:
    """A value of the channel where a condition holds or a choice is made, another where not."""
    return channel(**alt.condition(when, alt.value(then), alt.value(otherwise)))
