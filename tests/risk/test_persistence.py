"""The model file: a round trip changes nothing, and any other file is refused without executing it."""

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
    with pytest.raises(UserError) as error:
        read_model(folder / name)
    return str(error.value)


def test_a_loaded_model_predicts_the_same_to_the_last_bit() -> None:
    log = fitted().log
    loaded = load_model(content(), "bytes")
    features = loaded.features_of(log)
    assert features.equals(fitted().features)
    assert np.array_equal(loaded.model.predict(features).risk, fitted().model.predict(fitted().features).risk)
    assert loaded.saved_standard() == fitted().ready.standard
    assert loaded.last_day == log.as_of


def test_skops_finds_only_classes_of_the_risk_package_untrusted() -> None:
    assert all(name.startswith("analysis.risk.") for name in skops.io.get_untrusted_types(data=content()))


@settings(max_examples=40, deadline=None)
@given(st.floats(0, 1, exclude_max=True), st.integers(1, 255))
def test_any_flipped_byte_is_refused(where: float, by: int) -> None:
    damaged = bytearray(content())
    damaged[int(where * len(damaged))] ^= by
    with pytest.raises(UserError):
        load_model(bytes(damaged), "bytes")


def test_a_truncated_file_is_refused(tmp_path: Path) -> None:
    assert "was changed" in refusal(content()[:-40], tmp_path)


def test_a_renamed_pickle_is_refused_and_not_executed(tmp_path: Path) -> None:
    mark = tmp_path / "mark"
    assert "is not a risk model of rebleed" in refusal(pickle.dumps(Harmful(mark)), tmp_path)
    assert not mark.exists()


def test_a_foreign_skops_file_is_refused(tmp_path: Path) -> None:
    model = LogisticRegression().fit(np.arange(6.0)[:, None], [0, 0, 0, 1, 1, 1])
    assert "is not a risk model of rebleed" in refusal(skops.io.dumps(model), tmp_path)


def test_a_foreign_model_under_the_model_files_tag_is_refused(tmp_path: Path) -> None:
    model = LogisticRegression().fit(np.arange(6.0)[:, None], [0, 0, 0, 1, 1, 1])
    assert "is not a complete risk model" in refusal(sealed(skops.io.dumps(model)), tmp_path)


@pytest.mark.parametrize("figure", [float("nan"), float("inf"), 1e308])
@pytest.mark.parametrize("part", ["coefficients", "covariance", "hazard"])
def test_a_model_with_absurd_numbers_under_the_model_files_tag_is_refused(
    tmp_path: Path, part: str, figure: float
) -> None:
    saved = load_model(content(), "bytes")
    hazard = saved.model.hazard
    values = hazard.window.baseline_cumulative_hazard if part == "hazard" else getattr(hazard, part)
    values.flat[0] = figure
    assert "is not a complete risk model" in refusal(sealed(skops.io.dumps(saved)), tmp_path)


def test_plain_values_under_the_model_files_tag_are_refused(tmp_path: Path) -> None:
    assert "is not a complete risk model" in refusal(sealed(skops.io.dumps({"model": 1})), tmp_path)


def test_an_untrusted_type_is_refused_and_not_executed(tmp_path: Path) -> None:
    mark = tmp_path / "mark"
    message = refusal(sealed(skops.io.dumps({"model": Harmful(mark)})), tmp_path)
    assert "contains types that no rebleed model has" in message
    assert "Harmful" in message
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


def test_a_missing_file_or_a_folder_is_refused(tmp_path: Path) -> None:
    for path in (tmp_path, tmp_path / "nowhere.skops"):
        with pytest.raises(UserError):
            read_model(path)
