"""The plan as a page that stands alone."""

from __future__ import annotations

from crestgauge.inference.study.forms import call_form, forms
from crestgauge.inference.study.plan import CLASSES, SEXES, Plan, cell_class
from crestgauge.inference.study.words import CAUTIONS, INSTRUMENT, PROPOSAL, STEPS


def plan_html(plan: Plan, *, created: str, version: str, sheets: tuple[str, ...]) -> str:
    """The page: one file, no script, nothing loaded from elsewhere."""
    from jinja2 import ChoiceLoader, Environment, PackageLoader, StrictUndefined

    loader = ChoiceLoader(
        [PackageLoader("crestgauge.inference.study"), PackageLoader("crestgauge.inference.compare")]
    )
    environment = Environment(
        loader=loader, autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True
    )
    counts: dict[tuple[str, str], int] = {}
    for animal in plan.animals:
        key = (cell_class(animal.age_class), animal.sex)
        counts[key] = counts.get(key, 0) + 1
    others = {c for c, _ in counts} - set(CLASSES)
    classes = [*(c for c in ("0.5",) if c in others), *CLASSES, *sorted(others - {"0.5"})]
    sexes = [*SEXES, *sorted({s for _, s in counts} - set(SEXES))]
    tables = {name: len(text.splitlines()) - 1 for name, text in forms(plan).items()}
    return environment.get_template("plan.html").render(
        plan=plan, created=created, version=version, sheets=sheets, cautions=CAUTIONS, steps=STEPS,
        instrument=INSTRUMENT, proposal=PROPOSAL, counts=counts, classes=classes, sexes=sexes, tables=tables,
        by_hand=sum(a.by_hand for a in plan.animals), twice=sum(a.twice for a in plan.animals),
        gauge=sum(a.gauge for a in plan.animals),
        call_forms={reader: call_form(reader) for reader in plan.options.readers},
    )  # fmt: skip
