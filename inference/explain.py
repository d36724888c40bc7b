"""
A reading in words: the key step by step, what else is possible, and how far such ages can be trusted.

The same `Explanation` serves the terminal (`Explanation.text`) and a page (`Explanation.html`).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from html import escape
from typing import Final

from crestgauge.inference.criteria import Remark
from crestgauge.inference.reading import Reading, StepReading
from crestgauge.model.labels import tooth_name

METHOD: Final = (
    "Deer of one age differ in how far their teeth are worn; that limits every age from wear, "
    "however well the widths are measured."
)
"""By the spread within classes in Proc. SEAFWA 2006 and Wildl. Soc. Bull. 2013, doi 10.1002/wsb.275."""
MARGINS: Final = "± is the 95 % margin of a value, two standard uncertainties."


@dataclass(frozen=True, slots=True, kw_only=True)
class ExplainedStep:
    """
    One question of the key in words.

    Parameters
    ----------
    tooth : str
        Both names, capitalised: ``Tooth 4 (m1)``.
    answer : str
        yes, no, borderline or unseen; ``unseen, taken as passed`` where a later tooth already passes.
    then : str
        What follows: ``at least 3.5``, ``2.5``, ``2.5, or at least 3.5``.
    decided : bool
        This step set the class or left it open.
    beyond : bool
        Asked only to see what else is possible; the class was settled above.
    """

    id: str
    question: str
    tooth: str
    why: str
    answer: str
    then: str
    decided: bool
    beyond: bool

    @property
    def sentence(self) -> str:
        """Tooth, why, answer and what follows in one line."""
        return f"{self.tooth}: {self.why}: {self.answer} -> {self.then}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Explanation:
    """
    A reading in words, part by part.

    Parameters
    ----------
    headline : str
        Class and outcome.
    possible : str
        What else the evidence allows; empty where nothing else.
    retake : tuple of str
        Reasons with value, limit and advice.
    accuracy : tuple of str
        Each coarse class with what was published on it, and remarks on single-year classes.
    caution : str
        That this is a proposal.
    """

    headline: str
    steps: tuple[ExplainedStep, ...]
    possible: str
    notes: tuple[str, ...]
    retake: tuple[str, ...]
    accuracy: tuple[str, ...]
    caution: str

    @property
    def _has_margins(self) -> bool:
        return any("±" in step.sentence for step in self.steps)

    def text(self) -> str:
        """Plain text, one statement a line; the step that decided is marked with ``>``."""
        lines = [self.headline]
        told_beyond = False
        for step in self.steps:
            if step.beyond and not told_beyond:
                lines.append("  To see what else is possible, the key was read on:")
                told_beyond = True
            lines.append(f"  {'>' if step.decided else ' '} {step.sentence}")
        lines += [MARGINS] if self._has_margins else []
        lines += [self.possible] if self.possible else []
        lines += [f"Look at: {note}" for note in self.notes]
        lines += [f"Retake: {reason}" for reason in self.retake]
        return "\n".join([*lines, *self.accuracy, self.caution])

    def html(self) -> str:
        """The same as a fragment of HTML without style; all text is escaped."""
        parts = [f'<p class="headline"><strong>{escape(self.headline)}</strong></p>']
        if self.steps:
            items = []
            for step in self.steps:
                names = " ".join(n for n, on in (("decided", step.decided), ("beyond", step.beyond)) if on)
                mark = f' class="{names}"' if names else ""
                question = f'<span class="question">{escape(step.question)}</span>'
                items.append(
                    f'<li{mark} data-step="{escape(step.id)}">{question} {escape(step.sentence)}</li>'
                )
            parts.append(f'<ol class="steps">{"".join(items)}</ol>')
        parts += [f"<p>{escape(MARGINS)}</p>"] if self._has_margins else []
        parts += [f"<p>{escape(self.possible)}</p>"] if self.possible else []
        for name, lines in (("notes", self.notes), ("retake", self.retake), ("accuracy", self.accuracy)):
            if lines:
                items = [f"<li>{escape(line)}</li>" for line in lines]
                parts.append(f'<ul class="{name}">{"".join(items)}</ul>')
        return "\n".join([*parts, f'<p class="caution">{escape(self.caution)}</p>'])


def explain(reading: Reading, *, remarks: Sequence[Remark] = ()) -> Explanation:
    """
    Put a reading into words.

    Parameters
    ----------
    remarks : sequence of Remark
        ``Criteria.remarks`` of the criteria that the reading names: published accuracy of single-year
        classes.
    """
    return Explanation(
        headline=_headline(reading),
        steps=_steps(reading),
        possible=_possible(reading),
        notes=reading.notes,
        retake=tuple(_retake(reading)),
        accuracy=tuple(_accuracy(reading, remarks)) if reading.possible else (),
        caution=reading.caution,
    )


def decided(reading: Reading) -> str:
    """The step that set the class or left it open, or the reasons why the photo was refused."""
    steps = [step for step in _steps(reading) if step.decided]
    return steps[0].sentence if steps else " ".join(_retake(reading))


def _headline(reading: Reading) -> str:
    if reading.age_class is not None:
        others = [name for name in reading.possible if name != reading.age_class]
        also = f"; also possible: {', '.join(others)}" if others else ""
        return f"Proposed age class {reading.age_class} ({reading.outcome}{also})"
    if reading.possible:
        return f"No age class ({reading.outcome}): {_range(reading.possible)}"
    return "No age class: the photo cannot be read, take it again"


def _range(possible: tuple[str, ...]) -> str:
    return f"at least {possible[0]}; possible: {', '.join(possible)}"


def _possible(reading: Reading) -> str:
    if reading.age_class is None:
        return f"The class stays open: {_range(reading.possible)}." if reading.possible else ""
    others = [name for name in reading.possible if name != reading.age_class]
    if not others:
        return ""
    doubtful = sorted({word for step in reading.steps for word in step.definitions})
    by = f" It changes with the definition of the ratio ({', '.join(doubtful)})." if doubtful else ""
    kept = (
        "the younger class is kept"
        if float(others[0].rstrip("+")) > float(reading.age_class.rstrip("+"))
        else ""
    )
    return f"Also possible: {', '.join(others)}; {kept}.{by}"


def _steps(reading: Reading) -> tuple[ExplainedStep, ...]:
    explained = []
    beyond = False
    for i, step in enumerate(reading.steps):
        passed = step.answer == "unseen" and _next_clear(reading.steps[i + 1 :]) == "yes"
        explained.append(
            ExplainedStep(
                id=step.id,
                question=step.question,
                tooth=_tooth(reading, step.tooth),
                why=step.why,
                answer="unseen, taken as passed" if passed else step.answer,
                then=_then(step, passed=passed),
                decided=step.id == reading.deciding,
                beyond=beyond,
            )
        )
        beyond = beyond or step.id == reading.deciding
    return tuple(explained)


def _next_clear(steps: Sequence[StepReading]) -> str | None:
    return next((step.answer for step in steps if step.answer in ("yes", "no")), None)


def _then(step: StepReading, *, passed: bool) -> str:
    if step.answer == "no":
        return step.class_if_no
    older = step.class_if_yes if step.class_if_yes.endswith("+") else f"at least {step.class_if_yes}"
    if step.answer == "yes" or passed:
        return older
    return f"{step.class_if_no}, or {older}"


def _tooth(reading: Reading, position: int) -> str:
    milk = bool(reading.teeth) and position <= 3 and bool(reading.teeth[position - 1].milk)
    return f"Tooth {position} ({tooth_name(position, milk=milk)})"


def _retake(reading: Reading) -> list[str]:
    reasons = []
    for item in reading.retake:
        numbers = []
        if item.measured is not None:
            numbers.append(f"measured {item.measured:.4g}")
        if item.limit is not None:
            numbers.append(f"limit {item.limit:.4g}")
        shown = f" ({', '.join(numbers)})" if numbers else ""
        reasons.append(f"{item.reason.replace('_', ' ')}{shown}. {item.advice}")
    return reasons


def _accuracy(reading: Reading, remarks: Sequence[Remark]) -> list[str]:
    lines = []
    for coarse in reading.coarse.values():
        name = coarse.label if coarse.label is not None else " or ".join(coarse.possible)
        figures = "; ".join(f"{a.percent:g} % {a.of} [{a.source}]" for a in coarse.accuracy)
        lines.append(f"Coarse class {name}: {coarse.words}" + (f" {figures}." if figures else ""))
    for remark in remarks:
        a = remark.accuracy
        lines.append(
            f"Published: {remark.words}: {a.percent:g} % {a.of} [{a.source.text}; {a.source.where}]."
        )
    return [*lines, METHOD]
