"""A shop's own standard: what it sets is used, and mistakes stop with file, line and key."""

from dataclasses import replace
from importlib.resources import files

import pytest

from analysis.errors import UserError
from analysis.standard import built_in, holds, missed_steps, read_standard
from tests.build import bleed, log_of

STEP = '[[step]]\nid = "cycles"\nfield = "cycles"\nmin = 3\n'


def read(tmp_path, text, **others):
    path = tmp_path / "shop.toml"
    path.write_text(text, encoding="utf-8")
    return read_standard(path, **others)


def test_tables_left_out_are_taken_from_the_built_in_standard(tmp_path):
    standard = read(tmp_path, "[shop]\nwindow_days = 60\n")
    assert standard.window_days == 60
    assert standard.steps == built_in().steps


def test_a_standard_with_steps_uses_only_its_own(tmp_path):
    standard = read(tmp_path, STEP)
    assert [step.id for step in standard.steps] == ["cycles"]
    assert missed_steps(log_of([bleed("S1", "2026-01-05", cycles=2)]), standard)["cycles"].to_list() == [True]


def test_a_step_may_read_one_of_the_shops_own_fields(tmp_path):
    standard = read(
        tmp_path, '[[step]]\nid = "grease"\nfield = "own.grease_g"\nmax = 0.5\n', own_fields=["own.grease_g"]
    )
    log = log_of([bleed("S1", "2026-01-05", **{"own.grease_g": 0.8})])
    assert missed_steps(log, standard)["grease"].to_list() == [True]


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("[shop\n", "is not valid TOML"),
        ("[shop]\nwindow = 90\n", "line 2, shop: unknown key 'window'"),
        ("[shop]\nwindow_days = 0\n", "line 2, shop: window_days = 0"),
        ("[shop]\nwindow_days = true\n", "a whole number"),
        (STEP.replace("min = 3", "min = 3\nmax = 2"), "min = 3 is above max = 2"),
        (STEP.replace("min = 3", "min = 3\nis = true"), "more than one rule"),
        (STEP.replace("min = 3\n", ""), "the step has no rule"),
        (STEP + STEP, "used twice"),
        (STEP.replace('"cycles"\nmin', '"sprockets"\nmin'), "is not a field of a bleed"),
        (STEP + 'acts = "magic"\n', '"air" or "leak"'),
        ('[comeback]\nexclude_findings = ["rust"]\n', "exclude_findings contains 'rust'"),
        ("step = 3\n", "line 1: step is not a list of steps"),
        ("step = []\n", "not a list of steps"),
        ("shop = 3\n", "shop is not a table"),
        (STEP.replace("min = 3", "min = 3\nmin_mm = 4"), "line 5, step 1 (cycles): unknown key 'min_mm'"),
        (
            STEP + STEP.replace('id = "cycles"', 'id = "more"').replace("min = 3", 'min = "3"'),
            "line 8, step 2 (more): min",
        ),
        (STEP.replace("min = 3", "min = nan"), "a number"),
        (STEP.replace("min = 3", "is = true"), "the rule needs true/false and cycles contains whole number"),
        (
            STEP.replace('field = "cycles"', 'field = "pads_out"'),
            "the rule needs number and pads_out contains true/false",
        ),
        (STEP.replace('field = "cycles"', 'field = "started_at"'), "contains date or date-time"),
        (STEP.replace("min = 3", 'above_field = "shop"'), "shop contains text"),
        (STEP.replace("min = 3", 'above_field = "sprockets"'), "above_field = 'sprockets' is not a field"),
        (STEP.replace("min = 3", 'at_least_field = "piston_pairs"'), "else is missing"),
        (STEP.replace("min = 3", "min = 3\nelse = 1"), "else without at_least_field"),
        (STEP.replace("min = 3", "equals = true"), "is = true"),
        ('[[step]]\nid = "f"\nfield = "fluid_used"\nequals = "dot6"\n', "line 4, step 1 (f): equals = 'dot6'"),
        (STEP.replace("min = 3", 'brake_limits = ["port_nm_min"]'), "two number fields"),
        (STEP.replace("min = 3", 'brake_limits = ["port_nm_min", "rotor"]'), "brake_limits contains 'rotor'"),
        (STEP.replace('id = "cycles"', 'id = "session_id"'), "cannot be a step's id"),
        (STEP + 'acts_on = ["mood"]\n', "acts_on contains 'mood'"),
        (STEP + 'title = "Purge\\u0000d"\n', r"line 5, step 1 (cycles): title = 'Purge\x00d'"),
        (STEP + 'missed_title = """two\nlines"""\n', "one line of text without control characters"),
        ('shops = ["Quay\\u001b[2J"]\n', "shops = "),
        ('[fluids]\nreplaces = { dot9 = ["dot4"] }\n', "unknown key 'dot9'"),
        ('[fluids.replaces]\ndot3 = "dot4"\n', "line 2, fluids.replaces: dot3 = 'dot4'"),
        ("[second_check]\nrecall_minutes = -1\n", "line 2, second_check: recall_minutes = -1"),
        ("[second_check]\nsensitivity = 1.2\n", "line 2, second_check: sensitivity = 1.2"),
    ],
)
def test_a_mistake_in_a_standard_stops_with_file_line_and_key(tmp_path, text, message):
    with pytest.raises(UserError) as error:
        read(tmp_path, text)
    assert message in str(error.value)
    assert "shop.toml" in str(error.value)
    assert "what to do" in str(error.value)


@pytest.mark.parametrize("own", [["own.grease"], []])
def test_an_own_field_must_be_in_the_map(tmp_path, own):
    text = '[[step]]\nid = "grease"\nfield = "own.grease"\nis = true\n'
    if own:
        assert read(tmp_path, text, own_fields=own).steps[0].field == "own.grease"
    else:
        with pytest.raises(UserError, match=r"own.<name> for a custom field of the map"):
            read(tmp_path, text)


def test_an_own_field_whose_type_does_not_suit_its_rule_stops_with_a_remedy(tmp_path):
    standard = read(tmp_path, '[[step]]\nid = "grease"\nfield = "own.grease"\nmin = 1\n', own_fields=["own.grease"])
    log = log_of([bleed("S1", "2026-01-05", **{"own.grease": "plenty"})])
    with pytest.raises(UserError, match=r"the field own\.grease contains text"):
        missed_steps(log, standard)


def test_an_own_field_missing_from_every_export_is_not_recorded(tmp_path):
    text = '[[step]]\nid = "grease"\nfield = "own.grease"\nabove_field = "own.least"\n'
    standard = read(tmp_path, text, own_fields=["own.grease", "own.least"])
    assert missed_steps(log_of([bleed("S1", "2026-01-05")]), standard)["grease"].to_list() == [None]


def test_brake_limits_without_any_limit_known_are_not_recorded(tmp_path):
    standard = read(tmp_path, STEP.replace("min = 3", 'brake_limits = ["port_nm_min", "port_nm_max"]'))
    assert missed_steps(log_of([bleed("S1", "2026-01-05", cycles=2)]), standard)["cycles"].to_list() == [None]


def test_brake_limits_read_the_brake_even_where_the_bleed_has_a_field_of_that_name(tmp_path):
    text = '[[step]]\nid = "hose"\nfield = "hose_mm"\nbrake_limits = ["hose_mm", "hose_mm"]\n'
    bleeds = [bleed(f"S{mm}", "2026-01-05", hose_mm=float(mm), brake_model="Basalt 2") for mm in (800, 900)]
    log = log_of(bleeds, brakes=[{"brake_model": "Basalt 2", "hose_mm": 900.0}])
    assert missed_steps(log, read(tmp_path, text))["hose"].to_list() == [True, False]


def test_a_shop_lists_which_fluid_may_replace_another(tmp_path):
    log = log_of([bleed("S1", "2026-01-05", fluid_required="dot4", fluid_used="dot5.1")])
    strict = read(tmp_path, "[fluids]\nreplaces = {}\n")
    assert holds(log, built_in()).is_empty()
    assert holds(log, strict).get_column("rule").to_list() == ["wrong_fluid"]


def test_a_step_may_require_a_text(tmp_path):
    standard = read(tmp_path, '[[step]]\nid = "f"\nfield = "fluid_used"\nequals = "mineral"\n')
    log = log_of([bleed("S1", "2026-01-05", fluid_used="mineral"), bleed("S2", "2026-01-05", fluid_used="dot4")])
    assert missed_steps(log, standard)["f"].to_list() == [False, True]


@pytest.mark.parametrize(
    ("create", "message"),
    [
        (lambda path: None, "cannot be read"),
        (lambda path: path.mkdir(), "this is a folder"),
        (lambda path: path.write_bytes(b"\xff\xfe[\x00"), "is not UTF-8"),
        (lambda path: path.write_text("#" * 1_000_001), "larger than 1 MB"),
    ],
)
def test_a_file_that_is_not_a_standard_is_rejected(tmp_path, create, message):
    create(tmp_path / "shop.toml")
    with pytest.raises(UserError, match=message):
        read_standard(tmp_path / "shop.toml")


def test_a_byte_order_mark_does_no_harm(tmp_path):
    (tmp_path / "shop.toml").write_bytes(b"\xef\xbb\xbf[shop]\nwindow_days = 60\n")
    assert read_standard(tmp_path / "shop.toml").window_days == 60


def test_the_built_in_standard_read_as_a_shops_own_is_the_same(tmp_path):
    text = files("analysis.standard").joinpath("built_in.toml").read_text("utf-8")
    assert replace(read(tmp_path, text), name="built in") == built_in()


def test_a_step_has_the_place_of_its_field_and_an_own_field_that_of_the_step_before(tmp_path):
    text = STEP + '[[step]]\nid = "grease"\nfield = "own.grease"\nis = true\n'
    cycles, grease = read(tmp_path, text, own_fields=["own.grease"]).steps
    assert (cycles.place, grease.place) == ("passes", "passes")
    assert cycles.is_after("first pass")
    assert not cycles.is_after("passes")
    places = {step.id: step.place for step in built_in().steps}
    assert (places["purge"], places["settle"], places["cleaned"]) == ("preparation", "closing", "after")


def test_a_written_place_is_used_and_an_unknown_one_stops_with_the_choices(tmp_path):
    assert read(tmp_path, STEP + 'place = "closing"\n').steps[0].place == "closing"
    with pytest.raises(UserError, match="preparation, first pass, passes, closing, after"):
        read(tmp_path, STEP + 'place = "tomorrow"\n')
