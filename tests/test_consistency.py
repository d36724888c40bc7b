"""Numbers, lobes and lengths of a row against each other: plain counts, and rows drawn with false numbers."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from drawn_row import DrawnLobe, draw, plain_row

from crestgauge.inference.consistency import best_shift, kind_in_doubt, milk_by_length, without_false_six
from crestgauge.inference.criteria import load_criteria
from crestgauge.inference.evidence import Quantity
from crestgauge.inference.maps import LabelMaps, RowFrame
from crestgauge.inference.measure import measure_row, to_evidence
from crestgauge.inference.measured import RowFlag
from crestgauge.inference.positions import EmptyPlace, empty_state
from crestgauge.inference.rules import propose
from crestgauge.inference.teeth import Crown, Teeth, find_teeth
from crestgauge.model.labels import CHANNELS, Material

IDENTITY = RowFrame(np.array([[1.0, 0.0, 0.0], [0.0, 1.0, 0.0]]))


def crowns_of(*, milk: bool = False, positions=range(1, 7), lengths: dict[int, float] | None = None) -> Teeth:
    """Crowns of a drawn row; ``lengths`` are multiples of the nominal ones."""
    drawn = plain_row(milk=milk, positions=positions)
    teeth = {p: replace(t, length=(lengths or {}).get(p, 1.0)) for p, t in drawn.teeth.items()}
    found = find_teeth(draw(replace(drawn, teeth=teeth)))
    assert found is not None
    return found


ADULT = crowns_of().crowns


def with_lobes(lobes: dict[int, int | None]) -> list[Crown]:
    return [replace(c, counted_lobes=lobes[c.position]) for c in ADULT if c.position in lobes]


@pytest.mark.parametrize(
    ("lobes", "shift"),
    [
        ({1: 1, 2: 2, 3: 2, 4: 2, 5: 2, 6: 3}, 0),
        ({1: 1, 2: 2, 3: 3, 4: 2, 5: 2}, 0),
        # Teeth 2 and 6 often lose a lobe to wear or cover; a single false lobe is no shift either.
        ({1: 1, 2: 1, 3: 2, 4: 2, 5: 2, 6: 2}, 0),
        ({1: 1, 2: 2, 3: 2, 4: 2, 5: 3, 6: 3}, 0),
        ({1: 1, 2: 2, 3: 2, 4: 3, 5: 2, 6: 3}, 0),
        # A fawn numbered two or one too high: its three-lobed tooth 3 has a crown behind it.
        ({1: None, 3: 1, 4: 2, 5: 3, 6: 2}, -2),
        ({2: 1, 3: 2, 4: 3, 5: 2, 6: 2}, -1),
        # Numbered one too low.
        ({1: 2, 2: 3, 3: 2, 4: 2}, 1),
        ({4: 2, 5: 2}, 0),
    ],
)
def test_lobes_name_the_numbering(lobes: dict[int, int | None], shift: int) -> None:
    """Which shift the lobe counts support, and that lost or single false lobes support none."""
    assert best_shift(with_lobes(lobes)) == shift


def test_a_row_numbered_too_high_is_never_aged() -> None:
    """A drawn fawn whose crowns carry numbers two too high: all of them unseen, and the row says why."""
    maps = draw(plain_row(milk=True, positions=[1, 2, 3, 4]))
    channels = maps.channels.copy()
    tooth = channels[CHANNELS["tooth"]]
    tooth[3:7] = tooth[1:5].copy()
    tooth[1:3] = 0.0
    row = measure_row(LabelMaps(channels), IDENTITY)
    assert row is not None and row.flags & RowFlag.NUMBERS_UNSURE
    assert {t.state for t in row.teeth[2:]} == {"unseen"}
    assert row.better_frame is not None  # laid by the numbers that the lobes support


def test_length_is_a_second_witness() -> None:
    """dp4 is about 1.2 times as long as tooth 4, p4 about 0.9 (17, 12 and 13.5 mm, from memory)."""
    nominal = milk_by_length(crowns_of().crowns)
    assert nominal is False
    long = crowns_of(lengths={2: 0.7, 3: 1.35}, positions=[2, 3, 4, 5])
    assert milk_by_length(long.crowns) is True
    assert milk_by_length(crowns_of(positions=[4, 5]).crowns) is None


@pytest.mark.parametrize(
    ("by_lobes", "by_length", "six", "doubt"),
    [
        (False, False, "crown", False),
        (False, None, "crown", False),
        (False, True, "crown", True),
        (False, False, "empty", True),
        (False, None, None, False),
        (True, True, "empty", False),
        (True, False, "empty", False),
        (True, False, "crown", True),
        (None, True, "empty", False),
    ],
)
def test_doubt_about_the_milk_tooth(by_lobes, by_length, six, doubt) -> None:
    assert kind_in_doubt(by_lobes, by_length, six, None) is doubt


def test_two_lobes_and_nothing_behind_tooth_5() -> None:
    """A fresh row of five is a fawn's or a yearling's; worn wide, it is an adult that lost tooth 6."""
    fresh = measure_row(draw(plain_row(DrawnLobe(dentine=5.0), positions=range(1, 6))), IDENTITY)
    assert fresh is not None and fresh.flags & RowFlag.KIND_UNSURE
    assert (fresh.teeth[2].state, fresh.teeth[2].milk, fresh.teeth[2].lobes) == ("erupted", True, 2)
    assert fresh.teeth[5].state == "absent"
    answer = propose(to_evidence(fresh), load_criteria(None))
    assert (answer.outcome, answer.age_class) == ("borderline", "0.5")
    assert answer.possible[:2] == ("0.5", "1.5")
    worn = measure_row(draw(plain_row(DrawnLobe(dentine=22.0), positions=range(1, 6))), IDENTITY)
    assert worn is not None and not worn.flags & RowFlag.KIND_UNSURE
    assert worn.teeth[2].milk is False and worn.teeth[5].state == "missing"
    ratio = worn.teeth[3].crests[0].ratio
    assert isinstance(ratio, Quantity) and ratio.value > 1.0


def test_a_tooth_3_that_comes_behind_a_standing_tooth_5_is_permanent() -> None:
    """Milk teeth are in before tooth 5 comes, so there is no doubt; tooth 6 is then still to come."""
    drawn = plain_row(DrawnLobe(dentine=5.0), positions=range(1, 6))
    coming = {p: replace(t, state=int(p < 4)) for p, t in drawn.teeth.items()}
    row = measure_row(draw(replace(drawn, teeth=coming)), IDENTITY)
    assert row is not None and not row.flags & RowFlag.KIND_UNSURE
    assert (row.teeth[2].state, row.teeth[2].milk, row.teeth[5].state) == ("erupting", False, "absent")
    budding = {p: replace(t, state=int(p in (3, 5))) for p, t in drawn.teeth.items()}  # as fawns' teeth do
    row = measure_row(draw(replace(drawn, teeth=budding)), IDENTITY)
    assert row is not None and row.flags & RowFlag.KIND_UNSURE


@pytest.mark.parametrize(("dentine", "state"), [(5.0, "absent"), (22.0, "unseen")])
def test_a_row_of_five_without_tooth_3(dentine, state) -> None:
    """Nothing says whether it is a milk row: a young one's, unless tooth 4 is worn as no fawn's."""
    drawn = plain_row(DrawnLobe(dentine=dentine), positions=(1, 2, 4, 5))
    row = measure_row(draw(drawn), IDENTITY)
    assert row is not None and row.teeth[2].state == "missing" and row.teeth[5].state == state
    answer = propose(to_evidence(row), load_criteria(None))
    young = state == "absent"
    assert (answer.age_class == "0.5") is young and ("0.5" in answer.possible) is young
    # Something that is no jaw where tooth 6 should be is not looked through.
    covered = measure_row(draw(replace(drawn, around=Material.BACKGROUND)), IDENTITY)
    assert covered is not None and covered.teeth[5].state == "unseen"


def test_tooth_5_does_not_come_before_tooth_4_stands() -> None:
    """In a milk row, whatever lies where it should be; behind a standing tooth 4 it may be covered."""
    teeth = crowns_of(milk=True, positions=range(1, 5))
    end = EmptyPlace(centre=np.zeros(2), inside=1.0, not_jaw=0.9)
    assert empty_state(5, teeth, end, True) == "unseen"
    *front, fourth = teeth.crowns
    budding = replace(teeth, crowns=(*front, replace(fourth, state_p=np.array([0.1, 0.9, 0.0]))))
    assert empty_state(5, budding, end, True) == "absent"
    assert empty_state(5, budding, end, False) == empty_state(5, budding, end, None) == "unseen"


def test_where_a_fawns_jaw_ends_tooth_6_is_absent() -> None:
    """Behind a standing tooth 5 of a milk row no bone is needed, only that the picture goes on."""
    teeth = crowns_of(milk=True, positions=range(1, 6))
    bare_end = EmptyPlace(centre=np.zeros(2), inside=1.0, not_jaw=0.9)
    assert empty_state(6, teeth, bare_end, True) == "absent"
    assert empty_state(6, teeth, replace(bare_end, inside=0.2), True) == "unseen"
    assert empty_state(6, teeth, bare_end, False) == "unseen"
    # A patch without a lobe is no standing tooth 5, and before that stands no tooth 6 comes.
    *front, fifth = teeth.crowns
    patch = replace(teeth, crowns=(*front, replace(fifth, counted_lobes=None)))
    assert empty_state(6, patch, replace(bare_end, inside=0.2), True) == "absent"


def test_a_tooth_6_before_tooth_5_stands_is_none() -> None:
    """In a milk row what is numbered 6 is dropped unless tooth 5 stands; an adult row keeps its tooth 6."""
    fawn = list(crowns_of(milk=True, lengths={3: 1.4}).crowns)
    assert [c.position for c in without_false_six(fawn)] == [1, 2, 3, 4, 5, 6]
    assert [c.position for c in without_false_six([c for c in fawn if c.position != 5])] == [1, 2, 3, 4]
    budding = replace(fawn[4], state_p=np.array([0.0, 1.0, 0.0]), counted_lobes=None)
    assert [c.position for c in without_false_six([*fawn[:4], budding, fawn[5]])] == [1, 2, 3, 4, 5]
    lost = [c for c in ADULT if c.position != 5]
    assert without_false_six(lost) == tuple(lost)


def test_a_coming_tooth_6_of_jaw_is_none_in_a_milk_row() -> None:
    """Its number alone stands on bone: no tooth behind a milk tooth 3, by lobes or by length; behind a
    permanent one, with crown under it, or standing, it stays."""
    fawn = list(crowns_of(milk=True, lengths={3: 1.4}).crowns)
    coming = np.array([0.05, 0.95, 0.0])
    bony = replace(fawn[5], state_p=coming, off_crown=0.6)
    assert [c.position for c in without_false_six([*fawn[:5], bony])] == [1, 2, 3, 4, 5]
    for kept in (replace(bony, off_crown=0.4), replace(bony, state_p=np.array([0.9, 0.1, 0.0]))):
        assert [c.position for c in without_false_six([*fawn[:5], kept])] == [1, 2, 3, 4, 5, 6]
    two_lobes = replace(fawn[2], counted_lobes=2)
    assert len(without_false_six([*fawn[:2], two_lobes, *fawn[3:5], bony])) == 5
    adult = [*ADULT[:5], replace(ADULT[5], state_p=coming, off_crown=0.6)]
    assert without_false_six(adult) == tuple(adult)
