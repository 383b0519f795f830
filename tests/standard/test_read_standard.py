"""A shop's own standard: what it says counts, what it says wrong is refused with file and line or key."""

import pytest

from analysis.errors import CannotRun
from analysis.standard import built_in, missed_steps, read_standard
from tests.build import bleed, log_of

STEP = '[[step]]\nid = "cycles"\nfield = "cycles"\nmin = 3\n'


def read(tmp_path, text, **others):
    path = tmp_path / "shop.toml"
    path.write_text(text, encoding="utf-8")
    return read_standard(path, **others)


def test_what_a_shop_leaves_out_is_taken_from_the_built_in_standard(tmp_path):
    standard = read(tmp_path, "[shop]\nwindow_days = 60\n")
    assert standard.window_days == 60
    assert standard.steps == built_in().steps


def test_a_shop_that_lists_steps_has_these_alone(tmp_path):
    standard = read(tmp_path, STEP)
    assert [step.id for step in standard.steps] == ["cycles"]
    assert missed_steps(log_of([bleed("S1", "2026-01-05", cycles=2)]), standard)["cycles"].to_list() == [True]


def test_a_step_may_read_a_field_of_the_shops_own(tmp_path):
    standard = read(
        tmp_path, '[[step]]\nid = "grease"\nfield = "own.grease_g"\nmax = 0.5\n', own_fields=["own.grease_g"]
    )
    log = log_of([bleed("S1", "2026-01-05", **{"own.grease_g": 0.8})])
    assert missed_steps(log, standard)["grease"].to_list() == [True]


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("[shop\n", "is not TOML"),
        ("[shop]\nwindow = 90\n", "line 2, shop: the key 'window' is not known"),
        ("[shop]\nwindow_days = 0\n", "line 2, shop: window_days = 0"),
        ("[shop]\nwindow_days = true\n", "a whole number"),
        (STEP.replace("min = 3", "min = 3\nmax = 2"), "min = 3 is above max = 2"),
        (STEP.replace("min = 3", "min = 3\nis = true"), "more than one rule"),
        (STEP.replace("min = 3\n", ""), "no rule"),
        (STEP + STEP, "used twice"),
        (STEP.replace('"cycles"\nmin', '"sprockets"\nmin'), "is no field of a bleed"),
        (STEP + 'acts = "magic"\n', '"air" or "leak"'),
        ('[comeback]\nnever = ["rust"]\n', "never names 'rust'"),
        ("step = 3\n", "not a list of steps"),
    ],
)
def test_a_wrong_standard_is_refused_with_its_place(tmp_path, text, told):
    with pytest.raises(CannotRun) as refused:
        read(tmp_path, text)
    assert told in str(refused.value)
    assert "shop.toml" in str(refused.value)
    assert "what to do" in str(refused.value)
