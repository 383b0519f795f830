"""The model file: what comes back is what went in, and whatever is not just that is refused with nothing run."""

from __future__ import annotations

import hashlib
import json
import pickle
from functools import cache
from pathlib import Path

import numpy as np
import pytest
import skops.io
from hypothesis import given, settings
from hypothesis import strategies as st
from sklearn.linear_model import LogisticRegression

from analysis.errors import UserError
from analysis.risk import load_model, model_bytes, read_model
from tests.risk.sealed import sealed
from tests.risk.simulated import fitted


@cache
def content() -> bytes:
    return model_bytes(fitted().saved)


class Harmful:
    def __init__(self, mark: Path) -> None:
        self.mark = mark

    def __reduce__(self):  # type: ignore[no-untyped-def]
        return (Path.write_text, (self.mark, "was run"))


def refusal(bytes_of_file: bytes, folder: Path, name: str = "model.skops") -> str:
    (folder / name).write_bytes(bytes_of_file)
    with pytest.raises(UserError) as told:
        read_model(folder / name)
    return str(told.value)


def test_the_model_that_comes_back_tells_the_same_to_the_last_bit() -> None:
    log = fitted().log
    back = load_model(content(), "bytes")
    features = back.features_of(log)
    assert features.table.equals(fitted().features.table)
    assert np.array_equal(back.model.predict(features.table).risk, fitted().model.predict(fitted().features.table).risk)
    assert back.saved_standard() == fitted().ready.standard
    assert back.last_day == log.as_of


def test_it_is_an_archive_that_skops_itself_finds_nothing_strange_in_but_our_classes() -> None:
    assert all(name.startswith("analysis.risk.") for name in skops.io.get_untrusted_types(data=content()))


@settings(max_examples=40, deadline=None)
@given(st.floats(0, 1, exclude_max=True), st.integers(1, 255))
def test_any_flipped_byte_is_refused(where: float, by: int) -> None:
    damaged = bytearray(content())
    damaged[int(where * len(damaged))] ^= by
    with pytest.raises(UserError):
        load_model(bytes(damaged), "bytes")


def test_a_file_cut_short_is_refused(tmp_path: Path) -> None:
    assert "was changed" in refusal(content()[:-40], tmp_path)


def test_a_renamed_pickle_is_refused_and_not_run(tmp_path: Path) -> None:
    mark = tmp_path / "mark"
    assert "is no risk model of rebleed" in refusal(pickle.dumps(Harmful(mark)), tmp_path)
    assert not mark.exists()


def test_a_foreign_skops_file_is_refused(tmp_path: Path) -> None:
    model = LogisticRegression().fit(np.arange(6.0)[:, None], [0, 0, 0, 1, 1, 1])
    assert "is no risk model of rebleed" in refusal(skops.io.dumps(model), tmp_path)


def test_a_foreign_model_under_our_mark_is_refused(tmp_path: Path) -> None:
    model = LogisticRegression().fit(np.arange(6.0)[:, None], [0, 0, 0, 1, 1, 1])
    assert "is no whole risk model" in refusal(sealed(skops.io.dumps(model)), tmp_path)


@pytest.mark.parametrize("figure", [float("nan"), float("inf"), 1e308])
@pytest.mark.parametrize("part", ["coefficients", "covariance", "hazard"])
def test_a_model_with_absurd_figures_under_our_mark_is_refused(tmp_path: Path, part: str, figure: float) -> None:
    saved = load_model(content(), "bytes")
    hazard = saved.model.hazard
    values = hazard.window.baseline_cumulative_hazard if part == "hazard" else getattr(hazard, part)
    values.flat[0] = figure
    assert "is no whole risk model" in refusal(sealed(skops.io.dumps(saved)), tmp_path)


def test_plain_values_under_our_mark_are_refused(tmp_path: Path) -> None:
    assert "is no whole risk model" in refusal(sealed(skops.io.dumps({"model": 1})), tmp_path)


def test_a_type_that_is_not_known_is_refused_and_not_run(tmp_path: Path) -> None:
    mark = tmp_path / "mark"
    told = refusal(sealed(skops.io.dumps({"model": Harmful(mark)})), tmp_path)
    assert "holds types that no model of ours has" in told
    assert "Harmful" in told
    assert not mark.exists()


def test_another_version_or_format_is_refused_by_name(tmp_path: Path) -> None:
    body = skops.io.dumps(fitted().saved)
    assert "was written by rebleed 9.9.9" in refusal(sealed(body, version="9.9.9"), tmp_path)
    assert "model format 7" in refusal(sealed(body, model_format=7), tmp_path)


def test_a_model_that_its_runs_manifest_does_not_name_is_refused(tmp_path: Path) -> None:
    manifest = {"made_by": "rebleed", "model_sha256": hashlib.sha256(content()).hexdigest()}
    (tmp_path / "manifest.json").write_text(json.dumps(manifest), encoding="utf-8")
    (tmp_path / "model.skops").write_bytes(content())
    assert read_model(tmp_path / "model.skops").window_days == 90
    manifest["model_sha256"] = "0" * 64
    (tmp_path / "manifest.json").write_text(json.dumps(manifest), encoding="utf-8")
    assert "manifest" in refusal(content(), tmp_path)


def test_what_is_missing_or_a_folder_is_refused(tmp_path: Path) -> None:
    for path in (tmp_path, tmp_path / "nowhere.skops"):
        with pytest.raises(UserError):
            read_model(path)
