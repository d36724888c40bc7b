"""The rule layer, answer by answer. Expected classes are those of the default key (criteria/default.toml)."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest
from evidence_rows import CLASS_ROWS, bare, crest, milk_row, molar, premolar, row, yearling_row

from crestgauge.inference.answers import crest_ratio, tooth_ratio
from crestgauge.inference.criteria import Criteria, load_criteria, parse_criteria
from crestgauge.inference.errors import InputError
from crestgauge.inference.evidence import CrestEvidence, Quantity, RowEvidence, ToothEvidence
from crestgauge.inference.rules import Proposal, Step, propose
from crestgauge.inference.season import Season

KEY = load_criteria()
IDS = [criterion.id for criterion in KEY.key]
UNSEEN_STATES = ["unseen", "missing", "broken"]


def with_option(name: str, value: str) -> Criteria:
    """The default key with one option changed; ``value`` in TOML."""
    from importlib.resources import files

    text = files("crestgauge.inference.criteria").joinpath("default.toml").read_text(encoding="utf-8")
    head, tail = text.split(f"[options.{name}]\n", 1)
    first, rest = tail.split("\n", 1)
    assert first.startswith("value = ")
    return parse_criteria(f"{head}[options.{name}]\nvalue = {value}\n{rest}".encode(), name="changed.toml")


def said(proposal: Proposal, step_id: str) -> Step:
    """The step of that id."""
    return next(step for step in proposal.steps if step.id == step_id)


# -------------------- every class


@pytest.mark.parametrize("age_class", list(CLASS_ROWS))
def test_a_plain_row_of_each_class_is_clear(age_class: str) -> None:
    proposal = propose(CLASS_ROWS[age_class], KEY)
    assert (proposal.outcome, proposal.age_class, proposal.possible) == ("clear", age_class, (age_class,))
    assert proposal.notes == ()
    words = [step.answer for step in proposal.steps]
    stopped = words[:-1] if age_class != "8.5+" else words
    assert set(stopped) <= {"yes"}
    assert (words[-1] == "no") == (age_class != "8.5+")
    assert proposal.deciding == proposal.steps[-1].id


def test_the_rows_cover_all_classes() -> None:
    assert tuple(CLASS_ROWS) == KEY.classes


# -------------------- borderline


def near(criterion_id: str, value: float) -> RowEvidence:
    """The row in which that question is answered with ``value``, and all before it with a clear yes."""
    rows = {
        "tooth-3-in-wear": lambda: row(premolar(3, dentine=value), molar(6, 0.0)),
        "tooth-4-wide": lambda: row(molar(4, value)),
        "tooth-5-wide": lambda: row(molar(4, 2.0), molar(5, value)),
        "tooth-6-wide": lambda: row(molar(4, 2.0), molar(5, 1.6), molar(6, value)),
        "tooth-4-dished": lambda: row(molar(4, 3.0, left=value), molar(5, 2.0), molar(6, 1.5)),
        "tooth-5-dished": lambda: row(molar(4, None, left=0.0), molar(5, 3.0, left=value), molar(6, 2.0)),
        "tooth-6-dished": lambda: row(
            molar(4, None, left=0.0), molar(5, None, left=0.0), molar(6, 3.0, left=value)
        ),
    }
    return rows[criterion_id]()


@pytest.mark.parametrize("criterion_id", IDS[2:])
@pytest.mark.parametrize("offset", [-0.5, 0.5])
def test_near_its_limit_a_step_is_borderline_and_keeps_the_younger_class(
    criterion_id: str, offset: float
) -> None:
    criterion = KEY.key[IDS.index(criterion_id)]
    u = 0.005 if criterion.quantity == "dentine_share" else 0.03  # as in evidence_rows
    proposal = propose(near(criterion_id, criterion.threshold + offset * 2 * u), KEY)
    assert said(proposal, criterion_id).answer == "borderline"
    assert proposal.outcome == "borderline"
    assert proposal.deciding == criterion_id
    assert proposal.age_class == criterion.class_if_no == proposal.possible[0]
    assert criterion.class_if_yes in proposal.possible


@pytest.mark.parametrize("criterion_id", IDS[3:])
@pytest.mark.parametrize("side", [-1, 1])
def test_just_beyond_k_standard_uncertainties_a_step_is_clear(criterion_id: str, side: int) -> None:
    """2.1 u from the limit is outside the default band of 2 u."""
    criterion = KEY.key[IDS.index(criterion_id)]
    proposal = propose(near(criterion_id, criterion.threshold + side * 2.1 * 0.03), KEY)
    older = side if criterion.comparison == "at_least" else -side
    assert said(proposal, criterion_id).answer == ("yes" if older > 0 else "no")
    assert proposal.outcome == "clear"


def test_two_borderline_steps_list_three_classes() -> None:
    proposal = propose(row(molar(4, 0.98), molar(5, 0.97), molar(6, 0.2)), KEY)
    assert proposal.age_class == "2.5"
    assert proposal.possible == ("2.5", "3.5", "4.5")
    assert [step.answer for step in proposal.steps[3:]] == ["borderline", "borderline", "no"]


@pytest.mark.parametrize("definition", ["middle", "outer", "inner"])
@pytest.mark.parametrize(("ratio", "other"), [(0.85, 1.1), (1.2, 0.9)])
def test_a_class_that_changes_with_the_definition_is_borderline(
    definition: str, ratio: float, other: float
) -> None:
    crests = tuple(crest(lobe, ratio, definitions={definition: other}) for lobe in (1, 2))
    proposal = propose(row(molar(4, ratio, crests=crests)), KEY)
    step = said(proposal, "tooth-4-wide")
    assert step.answer == "borderline"
    assert step.definitions == (definition,)
    assert "depends on the definition" in step.why
    assert proposal.age_class == "2.5"
    assert proposal.possible == ("2.5", "3.5")


def test_a_definition_that_is_not_declared_makes_no_doubt() -> None:
    """ "widest" is left out of the default list: it is an extreme of a tapering strip."""
    crests = tuple(crest(lobe, 0.85, definitions={"widest": 1.4}) for lobe in (1, 2))
    assert propose(row(molar(4, 0.85, crests=crests)), KEY).outcome == "clear"
    told = with_option("doubt_by_definition", '["widest"]')
    assert propose(row(molar(4, 0.85, crests=crests)), told).outcome == "borderline"


# -------------------- unseen


@pytest.mark.parametrize("state", UNSEEN_STATES)
@pytest.mark.parametrize(
    ("position", "possible"),
    [(4, ("2.5", "3.5")), (5, ("3.5", "4.5")), (6, ("4.5", "5.5"))],
)
def test_a_molar_that_cannot_answer_leaves_the_class_open(
    position: int, possible: tuple[str, ...], state: str
) -> None:
    """All before it pass, the next question (tooth 5 or 6, or tooth 4 dished) is a clear no."""
    teeth = {4: molar(4, 2.0), 5: molar(5, 1.6 if position == 6 else 0.7), 6: molar(6, 0.4)}
    teeth[position] = bare(position, state)
    proposal = propose(row(*teeth.values()), KEY)
    assert proposal.age_class is None
    assert proposal.possible == possible
    if state == "unseen":
        assert (proposal.outcome, proposal.unseen_teeth) == ("retake", (position,))
    else:
        assert (proposal.outcome, proposal.unseen_teeth) == ("borderline", ())
        assert any(state in note for note in proposal.notes)


@pytest.mark.parametrize("state", UNSEEN_STATES)
@pytest.mark.parametrize("position", [4, 5])
def test_a_molar_that_cannot_answer_is_taken_as_passed_where_a_later_one_passes(
    position: int, state: str
) -> None:
    teeth = {4: molar(4, 2.6), 5: molar(5, 2.0), 6: molar(6, 1.4)}
    teeth[position] = bare(position, state)
    proposal = propose(row(*teeth.values()), KEY)
    step = said(proposal, f"tooth-{position}-wide")
    assert step.answer == "unseen"
    assert any("taken as passed" in note for note in proposal.notes)
    if position == 5:  # tooth 4 is seen not to be dished
        outcome = "borderline" if state == "unseen" else "clear"  # no photo shows a tooth that is lost
        assert (proposal.age_class, proposal.possible, proposal.outcome) == ("5.5", ("5.5",), outcome)
    else:  # tooth 4 cannot say either whether it is dished, and tooth 5 is not
        assert (proposal.age_class, proposal.possible) == (None, ("5.5", "6.5"))


def test_a_missing_tooth_6_leaves_the_oldest_classes_open() -> None:
    proposal = propose(row(molar(4, None, left=0.0), molar(5, None, left=0.0), bare(6, "missing")), KEY)
    assert proposal.possible == ("7.5", "8.5+")
    assert proposal.age_class is None
    assert proposal.outcome == "borderline"


def test_a_tooth_that_the_key_does_not_need_may_be_unseen() -> None:
    proposal = propose(row(bare(1, "unseen"), bare(2, "missing"), bare(6, "unseen")), KEY)
    assert (proposal.outcome, proposal.age_class) == ("clear", "2.5")


def test_an_unmeasurable_infundibulum_is_unseen() -> None:
    proposal = propose(row(molar(4, 3.0, infundibulum_left=None), molar(5, 2.0), molar(6, 1.5)), KEY)
    assert said(proposal, "tooth-4-dished").answer == "unseen"
    assert proposal.possible == ("5.5", "6.5")
    assert proposal.outcome == "retake"


@pytest.mark.parametrize(("lobes", "answer"), [((1, 2), "yes"), ((1,), "unseen"), ((2, 3), "unseen")])
def test_dished_by_both_main_crests_where_the_infundibulum_was_not_measured(
    lobes: tuple[int, ...], answer: str
) -> None:
    crests = tuple(crest(lobe, 3.0, gone=lobe in lobes) for lobe in (1, 2, 3))
    tooth = molar(6, None, crests=crests, infundibulum_left=None, dentine_share=Quantity(0.5, 0.02))
    proposal = propose(row(molar(4, None, left=0.0), molar(5, None, left=0.0), tooth), KEY)
    assert said(proposal, "tooth-6-dished").answer == answer


@pytest.mark.parametrize("state", UNSEEN_STATES)
def test_tooth_3_unseen_in_an_adult_with_a_wide_tooth_4(state: str) -> None:
    """Tooth 6 up and in wear answers for tooth 3; a wide tooth 4 answers for its being permanent."""
    proposal = propose(row(bare(3, state), molar(4, 1.4), molar(5, 0.7)), KEY)
    outcome = "borderline" if state == "unseen" else "clear"
    assert (proposal.age_class, proposal.possible, proposal.outcome) == ("3.5", ("3.5",), outcome)


def test_a_lost_tooth_4_leaves_8_5_clear_where_teeth_5_and_6_are_worn_smooth() -> None:
    """Tooth 4 comes first and wears first (facts A2): nothing it could show would make the class younger."""
    proposal = propose(row(bare(4, "missing"), molar(5, None, left=0.0), molar(6, None, left=0.0)), KEY)
    assert (proposal.age_class, proposal.possible, proposal.outcome) == ("8.5+", ("8.5+",), "clear")
    assert any("taken as passed" in note for note in proposal.notes)


@pytest.mark.parametrize("tooth_5", [molar(5, 0.0), bare(5, "erupting")])
def test_the_hollow_of_a_crown_that_has_met_nothing_is_not_worn_away(tooth_5: ToothEvidence) -> None:
    """Walls still closed, or gum over it: none is left in sight, and no dentine shows."""
    hidden = dataclasses.replace(tooth_5, infundibulum_left=Quantity(0.0, 0.08))
    for proposal in (propose(milk_row(hidden), KEY), propose(row(hidden), KEY)):
        assert (proposal.outcome, len(proposal.possible)) == ("clear", 1)


def test_tooth_3_unseen_and_tooth_6_still_coming_leaves_1_5_to_2_5() -> None:
    proposal = propose(row(bare(3, "unseen"), bare(6, "erupting")), KEY)
    assert (proposal.age_class, proposal.possible, proposal.outcome) == (None, ("1.5", "2.5"), "retake")


def test_nothing_seen_at_all() -> None:
    proposal = propose(RowEvidence(tuple(bare(position, "unseen") for position in range(1, 7))), KEY)
    assert proposal.age_class is None
    assert proposal.possible == KEY.classes
    assert proposal.outcome == "retake"
    assert [step.answer for step in proposal.steps] == ["unseen"] * len(KEY.key)


# -------------------- fawns and yearlings


def test_fawn_with_tooth_5_up_and_little_worn_milk_teeth() -> None:
    assert propose(milk_row(molar(5, 0.0)), KEY).age_class == "0.5"


def test_fawn_or_late_yearling_where_the_milk_tooth_is_heavily_worn() -> None:
    worn = premolar(3, milk=True, dentine=0.6)
    proposal = propose(milk_row(worn, molar(5, 0.0)), KEY)
    assert (proposal.age_class, proposal.possible) == ("0.5", ("0.5", "1.5"))
    for state in ("absent", "erupting"):  # tooth 5 is not even up
        assert propose(milk_row(worn, bare(5, state)), KEY).possible == ("0.5",)


def test_fewer_than_six_teeth_is_no_fawn_where_tooth_3_is_permanent() -> None:
    """The trap: a row cropped behind tooth 5, or with a lost tooth 6."""
    proposal = propose(row(bare(6, "absent")), KEY)
    assert (proposal.age_class, proposal.outcome) == ("2.5", "clear")
    assert any("no fawn" in note for note in proposal.notes)


def test_fewer_than_six_teeth_is_no_fawn_where_tooth_3_cannot_be_told() -> None:
    unknown = [premolar(position, milk=None, lobes=None) for position in (1, 2, 3)]
    proposal = propose(row(*unknown, bare(6, "absent")), KEY)
    assert proposal.age_class != "0.5"
    assert said(proposal, "second-autumn").answer == "unseen"


@pytest.mark.parametrize("third", [bare(3, "missing"), premolar(3, milk=True, lobes=2, dentine=0.1)])
def test_no_tooth_6_and_a_tooth_3_that_does_not_say_is_a_fawn_or_older(third) -> None:
    """Tooth 3 lost, or long as a milk tooth with two lobes: all that a better photo would show is there."""
    unknown = [premolar(position, milk=None, lobes=None) for position in (1, 2)]
    young = row(*unknown, third, molar(4, 0.2), molar(5, 0.0), bare(6, "absent"))
    proposal = propose(young, KEY)
    assert (proposal.outcome, proposal.age_class) == ("borderline", "0.5")
    assert {"0.5", "1.5"} <= set(proposal.possible)
    assert said(proposal, "second-autumn").answer == "borderline"
    hidden = propose(row(*unknown, third, molar(4, 0.2), molar(5, 0.0), bare(6, "unseen")), KEY)
    assert said(hidden, "second-autumn").answer == "unseen"
    worn = propose(row(*unknown, third, molar(4, 2.0), molar(5, 1.5), bare(6, "absent")), KEY)
    assert "0.5" not in worn.possible


def test_a_lost_tooth_6_had_come_through() -> None:
    proposal = propose(yearling_row(bare(6, "missing")), KEY)
    assert proposal.age_class == "1.5"
    assert any("missing" in note for note in proposal.notes)


def test_a_fawn_whose_tooth_6_is_outside_the_photo_is_known_by_tooth_5() -> None:
    assert propose(milk_row(bare(6, "unseen")), KEY).age_class == "0.5"
    proposal = propose(milk_row(molar(5, 0.0), bare(6, "unseen")), KEY)
    assert (proposal.age_class, proposal.possible) == (None, ("0.5", "1.5"))


@pytest.mark.parametrize(
    ("tooth_3", "tooth_6"),
    [
        (premolar(3, state="erupting", dentine=0.0), bare(6, "erupting")),
        (premolar(3, dentine=0.0), bare(6, "erupting")),
        (bare(3, "absent"), bare(6, "erupting")),  # milk tooth out, successor not through
    ],
)
def test_just_replaced_is_1_5(tooth_3: ToothEvidence, tooth_6: ToothEvidence) -> None:
    proposal = propose(row(tooth_3, molar(4, 0.3), tooth_6), KEY)
    assert (proposal.age_class, proposal.outcome) == ("1.5", "clear")


def test_fresh_tooth_3_is_1_5_where_tooth_6_shows_no_dentine_either() -> None:
    """Facts A3: fully up, chalk-white, no dentine line is 1.5; A2: no dentine on tooth 6 at 1.5."""
    proposal = propose(row(premolar(3, dentine=0.0), molar(6, 0.0)), KEY)
    assert (proposal.age_class, proposal.possible, proposal.outcome) == ("1.5", ("1.5",), "clear")


@pytest.mark.parametrize("share", [Quantity(0.015, 0.005), None])
def test_fresh_tooth_3_with_tooth_6_up_and_perhaps_in_wear_is_where_keys_disagree(
    share: Quantity | None,
) -> None:
    proposal = propose(row(premolar(3, dentine=0.0), molar(6, 0.0, dentine_share=share)), KEY)
    assert (proposal.age_class, proposal.possible, proposal.outcome) == ("1.5", ("1.5", "2.5"), "borderline")


def test_fresh_tooth_3_with_tooth_6_in_wear_is_2_5() -> None:
    assert propose(row(premolar(3, dentine=0.0), molar(6, 0.3)), KEY).age_class == "2.5"


def test_tooth_3_in_wear_with_the_last_cusp_of_tooth_6_under_gum_is_2_5() -> None:
    assert propose(row(bare(6, "erupting")), KEY).age_class == "2.5"


def test_lobes_and_flag_of_tooth_3_that_disagree_are_borderline() -> None:
    proposal = propose(row(premolar(3, lobes=3)), KEY)
    assert said(proposal, "tooth-3-replaced").answer == "borderline"
    assert proposal.possible == ("1.5", "2.5")


def test_two_lobes_as_long_as_a_milk_tooth_are_told_by_wear() -> None:
    """
    Facts A3: at about 17 months the milk tooth is heavily worn and loose. Worn far more than tooth 4 it is
    the milk tooth; hardly worn with tooth 6 up it is not; in between, or with tooth 6 still coming, it stays
    open.
    """

    def third(dentine: float, **changes: object) -> ToothEvidence:
        return premolar(3, milk=True, dentine=dentine, lobes=2, **changes)

    fresh = molar(4, 0.0)
    proposal = propose(yearling_row(third(0.6), fresh), KEY)
    assert (said(proposal, "tooth-3-replaced").answer, proposal.age_class) == ("no", "1.5")
    proposal = propose(row(third(0.1)), KEY)
    assert (said(proposal, "tooth-3-replaced").answer, proposal.age_class) == ("yes", "2.5")
    for evidence in (row(third(0.6)), row(third(0.1), bare(6, "erupting")), row(third(0.34))):
        assert said(propose(evidence, KEY), "tooth-3-replaced").answer == "borderline"


# -------------------- out of
# order


def test_tooth_5_wide_before_tooth_4_is_flagged_and_both_classes_listed() -> None:
    proposal = propose(row(molar(4, 0.6), molar(5, 1.5)), KEY)
    assert (proposal.age_class, proposal.outcome, proposal.possible) == ("2.5", "borderline", ("2.5", "4.5"))
    assert [step.id for step in proposal.steps] == IDS[:4]  # the key still stops at the first no
    assert sum(note.startswith("Out of order") for note in proposal.notes) == 2


def test_a_wider_tooth_5_is_flagged_even_where_both_pass() -> None:
    proposal = propose(row(molar(4, 1.3), molar(5, 1.8)), KEY)
    assert proposal.age_class == "4.5"
    assert any("above that of tooth 4 (m1)" in note for note in proposal.notes)


def test_a_dished_tooth_5_before_tooth_4_is_flagged() -> None:
    proposal = propose(row(molar(4, 3.0, left=0.8), molar(5, None, left=0.0), molar(6, 1.5)), KEY)
    assert proposal.age_class == "5.5"
    assert proposal.outcome == "borderline"
    assert any("worn smooth before tooth 4 (m1)" in note for note in proposal.notes)


def test_a_wide_tooth_4_behind_a_milk_tooth_3_is_flagged() -> None:
    """Most likely a row numbered one tooth off: tooth 6 has three lobes too."""
    proposal = propose(yearling_row(molar(4, 1.8)), KEY)
    assert proposal.age_class == "1.5"
    assert proposal.outcome == "borderline"
    assert "3.5" in proposal.possible


# -------------------- crests, bands and
# options


def test_a_crest_without_infundibulum_counts_as_at_least_as_wide() -> None:
    both = row(molar(4, None, crests=(crest(1, None, gone=True), crest(2, None, gone=True)), left=0.5))
    one = row(molar(4, None, crests=(crest(1, None, gone=True), crest(2, 1.2)), left=0.5))
    assert propose(both, KEY).age_class == propose(one, KEY).age_class == "3.5"


def test_a_crest_without_infundibulum_beside_a_narrow_one_is_doubtful() -> None:
    proposal = propose(row(molar(4, None, crests=(crest(1, None, gone=True), crest(2, 0.5)))), KEY)
    assert said(proposal, "tooth-4-wide").answer == "borderline"
    assert proposal.age_class == "2.5"


@pytest.mark.parametrize(
    ("crests", "answer"),
    [('"mean"', "no"), ('"either"', "yes"), ('"both"', "no")],
    ids=["mean", "either", "both"],
)
def test_which_crests_count(crests: str, answer: str) -> None:
    evidence = row(molar(4, None, crests=(crest(1, 1.2), crest(2, 0.6))))
    assert said(propose(evidence, with_option("crests", crests)), "tooth-4-wide").answer == answer


@pytest.mark.parametrize(
    ("crests", "ratio", "answer"),
    [
        ('"mean"', 1.4, "yes"),
        ('"mean"', 0.6, "no"),
        ('"either"', 1.4, "yes"),
        ('"either"', 0.6, "unseen"),
        ('"both"', 1.4, "unseen"),
        ('"both"', 0.6, "no"),
    ],
)
def test_one_unmeasured_crest(crests: str, ratio: float, answer: str) -> None:
    evidence = row(molar(4, None, crests=(crest(1, ratio), crest(2, None))))
    step = said(propose(evidence, with_option("crests", crests)), "tooth-4-wide")
    assert step.answer == answer
    assert "lobe 2 could not be measured" in step.why


@pytest.mark.parametrize(("tie", "answer"), [('"yes"', "yes"), ('"no"', "no")])
def test_tie_rule_at_exactly_one(tie: str, answer: str) -> None:
    evidence = row(molar(4, 1.0, u=0.0))
    assert said(propose(evidence, with_option("tie", tie)), "tooth-4-wide").answer == answer


@pytest.mark.parametrize(("enamel", "value"), [("outer", 0.8), ("inner", 1.6), ("mean", 1.2)])
def test_which_enamel_band_counts(enamel: str, value: float) -> None:
    definitions = {"outer": 0.8, "inner": 1.6}
    crests = tuple(crest(lobe, 1.2, u=0.01, definitions=definitions) for lobe in (1, 2))
    proposal = propose(row(molar(4, 1.2, crests=crests)), with_option("enamel", f'"{enamel}"'))
    step = said(proposal, "tooth-4-wide")
    assert step.measured is not None
    assert step.measured.value == value
    # The bands lie on both sides of 1, so whichever counts, another one answers otherwise.
    other = {"outer": ("inner",), "inner": ("outer",), "mean": ("outer",)}
    assert (step.answer, step.definitions) == ("borderline", other[enamel])


@pytest.mark.parametrize(("k", "answer"), [("0.0", "no"), ("1.0", "no"), ("3.0", "borderline")])
def test_width_of_the_borderline_band(k: str, answer: str) -> None:
    evidence = row(molar(4, 0.95, u=0.02))
    assert said(propose(evidence, with_option("borderline_k", k)), "tooth-4-wide").answer == answer


@pytest.mark.parametrize(("top", "label"), [("2.5", "2.5+"), ("3.5", "3.5+"), ("5.5", "5.5+")])
def test_top_class_ends_the_key(top: str, label: str) -> None:
    key = with_option("top_class", f'"{top}"')
    for age_class, evidence in CLASS_ROWS.items():
        proposal = propose(evidence, key)
        older = float(age_class.rstrip("+")) >= float(top)
        assert proposal.age_class == (label if older else age_class)
        assert {step.class_if_yes for step in proposal.steps} <= set(key.classes)


def test_a_top_class_of_3_5_is_open_over_the_coarse_classes_that_it_spans() -> None:
    proposal = propose(CLASS_ROWS["5.5"], with_option("top_class", '"3.5"'))
    coarse = proposal.coarse["young_prime_old"]
    assert coarse.label is None
    assert coarse.possible == ("3.5-5.5", "6.5+")
    assert proposal.coarse["fawn_yearling_two_older"].label == "3.5+"


def test_mean_of_two_crests_and_its_uncertainty() -> None:
    """Common errors add up, independent ones add in quadrature (GUM, JCGM 100:2008, 5.2.2 and 5.1.2)."""
    tooth = molar(4, None, crests=(crest(1, 1.0, u=0.03), crest(2, 1.5, u=0.04)))
    common = tooth_ratio(tooth, (1, 2), KEY.options).value
    independent = tooth_ratio(tooth, (1, 2), with_option("crest_errors", '"independent"').options).value
    assert common is not None and independent is not None
    assert common.value == independent.value == 1.25
    assert common.u == pytest.approx(0.035, rel=1e-12)  # floating point only
    assert independent.u == pytest.approx(0.025, rel=1e-12)


@pytest.mark.parametrize("ratio", [0.5, 1.0, 2.0])
def test_uncertainty_against_one_band_follows_from_that_against_the_mean(ratio: float) -> None:
    """
    Simulated: four edges with equal independent errors.

    Tolerance: 400,000 draws give a standard deviation to 0.2 %; the first-order formula is off by about
    (s / E)^2 = 0.01 % here; 1 % holds both.
    """
    rng = np.random.default_rng(7)
    enamel, s = 20.0, 0.2
    dentine = ratio * enamel
    edges = np.cumsum([0.0, enamel, dentine, enamel]) + rng.normal(0, s, (400_000, 4))
    outer, middle, inner = np.diff(edges, axis=1).T
    of_mean = CrestEvidence(
        lobe=1,
        ratio=Quantity(ratio, float(np.std(2 * middle / (outer + inner)))),
        ratio_by_definition={"outer": ratio},
    )
    found = crest_ratio(of_mean, with_option("enamel", '"outer"').options)
    assert found is not None
    assert found.u == pytest.approx(float(np.std(middle / outer)), rel=0.01)


# -------------------- coarse,
# errors


@pytest.mark.parametrize("age_class", list(CLASS_ROWS))
def test_every_class_has_its_coarse_classes_with_a_source(age_class: str) -> None:
    for coarse in propose(CLASS_ROWS[age_class], KEY).coarse.values():
        assert coarse.label is not None
        assert coarse.words
        assert all(item.source.text and item.source.where for item in coarse.accuracy)


@pytest.mark.parametrize("month", [0, 13, -1])
def test_a_month_that_does_not_exist_is_refused(month: int) -> None:
    with pytest.raises(InputError, match="needs 1 to 12"):
        Season(birth_month=month, harvest_month=11)
    with pytest.raises(InputError, match="needs 1 to 12"):
        Season(birth_month=6, harvest_month=month)


@pytest.mark.parametrize(
    "evidence",
    [
        RowEvidence(row().teeth[:5]),
        RowEvidence(row().teeth[::-1]),
        row(molar(4, math.nan)),
        row(molar(4, 1.0, u=-0.1)),
        row(molar(4, -0.5)),
        row(molar(4, 1.0, infundibulum_left=Quantity(math.inf, 0.1))),
        row(molar(4, 1.0, crests=(crest(1, 1.0), crest(1, 1.0)))),
        row(molar(4, 1.0, crests=(crest(4, 1.0),))),
        row(molar(4, 1.0, crests=(crest(1, 1.0, definitions={"outer": math.nan}),))),
    ],
    ids=["five", "order", "nan", "negative u", "negative", "infinite", "twice", "lobe 4", "nan definition"],
)
def test_evidence_that_breaks_its_contract_is_refused(evidence: RowEvidence) -> None:
    with pytest.raises(InputError, match="evidence: "):
        propose(evidence, KEY)


def test_a_two_lobed_tooth_3_worn_far_more_than_tooth_4_may_be_a_milk_tooth() -> None:
    """
    Worn flat, the lobes of a milk tooth are counted as two; the permanent one comes through after tooth 4.

    Source of the order: replacement at 17 to 19 months, behind a tooth 4 in wear since the first winter
    (jawleaflet, dccl in the default key).
    """
    young = row(
        premolar(3, dentine=0.6),
        molar(4, 0.0, dentine_share=Quantity(0.03, 0.005)),
        molar(5, 0.0),
        bare(6, "erupting"),
    )
    assert "1.5" in propose(young, KEY).possible
    assert propose(young, KEY).outcome == "borderline"
    up = row(premolar(3, dentine=0.6), molar(4, 0.0, dentine_share=Quantity(0.03, 0.005)))
    assert propose(up, KEY).age_class == "2.5"
