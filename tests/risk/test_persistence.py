"""The model file: a round trip changes nothing, and any other file is refused without executing it."""

from __future__ import annotations

import hashlib
import json
import pickle
import re
import warnings
import zipfile
from collections.abc import Mapping
from functools import cache
from io import BytesIO
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analysis.errors import UserError
from analysis.risk import load_model, model_bytes, read_model
from analysis.risk.persistence import seal_archive
from tests.risk.simulated import fitted


@cache
def content() -> bytes:
    return model_bytes(fitted().saved)


class Harmful:
    def __init__(self, mark: Path) -> None:
        self.mark = mark

    def __reduce__(self):  # type: ignore[no-untyped-def]
        return (Path.write_text, (self.mark, "was run"))


def archive(arrays: Mapping[str, object]) -> bytes:
    """Any arrays as numpy's archive, those of objects pickled, as an attacker would make it."""
    out = BytesIO()
    np.savez(out, allow_pickle=True, **arrays)
    return out.getvalue()


def arrays_of(content_of_file: bytes) -> dict[str, np.ndarray]:
    with np.load(BytesIO(content_of_file), allow_pickle=False) as arrays:
        return dict(arrays)


def refusal(bytes_of_file: bytes, folder: Path, name: str = "model.npz") -> str:
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
    assert loaded.standard == fitted().ready.standard
    assert loaded.last_day == log.as_of


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
    assert "is not a rebleed risk model" in refusal(pickle.dumps(Harmful(mark)), tmp_path)
    assert not mark.exists()


def test_a_foreign_archive_is_refused(tmp_path: Path) -> None:
    assert "is not a rebleed risk model" in refusal(archive({"coefficients": np.arange(6.0)}), tmp_path)


@pytest.mark.parametrize("figure", [float("nan"), float("inf"), 1e308])
@pytest.mark.parametrize(
    "part",
    [
        *("hazard.coefficients", "hazard.covariance", "hazard.window.baseline_cumulative_hazard"),
        *("hazard.technician_variance", "calibration.intercept", "calibration.slope"),
    ],
)
def test_a_model_with_absurd_numbers_under_the_model_files_tag_is_refused(
    tmp_path: Path, part: str, figure: float
) -> None:
    arrays = arrays_of(content())
    arrays[f"model.{part}"].flat[0] = figure
    assert "is not a complete risk model" in refusal(seal_archive(archive(arrays)), tmp_path)


def test_a_model_that_lacks_an_array_or_has_one_of_another_length_is_refused(tmp_path: Path) -> None:
    whole = arrays_of(content())
    for name, values in whole.items():
        lacking = {other: part for other, part in whole.items() if other != name}
        if not name.startswith(("history.", "brakes.")):
            assert "is not a complete risk model" in refusal(seal_archive(archive(lacking)), tmp_path), name
        if values.ndim and name.startswith("model."):
            shorter = {**whole, name: values[:-1]}
            assert "is not a complete risk model" in refusal(seal_archive(archive(shorter)), tmp_path), name


@pytest.mark.parametrize("code", [0xD800, 0x110000, 0xFFFFFFFF])
def test_text_of_what_is_no_character_is_refused(code: int, tmp_path: Path) -> None:
    """Such a code in a corrupted file ended the process inside polars."""
    arrays = arrays_of(content())
    name = next(name for name, array in arrays.items() if array.dtype.kind == "U" and array.size and array.ndim)
    codes = arrays[name].copy().view(np.uint32)
    codes[0] = code
    arrays[name] = codes.view(arrays[name].dtype)
    assert "is not a complete risk model" in refusal(seal_archive(archive(arrays)), tmp_path)


def test_a_header_that_numpy_only_warns_of_is_refused_without_a_warning(tmp_path: Path) -> None:
    body = BytesIO()
    with zipfile.ZipFile(BytesIO(archive(arrays_of(content())))) as good, zipfile.ZipFile(body, "w") as damaged:
        for name in good.namelist():  # a number as Python 2 wrote it
            damaged.writestr(name, re.sub(rb"'shape': \((\d+),\), \} ", rb"'shape': (\1L,), }", good.read(name)))
    with warnings.catch_warnings(record=True, action="always") as raised:
        assert "is not a complete risk model" in refusal(seal_archive(body.getvalue()), tmp_path)
    assert not raised


def test_a_pickled_object_under_the_model_files_seal_is_refused_and_not_executed(tmp_path: Path) -> None:
    mark = tmp_path / "mark"
    arrays = {**arrays_of(content()), "as_of": np.array([Harmful(mark)], dtype=object)}
    assert "is not a complete risk model" in refusal(seal_archive(archive(arrays)), tmp_path)
    assert not mark.exists()


def test_another_version_or_format_is_refused_by_name(tmp_path: Path) -> None:
    body = archive(arrays_of(content()))
    assert "was written by rebleed 9.9.9" in refusal(seal_archive(body, version="9.9.9"), tmp_path)
    assert "model format 8" in refusal(seal_archive(body, model_format=8), tmp_path)


def test_a_model_that_its_runs_manifest_does_not_name_is_refused(tmp_path: Path) -> None:
    manifest = {"made_by": "rebleed", "model_sha256": hashlib.sha256(content()).hexdigest()}
    (tmp_path / "manifest.json").write_text(json.dumps(manifest), encoding="utf-8")
    (tmp_path / "model.npz").write_bytes(content())
    assert read_model(tmp_path / "model.npz").window_days == 90
    manifest["model_sha256"] = "0" * 64
    (tmp_path / "manifest.json").write_text(json.dumps(manifest), encoding="utf-8")
    assert "manifest" in refusal(content(), tmp_path)


def test_a_missing_file_or_a_folder_is_refused(tmp_path: Path) -> None:
    for path in (tmp_path, tmp_path / "nowhere.npz"):
        with pytest.raises(UserError):
            read_model(path)
