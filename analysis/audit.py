"""The stages of an audit in order, from a log to a Report."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

from pandera.typing.polars import DataFrame

from analysis.audit_options import RISK_MODEL, SEED
from analysis.dataset import data_for_fitting
from analysis.errors import UserError
from analysis.intake import Log
from analysis.lots import group_columns, lots
from analysis.output import read_earlier
from analysis.parallel import SERIAL, Executor, limit_threads
from analysis.people import coaching_effects, learners, measure_effects, technique_table
from analysis.report import Clock, PeopleResults, Report
from analysis.rounds import compare_with_earlier_audit
from analysis.stages import (
    AuditSettings,
    clear_rates_and_costs,
    run_follow_up,
    run_rates,
    run_recalls_and_costs,
    run_risk,
    run_steps,
    stage_rng,
)
from analysis.standard import Standard, built_in
from analysis.survival import WHOLE_LOG, ObservationWindow, recording_notes
from schemas.outputs import Comparison


def run_audit(  # noqa: PLR0913 - the one entry point, by keyword
    log: Log,
    standard: Standard | None = None,
    *,
    window_days: int | None = None,
    seed: int = SEED,
    observation_window: ObservationWindow = WHOLE_LOG,
    groups: Sequence[str] = (),
    since: str | Path | None = None,
    extra: Sequence[str] = (),
    classifier: Any = None,
) -> Report:
    """Audit a log: recalls, rates, steps, people, risks and plans.

    Parameters
    ----------
    log
        Accepted bleeds and returns.
    standard
        The procedure they are compared with; the built-in one if None.
    window_days
        Follow-up window in days; None takes that of the procedure.
    seed
        Seed of all random numbers.
    observation_window
        The days on which returns were recorded.
    groups
        Columns in the table of bleeds (log fields, or custom columns from the map) whose values are compared like lots and kits.
    since
        The folder of an earlier audit to compare with.
    extra
        Custom fields declared in the map (with or without `own.`) that enter the risk model. Those with the role context also
        adjust the estimated effects of missed steps; readings (role sign) and technique never do.
    classifier
        A scikit-learn classifier to compare the risk model with (`Report.comparison`), or a dict of several by name.

    Raises
    ------
    UserError
        `log` is not a `Log` or `standard` not a `Standard`; the window is shorter than a day; the folder of the earlier audit
        is incomplete, or that audit is of a later day; the bleeds have no such custom field or group column; a classifier
        has the name of the risk model.
    """
    if not isinstance(log, Log):
        raise UserError(
            "the log", f"is of type {type(log).__name__}, not a log", "a Log", "read one: run_audit(read_log(exports))"
        )
    if standard is not None and not isinstance(standard, Standard):
        problem = f"is of type {type(standard).__name__}, not a procedure"
        raise UserError("the procedure", problem, "a Standard", "read one with read_standard(path)")
    settings = AuditSettings(
        window_days,
        seed,
        observation_window,
        groups=tuple(groups),
        since=None if since is None else read_earlier(since),
        extra=tuple(extra),
        classifiers=named_classifiers(classifier),
    )
    return run_stages(log, built_in() if standard is None else standard, settings, Clock())


def named_classifiers(classifier: Any) -> Mapping[str, Any]:
    """One classifier under the name of its class, or those of a mapping.

    Raises
    ------
    UserError
        One has the name of the risk model.
    """
    if classifier is None:
        return {}
    by_name = classifier if isinstance(classifier, Mapping) else {type(classifier).__name__: classifier}
    if RISK_MODEL in by_name:
        raise UserError(
            "the classifiers", f"one is called {RISK_MODEL!r}", "another name", "the risk model has that name"
        )
    return by_name


def compare(report: Report, classifiers: Any) -> DataFrame[Comparison]:
    """Compare scikit-learn classifiers with an audit's risk model on the same bleeds, folds and metrics.

    Parameters
    ----------
    report
        A finished audit.
    classifiers
        One classifier, or a dict of several by name, for example {"mine": LogisticRegression()}; each gets the audit's
        features as numbers (`make_risk_pipeline`).

    Returns
    -------
    DataFrame[Comparison]
        The table that `run_audit` gives with the same classifiers; empty if the audit has no risk model.

    Raises
    ------
    UserError
        One has the name of the risk model.
    """
    from analysis.risk import compare_on_log

    fitted = data_for_fitting(report.data, report.seed)
    return compare_on_log(report.log, report.data, fitted, report.risk, named_classifiers(classifiers))


def run_stages(
    log: Log, standard: Standard, settings: AuditSettings, clock: Clock, executor: Executor = SERIAL
) -> Report:
    """`run_audit` with a clock and an executor for the risk and the dose-response curves; the results do not depend on the executor."""
    columns = group_columns(log, settings.groups)
    with limit_threads():
        with clock.stage("follow up"):
            followed, unit_cost = run_follow_up(log, standard, settings)
        ready, learned = followed.data, data_for_fitting(followed.data, settings.seed)
        with clock.stage("risk"):
            risk = executor.submit(run_risk, _empty_long_tables(log), ready, unit_cost, replace(settings, since=None))
        with clock.stage("rates"):
            rate_results = run_rates(ready, learned, log.measures, settings.seed)
        with clock.stage("steps"):
            steps, step_notes, fitted = run_steps(ready, learned, unit_cost, settings.seed, executor)
            lot_results = lots(ready, columns, fitted)
        with clock.stage("people"):
            people = PeopleResults(
                technique=technique_table(ready, steps.steps),
                coaching=coaching_effects(ready, log.coaching),
                measure_effects=measure_effects(ready, log.measures),
            )
            rng = stage_rng(settings.seed, "learners")
            learner_results = learners(ready, log.technicians, rate_results.rates, rng)
        with clock.stage("holds and costs"):
            plan = run_recalls_and_costs(log, ready, steps, unit_cost, settings.seed)
        with clock.stage("risk"):
            risk_results = risk.result()
    if not (log.has_comebacks_table or followed.comebacks):
        followed, rate_results, plan = clear_rates_and_costs(followed, rate_results, plan)
    notes = (
        *(ready.questions or recording_notes(log, settings.covered)),
        *followed.late_brake_model_notes,
        *step_notes,
    )
    results = (followed, rate_results, steps, lot_results, people, learner_results, risk_results, plan)
    report = _join_results(log, settings, results, notes, clock)
    if settings.since is None:
        return report
    with clock.stage("since"), limit_threads():
        compared = compare_with_earlier_audit(report, settings.since, settings.covered)
    return replace(compared, stages=tuple(clock.stages))


def _join_results(
    log: Log, settings: AuditSettings, results: Sequence[object], notes: tuple[str, ...], clock: Clock
) -> Report:
    """The results of all stages as one report; the first are those of the follow-up."""
    by_name: dict[str, Any] = {name: value for one in results for name, value in vars(one).items()}
    data = by_name["data"]
    return Report(
        log=log,
        standard=data.standard,
        as_of=log.as_of,
        window_days=data.window_days,
        seed=settings.seed,
        intake=log.intake,
        set_aside=log.set_aside,
        notes=notes,
        stages=tuple(clock.stages),
        names_hidden=settings.names_hidden,
        **by_name,
    )


def _empty_long_tables(log: Log) -> Log:
    """The log with its long tables emptied, so that less is sent to the worker; the risk stage does not need them."""
    long = ("sessions", "comebacks", "passes", "links", "set_aside")
    return replace(log, **{name: getattr(log, name).clear() for name in long}, rejected=())
