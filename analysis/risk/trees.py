"""Small boosted trees on the time to return, in plain arrays: what the return model's lines cannot bend to.

More air, bubbles or give never lowers their risk: those directions are fixed. Fitted with scikit-learn, kept as arrays,
so that a saved model needs nothing of the library that grew them.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from analysis.risk.bins import Binned, binned
from analysis.risk.cells import Cells
from analysis.risk.columns import Column, columns_kept, kept_columns, values_of
from analysis.risk.features import CONTEXT_NUMBERS, HISTORY, MISSED, READINGS
from analysis.risk.layout import FIRM, FIRST, LAST, LEAK, PEOPLE, PUMPED, STAND, TRAVEL

Numbers = NDArray[np.float64]
TREES, LEAVES, LEAST_IN_LEAF, RIDGE, SHARE_TRIED, BINS = 50, 4, 30, 5.0, 0.3, 32
SLOWEST, RETURNS_FOR_HALF_MORE = 0.05, 1000.0
"""What a tree's leaves are multiplied by with next to no returns, and the returns at which that is half more: few returns
deserve timid trees."""
RISING, FALLING, FREE = 1, -1, 0


@dataclass(frozen=True)
class Input:
    """One value a tree may split at, and the direction it may move the risk in."""

    column: Column
    direction: int


@dataclass(frozen=True)
class Trees:
    """Boosted trees: arrays of one row a tree and one column a node (the root first).

    `feature` is -1 in a leaf; `value` of a node that is no leaf is the mean of what lies below it. The log of a bleed's
    hazard over the baseline's is `start` plus its leaves' values.
    """

    inputs: tuple[Column, ...]
    start: float
    feature: NDArray[np.int64] = field(repr=False)
    threshold: Numbers = field(repr=False)
    missing_left: NDArray[np.bool_] = field(repr=False)
    left: NDArray[np.int64] = field(repr=False)
    right: NDArray[np.int64] = field(repr=False)
    value: Numbers = field(repr=False)

    def __getstate__(self) -> dict[str, Any]:
        return {**self.__dict__, "inputs": kept_columns(self.inputs)}

    def __setstate__(self, kept: dict[str, Any]) -> None:
        self.__dict__.update({**kept, "inputs": columns_kept(kept["inputs"])})

    def log_hazard(self, x: Numbers) -> Numbers:
        """One a row of `matrix(cells)`."""
        told, goes_left = np.full(len(x), self.start), self._ways(x)
        for tree in range(len(self.feature)):
            told += self._leaves(goes_left, tree, 0)
        return told

    def scaled(self, slope: float, level: float) -> Trees:
        """Trees that say `level` + `slope` times what these say."""
        return replace(self, start=level + slope * self.start, value=slope * self.value)

    @property
    def usual(self) -> float:
        """The mean over the bleeds the trees were grown on."""
        return float(self.start + self.value[:, 0].sum())

    def shares(self, x: Numbers) -> Numbers:
        """What each input adds to the log hazard against `usual`: the change of value at each split on the way down."""
        shares, goes_left = np.zeros((len(self.inputs), len(x))), self._ways(x)
        for tree in range(len(self.feature)):
            self._add_changes(shares, goes_left, tree, 0, np.ones(len(x)))
        return shares.T

    def matrix(self, cells: Cells) -> Numbers:
        """The inputs' values; NaN where not recorded."""
        return values_of_all(cells, self.inputs)

    def _ways(self, x: Numbers) -> Callable[[int, int], NDArray[np.bool_]]:
        """Whether each row goes left at a node of a tree."""
        columns = {place: np.ascontiguousarray(x[:, place]) for place in np.unique(self.feature[self.feature >= 0])}
        empty = {place: np.isnan(column) for place, column in columns.items()}

        def goes_left(tree: int, node: int) -> NDArray[np.bool_]:
            place = self.feature[tree, node]
            low = columns[place] <= self.threshold[tree, node]
            return low | empty[place] if self.missing_left[tree, node] else low

        return goes_left

    def _leaves(self, goes_left: Callable[[int, int], NDArray[np.bool_]], tree: int, node: int) -> Numbers | float:
        """The value of the leaf that each row comes to from a node."""
        if self.feature[tree, node] < 0:
            return float(self.value[tree, node])
        left, right = (self._leaves(goes_left, tree, int(side[tree, node])) for side in (self.left, self.right))
        return np.where(goes_left(tree, node), left, right)

    def _add_changes(
        self, shares: Numbers, goes_left: Callable[[int, int], NDArray[np.bool_]], tree: int, node: int, here: Numbers
    ) -> None:
        """Add to the inputs' shares what changes from a node down, of the rows that come `here` (1, else 0)."""
        if self.feature[tree, node] < 0:
            return
        on_left = here * goes_left(tree, node)
        for side, there in ((self.left, on_left), (self.right, here - on_left)):
            below = int(side[tree, node])
            shares[self.feature[tree, node]] += there * (self.value[tree, below] - self.value[tree, node])
            self._add_changes(shares, goes_left, tree, below, there)


def grown_trees(
    cells: Cells,
    steps: tuple[str, ...],
    returned: NDArray[np.bool_],
    exposure: Numbers,
    rng: np.random.Generator,
) -> Trees:
    """Grow the trees by Poisson loss: a return a unit of the baseline's cumulative hazard.

    Parameters
    ----------
    cells
        Features, with the stand's expectations.
    steps
        The standard's steps.
    returned, exposure
        Whether each bleed came back, and the baseline's cumulative hazard over its days at risk.
    rng
        For the inputs tried at each split.
    """
    from sklearn.ensemble import HistGradientBoostingRegressor

    inputs = told_inputs(cells, steps)
    columns = tuple(one.column for one in inputs)
    bins = binned(values_of_all(cells, columns), exposure, BINS)
    grown = HistGradientBoostingRegressor(
        loss="poisson",
        learning_rate=_rate(int(returned.sum())),
        max_iter=TREES,
        max_leaf_nodes=LEAVES,
        min_samples_leaf=LEAST_IN_LEAF,
        l2_regularization=RIDGE,
        max_features=SHARE_TRIED,
        max_bins=BINS,
        monotonic_cst=[one.direction for one in inputs],
        early_stopping=False,
        random_state=int(rng.integers(2**31)),
    ).fit(bins.bin, returned / exposure, sample_weight=exposure)
    nodes = [predictor[0].nodes for predictor in grown._predictors]
    return _plain(columns, float(np.ravel(grown._baseline_prediction)[0]), nodes, bins)


def _rate(returns: int) -> float:
    return SLOWEST * (1 + returns / (returns + RETURNS_FOR_HALF_MORE))


def told_inputs(cells: Cells, steps: tuple[str, ...]) -> list[Input]:
    """Those of the inputs that any of these bleeds tells."""
    inputs = [one for one in tree_inputs(steps) if one.column.field in cells.fields]
    return [one for one in inputs if np.isfinite(values_of(cells, one.column)).any()]


def values_of_all(cells: Cells, columns: Sequence[Column]) -> Numbers:
    """One column each; NaN where not recorded."""
    return np.column_stack([values_of(cells, column) for column in columns])


def tree_inputs(steps: tuple[str, ...]) -> list[Input]:
    """What the trees may split at."""
    signs = (
        ("travel_excess_mm", TRAVEL), ("trapped_air_ml", TRAVEL), ("bubbles_first", FIRST), ("bubbles_last", LAST),
        ("pump_gain_mm", PUMPED),
    )  # fmt: skip
    told = [Input(Column(name, "linear", name, "tree", theme), RISING) for name, theme in signs]
    told += [
        Input(Column("not firm", "false", "hard_pull_firm", "tree", FIRM), RISING),
        Input(Column("leak seen", "true", "leak_seen", "tree", LEAK), RISING),
    ]
    told += [Input(Column(f"missed {s}", "true", MISSED + s, "tree", f"step {s}"), RISING) for s in steps]
    told += [Input(Column(n, "linear", n, "tree", n), FREE) for n in (*READINGS, "flush_ratio", *CONTEXT_NUMBERS)]
    for name in HISTORY:
        theme = "brake_model" if name == "model_rate" else PEOPLE
        told.append(Input(Column(name, "linear", name, "tree", theme), FREE))
    told += [Input(Column(name, "linear", name, "tree", name), RISING) for name in STAND]
    return [
        *told,
        Input(Column("internal", "is", "hose_route", "tree", "hose_route", "internal"), FREE),
        Input(Column("rear", "is", "brake", "tree", "brake", "rear"), FREE),
    ]


def _plain(columns: tuple[Column, ...], start: float, nodes: list[np.ndarray], bins: Binned) -> Trees:
    size = max(len(one) for one in nodes)
    told = np.zeros((len(nodes), size), dtype=nodes[0].dtype)
    told["is_leaf"] = 1
    for tree, one in enumerate(nodes):
        told[tree, : len(one)] = one
    inner = told["is_leaf"] == 0
    threshold = np.zeros(told.shape)
    threshold[inner] = bins.limit(told["feature_idx"][inner], told["num_threshold"][inner])
    return Trees(
        inputs=columns,
        start=start,
        feature=np.where(inner, told["feature_idx"], -1).astype(np.int64),
        threshold=threshold,
        missing_left=told["missing_go_to_left"] == 1,
        left=told["left"].astype(np.int64),
        right=told["right"].astype(np.int64),
        value=_means_below(told, inner),
    )


def _means_below(nodes: np.ndarray, inner: NDArray[np.bool_]) -> Numbers:
    """Leaves' values, and above them the means of what lies below, weighted by bleeds; children stand after parents."""
    value = np.where(inner, 0.0, nodes["value"]).astype(float)
    count = nodes["count"].astype(float)
    trees = np.arange(len(nodes))
    for node in range(nodes.shape[1] - 1, -1, -1):
        left, right = nodes["left"][:, node], nodes["right"][:, node]
        on_left, on_right = count[trees, left], count[trees, right]
        both = on_left * value[trees, left] + on_right * value[trees, right]
        value[:, node] = np.where(inner[:, node], both / np.maximum(on_left + on_right, 1.0), value[:, node])
    return value
