"""What must hold of the rule layer for every input, also for nonsense that no jaw would give."""

from __future__ import annotations

import json
import random
from dataclasses import replace
from importlib.resources import files
from itertools import product

import jsonschema
from hypothesis import given, settings
from hypothesis import strategies as st

from crestgauge.inference.build import Measured, build_reading, evidence_of, round_evidence
from crestgauge.inference.criteria import load_criteria
from crestgauge.inference.evidence import DEFINITIONS, CrestEvidence, Quantity, RowEvidence, ToothEvidence
from crestgauge.inference.explain import explain
from crestgauge.inference.reading import PhotoRef, Reading, Versions
from crestgauge.inference.rules import Proposal, propose

KEY = load_criteria()
IDS = [criterion.id for criterion in KEY.key]
SCHEMA = jsonschema.Draft202012Validator(
    json.loads(files("crestgauge.inference").joinpath("schema", "reading-1.json").read_text(encoding="utf-8"))
)
FEW = settings(max_examples=25, derandomize=True, deadline=None)
"""Hypothesis finds and shrinks odd corners; the mass of rows comes from `random_row`, which is cheaper."""

# Values on, near and far from every limit of the default key, and any other.
ratios = st.sampled_from([0.0, 0.5, 0.9, 0.99, 1.0, 1.01, 1.1, 2.0, 4.0]) | st.floats(0, 5)
shares = st.sampled_from([0.0, 0.02, 0.2, 0.3, 0.35, 1.0]) | st.floats(0, 1)
sigmas = st.sampled_from([0.0, 0.01, 0.05, 0.3])


def maybe(strategy: st.SearchStrategy) -> st.SearchStrategy:
    return st.none() | strategy


def quantities(values: st.SearchStrategy[float]) -> st.SearchStrategy[Quantity]:
    return st.builds(Quantity, values, sigmas)


def crests(lobe: int) -> st.SearchStrategy[CrestEvidence]:
    return st.builds(
        CrestEvidence,
        lobe=st.just(lobe),
        ratio=maybe(quantities(ratios)),
        ratio_by_definition=st.dictionaries(st.sampled_from(DEFINITIONS), ratios),
        infundibulum_gone=st.sampled_from([False, False, False, True]),
    )


def teeth(position: int) -> st.SearchStrategy[ToothEvidence]:
    # More erupted teeth than any other state, or hardly any row would get far down the key.
    states = st.sampled_from(["erupted"] * 6 + ["erupting", "absent", "missing", "broken", "unseen"])
    return st.builds(
        ToothEvidence,
        position=st.just(position),
        state=states,
        milk=st.sampled_from([None, False, False, True]) if position <= 3 else st.just(False),
        lobes=maybe(st.integers(1, 3)),
        crests=st.lists(st.sampled_from([1, 2, 3]), unique=True).flatmap(
            lambda lobes: st.tuples(*(crests(lobe) for lobe in sorted(lobes)))
        ),
        infundibulum_left=maybe(quantities(shares)),
        dentine_share=maybe(quantities(shares)),
    )


rows = st.builds(RowEvidence, st.tuples(*(teeth(position) for position in range(1, 7))))


def reference_possible(words: list[str]) -> set[str]:
    """Slow and obvious: try every way in which the doubtful answers could fall, each time down the key."""
    choices = []
    for i, word in enumerate(words):
        later = [w for w in words[i + 1 :] if w in ("yes", "no")]
        if word == "yes" or (word == "unseen" and later[:1] == ["yes"]):
            choices.append(["yes"])
        elif word == "no" and "yes" not in later:
            choices.append(["no"])
        else:
            choices.append(["yes", "no"])
    found = set()
    for fall in product(*choices):
        stop = fall.index("no") if "no" in fall else None
        found.add(KEY.classes[-1] if stop is None else KEY.key[stop].class_if_no)
    return found


def all_words(evidence: RowEvidence) -> list[str]:
    """Every answer of the key, also beyond the first no."""
    from crestgauge.inference.answers import answer

    return [answer(criterion, evidence, KEY.options).word for criterion in KEY.key]


def check_steps(evidence: RowEvidence, proposal: Proposal) -> None:
    """No step is skipped, no class invented."""
    words = [step.answer for step in proposal.steps]
    assert [step.id for step in proposal.steps] == IDS[: len(words)]
    assert "no" not in words[:-1]
    assert words[-1] == "no" or len(words) == len(IDS)
    assert words == all_words(evidence)[: len(words)]
    assert proposal.possible == tuple(name for name in KEY.classes if name in set(proposal.possible))
    assert set(proposal.possible) == reference_possible(all_words(evidence))
    assert proposal.age_class in (None, proposal.possible[0])


def check_outcome(proposal: Proposal) -> None:
    """The outcome says what the classes say."""
    if proposal.outcome == "clear":
        assert proposal.possible == (proposal.age_class,)
    if proposal.outcome == "retake":
        assert proposal.age_class is None and proposal.unseen_teeth
    if len(proposal.possible) > 1:
        assert proposal.outcome != "clear"
    assert proposal.deciding in [step.id for step in proposal.steps]


def random_row(rng: random.Random) -> RowEvidence:
    """Nonsense and sense mixed, with values on, near and far from the limits."""

    def quantity(values: list[float], high: float) -> Quantity | None:
        value = rng.choice([*values, rng.uniform(0, high), rng.uniform(0, high)])
        return None if rng.random() < 0.1 else Quantity(value, rng.choice([0.0, 0.01, 0.05, 0.3]))

    made = []
    for position in range(1, 7):
        found = []
        for lobe in (1, 2, 3):
            if rng.random() < 0.85:
                definitions = {name: rng.uniform(0, 3) for name in DEFINITIONS if rng.random() < 0.2}
                ratio = quantity([0.0, 0.99, 1.0, 1.01], 4)
                gone = rng.random() < 0.15
                found.append(
                    CrestEvidence(
                        lobe=lobe, ratio=ratio, ratio_by_definition=definitions, infundibulum_gone=gone
                    )
                )
        made.append(
            ToothEvidence(
                position=position,
                state=rng.choice(["erupted"] * 20 + ["erupting", "absent", "missing", "broken", "unseen"]),
                milk=rng.choice([None, False, False, False, True]) if position <= 3 else False,
                lobes=rng.choice([None, 2, 2, 3]),
                crests=tuple(found),
                infundibulum_left=quantity([0.0, 0.2, 0.3, 1.0], 1),
                dentine_share=quantity([0.0, 0.02, 0.2], 1),
            )
        )
    return RowEvidence(tuple(made))


def test_two_thousand_random_rows() -> None:
    rng = random.Random(20)
    seen = set()
    for _ in range(2000):
        evidence = random_row(rng)
        proposal = propose(evidence, KEY)
        check_steps(evidence, proposal)
        check_outcome(proposal)
        seen.add((proposal.outcome, proposal.age_class))
    # Every class was reached, so the checks were not about a few easy rows.
    assert {name for _, name in seen} == {None, *KEY.classes}
    assert {outcome for outcome, _ in seen} == {"clear", "borderline", "retake"}


@FEW
@given(rows)
def test_any_row(evidence: RowEvidence) -> None:
    proposal = propose(evidence, KEY)
    check_steps(evidence, proposal)
    check_outcome(proposal)


def floor(proposal: Proposal) -> int:
    """The youngest class that the proposal allows."""
    return KEY.classes.index(proposal.possible[0])


def test_more_wear_never_makes_a_deer_younger() -> None:
    """A wider dentine band on one crest, or less of one infundibulum, all else equal, with u kept."""
    rng = random.Random(21)
    raised = 0
    for _ in range(2000):
        evidence = random_row(rng)
        position = rng.choice([4, 5, 6])
        tooth = evidence.teeth[position - 1]
        more = rng.uniform(0, 2)
        wider = tuple(
            replace(c, ratio=Quantity(c.ratio.value + more, c.ratio.u)) if c.ratio and c.lobe == 1 else c
            for c in tooth.crests
        )
        left = tooth.infundibulum_left
        shrunk = None if left is None else Quantity(left.value * rng.random(), left.u)
        before = floor(propose(evidence, KEY))
        for worn in (replace(tooth, crests=wider), replace(tooth, infundibulum_left=shrunk)):
            teeth = list(evidence.teeth)
            teeth[position - 1] = worn
            after = floor(propose(RowEvidence(tuple(teeth)), KEY))
            assert after >= before, (evidence, worn)
            raised += after > before
    assert raised > 20  # the changes do matter


@FEW
@given(rows)
def test_a_reading_follows_its_schema_comes_back_and_carries_its_evidence(evidence: RowEvidence) -> None:
    evidence = round_evidence(evidence)
    proposal = propose(evidence, KEY)
    reading = build_reading(
        photo=PhotoRef(file="jaw.jpg", sha256="0" * 64, width=4000, height=3000),
        versions=Versions(crestgauge="0.1.0", model="none", criteria=KEY.label),
        measured=Measured(evidence=evidence),
        proposal=proposal,
    )
    text = reading.to_json()
    SCHEMA.validate(json.loads(text))
    assert Reading.from_json(text) == reading
    assert Reading.from_json(text).to_json() == text
    carried = evidence_of(reading)
    assert carried is not None
    assert propose(carried, KEY) == proposal
    words = explain(reading, remarks=KEY.remarks).text()
    assert words.endswith("A proposal for a trained person to confirm.")
