"""`python -m tests.contract.print_api` prints analysis/API.md: the public names with their arguments and descriptions."""

from __future__ import annotations

import inspect
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import analysis
from analysis import charts
from schemas import AUDIT_TABLES

API = Path(analysis.__file__).with_name("API.md")
TITLES = {
    "Reading": ("read_log", "propose_map", "Log"),
    "Auditing": ("read_standard", "built_in", "Standard", "run_audit", "Report"),
    "Viewing": ("findings", "to_do_list", "show", "report_html", "lead_board", "trainer_board", "analyst_board", "init_notebook"),
    "With scikit-learn": (
        "risk_data", "make_risk_pipeline", "BleedFeatures", "FeatureMatrix", "RebleedClassifier", "WindowClassifier",
        "OutOfTimeSplit", "compare", "fit_survival",
    ),
    "Writing and validating": ("write_report", "run_proof", "read_proof", "UserError"),
}  # fmt: skip


def api_markdown() -> str:
    """Every public name: signature, description, arguments and errors, from its docstring."""
    lines = [
        "# Functions",
        "",
        "Generated from the code; do not edit. `import rebleed as rb`, then `rb.read_log(...)` and so on.",
    ]
    for title, names in TITLES.items():
        lines += ["", f"## {title}"]
        for name in names:
            lines += _entry(f"rb.{name}", getattr(analysis, name))
    lines += ["", "## Charts", "", "Each takes a report, one of its tables, or the rows of one group."]
    for name in charts.__all__:
        if inspect.isfunction(getattr(charts, name)):
            lines += _entry(f"rb.charts.{name}", getattr(charts, name))
    lines += ["", "## Tables of a report", "", "Fields, units and ranges: [FIELDS.md](../schemas/FIELDS.md).", ""]
    lines += [f"- `report.{name}`: {_summary(model)}" for name, model in AUDIT_TABLES.items()]
    return "\n".join(lines) + "\n"


def _entry(name: str, value: Any) -> Iterator[str]:
    yield from ("", f"### {name}", "")
    arguments = "" if inspect.isclass(value) else _arguments(value)
    yield from ("```python", f"{name}{arguments}", "```", "", *_text(value))
    if inspect.isclass(value):
        for method, function in vars(value).items():
            if inspect.isfunction(function) and not method.startswith("_"):
                yield from ("", f"`{method}{_arguments(function)}`: {_summary(function)}")


def _arguments(function: Any) -> str:
    """`(log: Log, standard: Standard | None = None) -> Report`; a default without a name is dots."""
    signature = inspect.signature(function)
    plain = [
        one.replace(default=...) if repr(one.default).startswith("<") and one.default is not one.empty else one
        for one in signature.parameters.values()
    ]
    return str(signature.replace(parameters=plain)).replace("'", "").replace("Ellipsis", "...")


def _text(value: Any) -> Iterator[str]:
    """A docstring as Markdown: its sections as lists."""
    lines = (inspect.getdoc(value) or "").split("\n")
    for place, line in enumerate(lines):
        following = lines[place + 1] if place + 1 < len(lines) else ""
        if set(following) == {"-"}:
            yield f"**{line}**"
        elif set(line) == {"-"} and line:
            yield ""
        elif line.startswith("    "):
            yield f"  {line.strip()}"
        elif line and following.startswith("    "):
            yield f"- `{line}`:"
        else:
            yield line


def _summary(value: Any) -> str:
    return " ".join((inspect.getdoc(value) or "").split("\n\n")[0].split())


if __name__ == "__main__":
    API.write_text(api_markdown(), encoding="utf-8")
