"""
The plan of a field study: numbers from stated aims, and a random but balanced allocation that a seed repeats.

Nothing is read or written here. The same options and jaws always give the same plan.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import zip_longest
from typing import Any, Final, Literal

import numpy as np

from crestgauge.inference.compare import planning
from crestgauge.inference.errors import InputError
from crestgauge.inference.ledger.specimen import AGE_CLASSES, check_id

SCHEMA: Final = "crestgauge.study-plan/1"
CLASSES: Final = ("1.5", "2.5", "3.5", "4.5", "5.5", "6.5+")
"""Classes that a study wants animals of. Fawns are told by the number of teeth, so they are not asked for."""
UNWORN: Final = ("0.5", "1.5")
"""Classes without a dentine band worth measuring by hand."""
SEXES: Final = ("female", "male")
UNKNOWN: Final = "unknown"
PHOTOS: Final = 2
TEETH: Final = (4, 5, 6)
LOBES: Final = (1, 2)
"""Crests that are measured by hand: those whose ratio the key compares."""
REPEATS: Final = 2
MOST_ANIMALS: Final = 2000
GAUGE_JAWS: Final = 10
"""Jaws of a small gauge study."""
CODE_LETTERS: Final = "CDFHJKMNPRTVWX"
"""No letter that could be taken for a digit, a side (L), or a sex."""

ReadFrom = Literal["photo", "jaw"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Aims:
    """
    What the study shall be able to say.

    Parameters
    ----------
    agreement, agreement_half_width : float
        Expected share of animals in the same class, and how well it shall be known (95 % interval). [1]
    ratio_sd, ratio_half_width : float
        Expected SD of ln(tool / callipers) of a ratio, and how well its mean, the relative bias, shall be
        known.
    repeat_half_width : float
        How well the SD between two photos of one jaw shall be known, as a share of itself.
    """

    agreement: float = 0.7
    agreement_half_width: float = 0.12
    ratio_sd: float = 0.15
    ratio_half_width: float = 0.05
    repeat_half_width: float = 0.2


@dataclass(frozen=True, slots=True, kw_only=True)
class PlanOptions:
    """
    What a study is asked to be.

    Parameters
    ----------
    animals, by_hand, twice : int or None
        Animals in all, measured by hand, and read a second time by each reader; None takes the aims' number.
    readers : tuple of str
        At least two, who read blind.
    measurers : tuple of str
        Who measures by hand; empty takes the first two readers.
    read_from : str
        What readers look at: "photo" (the first of each jaw) or "jaw".
    seed : int
    """

    title: str = "Field study"
    aims: Aims = Aims()
    animals: int | None = None
    by_hand: int | None = None
    twice: int | None = None
    readers: tuple[str, ...] = ("Reader A", "Reader B")
    measurers: tuple[str, ...] = ()
    read_from: ReadFrom = "photo"
    seed: int = 1

    def __post_init__(self) -> None:
        for what, names in (("readers", self.readers), ("measurers", self.measurers)):
            if len({n.strip().lower() for n in names}) != len(names) or not all(n.strip() for n in names):
                raise InputError(f"{what} {', '.join(names)}: needs a different name for each person.")
        if len(self.readers) < 2:
            raise InputError(
                f"{len(self.readers)} reader(s); a study needs at least 2. Name them by --reader."
            )
        for what, n in (("animals", self.animals), ("by hand", self.by_hand), ("twice", self.twice)):
            if n is not None and not 2 <= n <= MOST_ANIMALS:
                raise InputError(f"{what} {n}: needs 2 to {MOST_ANIMALS}.")


@dataclass(frozen=True, slots=True, kw_only=True)
class Jaw:
    """A jaw that is at hand: id, sex, and the class it is thought or known to be of ("" = not said)."""

    id: str
    sex: str = ""
    age_class: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Aim:
    """One number of the plan: what it is for, how many, where the computation is published."""

    what: str
    n: int
    unit: str
    source: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Animal:
    """
    One animal of the study: a jaw at hand, or a place to fill with an animal of this class and sex.

    ``by_hand``: measured by hand; ``gauge``: so by everybody and repeatedly; ``twice``: read twice.
    """

    id: str
    sex: str
    age_class: str
    by_hand: bool
    gauge: bool
    twice: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Look:
    """One line of a blind sheet: the reader's number of the line, the code in view, the animal behind it."""

    reader: str
    reading: int
    line: int
    code: str
    animal: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Plan:
    """
    The plan.

    Parameters
    ----------
    aims : tuple of Aim
    animals : tuple of Animal
        In the order of their ids.
    looks : tuple of Look
        Every blind reading, by reader, reading and line.
    from_jaws : bool
        True where the animals are jaws at hand.
    notes : tuple of str
        What fell short or had to be decided.
    class_half_width : float
        Half width of the interval of agreement within one class of the class table. [1]
    """

    title: str
    options: PlanOptions
    aims: tuple[Aim, ...]
    animals: tuple[Animal, ...]
    looks: tuple[Look, ...]
    from_jaws: bool
    notes: tuple[str, ...]
    class_half_width: float

    @property
    def measurers(self) -> tuple[str, ...]:
        """Who measures by hand."""
        return self.options.measurers or self.options.readers[:2]

    def cells(self) -> dict[tuple[str, str], int]:
        """Animals by class and sex."""
        return dict(Counter((a.age_class, a.sex) for a in self.animals))

    def photos(self) -> tuple[tuple[str, str, int], ...]:
        """(file name, animal, number of the photo) in the order of taking: all firsts, then all seconds."""
        return tuple((f"{a.id}_{k}.jpg", a.id, k) for k in range(1, PHOTOS + 1) for a in self.animals)


def make_plan(options: PlanOptions, jaws: Sequence[Jaw] = ()) -> Plan:
    """
    Plan a study.

    Parameters
    ----------
    jaws : sequence of Jaw
        Jaws at hand, to choose from. Empty: places to fill, by class and sex.

    Raises
    ------
    InputError
        If an id is wrong or twice, a class unknown, or an aim impossible.
    """
    rng = np.random.default_rng(options.seed)
    aims = _aims(options)
    notes: list[str] = []
    wanted = aims[0].n
    if jaws:
        _check(jaws)
        chosen = _choose(jaws, wanted, rng, notes)
    else:
        chosen = _places(wanted, rng)
    by_hand = _subset([j for j in chosen if j.age_class not in UNWORN], aims[1].n, rng)
    gauge = _subset([j for j in chosen if j.id in by_hand], aims[5].n, rng)
    twice = _subset(chosen, aims[3].n, rng)
    for what, found, asked in (("measured by hand", by_hand, aims[1].n), ("read twice", twice, aims[3].n)):
        if len(found) < asked:
            notes.append(f"{asked} animals should be {what}, but only {len(found)} can be.")
    animals = tuple(
        Animal(id=j.id, sex=j.sex or UNKNOWN, age_class=j.age_class or UNKNOWN, by_hand=j.id in by_hand,
               gauge=j.id in gauge, twice=j.id in twice)
        for j in chosen
    )  # fmt: skip
    per_class = max(len(animals) // len(CLASSES), 1)
    return Plan(
        title=options.title, options=options, aims=aims, animals=animals, looks=_looks(animals, options, rng),
        from_jaws=bool(jaws), notes=tuple(notes),
        class_half_width=planning.agreement_half_width(options.aims.agreement, per_class),
    )  # fmt: skip


def _aims(options: PlanOptions) -> tuple[Aim, ...]:
    a = options.aims
    agreement = planning.animals_for_agreement(a.agreement, a.agreement_half_width)
    repeat = planning.items_for_repeat_sd(a.repeat_half_width, PHOTOS)
    ratio = planning.items_for_mean(a.ratio_sd, a.ratio_half_width)
    cells = len(CLASSES) * len(SEXES)
    animals = options.animals or -(-max(agreement, repeat, ratio) // cells) * cells
    by_hand = min(options.by_hand or ratio, animals)
    twice = min(options.twice or max(animals // 3, GAUGE_JAWS), animals)
    why = (
        "as asked"
        if options.animals
        else f"the largest of the numbers below, filled up to {len(CLASSES)} classes x {len(SEXES)} sexes"
    )
    return (
        Aim(what=f"animals in all: {why}", n=animals, unit="animals", source="ours"),
        Aim(
            what=f"measured by hand, so that the bias of a ratio against callipers is known to within "
            f"{100 * a.ratio_half_width:g} %, where single ratios differ by {100 * a.ratio_sd:g} % (SD)"
            + (f"; asked for: {by_hand}" if options.by_hand else ""),
            n=by_hand, unit="animals",
            source="Bland & Altman 1986, Lancet 327:307-310 (t interval of a mean)",
        ),
        Aim(
            what=f"photographed twice, so that the SD between photos is known to within "
            f"{100 * a.repeat_half_width:g} % of itself ({repeat} would do; all are)",
            n=animals, unit="animals",
            source="chi-square interval of an SD, NIST/SEMATECH e-Handbook 1.3.5.8 (from memory)",
        ),
        Aim(
            what="read twice by each reader, to see how well readers repeat themselves; a third of all"
            if not options.twice else "read twice by each reader, as asked",
            n=twice, unit="animals", source="share: ours",
        ),
        Aim(
            what=f"needed for exact agreement of about {100 * a.agreement:g} % known to within "
            f"{100 * a.agreement_half_width:g} points",
            n=agreement, unit="animals", source="Wilson 1927, J. Am. Stat. Assoc. 22:209-212",
        ),
        Aim(
            what=f"of those measured by hand: measured by everybody who measures, {REPEATS} times each, for "
            "gauge repeatability and reproducibility; the others once, by the first",
            n=min(GAUGE_JAWS, by_hand), unit="animals",
            source="AIAG 2010, Measurement Systems Analysis, 4th ed. (10 parts, 2-3 people, 2-3 trials)",
        ),
    )  # fmt: skip


def _check(jaws: Sequence[Jaw]) -> None:
    seen: set[str] = set()
    for jaw in jaws:
        check_id("specimen_id", jaw.id)
        if jaw.id in seen:
            raise InputError(f"specimen_id {jaw.id}: is there twice; needs each jaw once.")
        seen.add(jaw.id)
        if jaw.age_class and jaw.age_class not in AGE_CLASSES:
            raise InputError(
                f"{jaw.id}: class {jaw.age_class!r}; needs one of {', '.join(AGE_CLASSES)}, or nothing."
            )
        if jaw.sex and jaw.sex not in (*SEXES, UNKNOWN):
            raise InputError(f"{jaw.id}: sex {jaw.sex!r}; needs female, male, unknown, or nothing.")


def cell_class(age_class: str) -> str:
    """The class of `CLASSES` that an age class counts under; fawns and unknown ones keep their name."""
    if age_class in ("6.5", "7.5", "8.5+"):
        return "6.5+"
    return age_class or UNKNOWN


def _choose(jaws: Sequence[Jaw], wanted: int, rng: np.random.Generator, notes: list[str]) -> list[Jaw]:
    """Random jaws, as evenly over class and sex as the jaws at hand allow."""
    groups: dict[tuple[str, str], list[Jaw]] = {}
    for i in rng.permutation(len(jaws)):
        jaw = jaws[int(i)]
        groups.setdefault((cell_class(jaw.age_class), jaw.sex or UNKNOWN), []).append(jaw)
    if wanted > len(jaws):
        notes.append(f"{wanted} animals are wanted, {len(jaws)} jaws are at hand: all are used.")
    chosen = _round_robin([groups[key] for key in sorted(groups)], wanted)
    each = wanted // (len(CLASSES) * len(SEXES))
    for age_class in CLASSES:
        for sex in SEXES:
            have = len(groups.get((age_class, sex), []))
            if have < each:
                notes.append(f"class {age_class}, {sex}: {have} at hand, {each} would be balanced.")
    return sorted(chosen, key=lambda jaw: jaw.id)


def _places(wanted: int, rng: np.random.Generator) -> list[Jaw]:
    """Ids in random order over class and sex, so that an id says nothing of the age."""
    cells = [(c, s) for c in CLASSES for s in SEXES]
    kinds = [cells[i % len(cells)] for i in range(wanted)]
    width = max(len(str(wanted)), 3)
    order = rng.permutation(wanted)
    return [
        Jaw(id=f"S-{n + 1:0{width}d}", sex=kinds[int(i)][1], age_class=kinds[int(i)][0])
        for n, i in enumerate(order)
    ]


def _subset(jaws: Sequence[Jaw], wanted: int, rng: np.random.Generator) -> frozenset[str]:
    """Ids of a random subset, balanced over class and sex."""
    groups: dict[tuple[str, str], list[Jaw]] = {}
    for i in rng.permutation(len(jaws)):
        jaw = jaws[int(i)]
        groups.setdefault((cell_class(jaw.age_class), jaw.sex or UNKNOWN), []).append(jaw)
    keys = sorted(groups)
    shuffled = [groups[keys[int(i)]] for i in rng.permutation(len(keys))]
    return frozenset(jaw.id for jaw in _round_robin(shuffled, wanted))


def _round_robin(groups: Sequence[Sequence[Jaw]], wanted: int) -> list[Jaw]:
    """One of each group in turn, until there are enough."""
    dealt = [jaw for turn in zip_longest(*groups) for jaw in turn if jaw is not None]
    return dealt[:wanted]


def _looks(animals: Sequence[Animal], options: PlanOptions, rng: np.random.Generator) -> tuple[Look, ...]:
    """Each reader's own random order with codes of its own; second readings in another order and code."""
    looks = []
    n = len(animals)
    twice = [i for i, a in enumerate(animals) if a.twice]
    if len(options.readers) > len(CODE_LETTERS):
        raise InputError(f"{len(options.readers)} readers; at most {len(CODE_LETTERS)} can be planned for.")
    for number, reader in enumerate(options.readers):
        digits = len(str(max(n + len(twice), 100)))
        codes = rng.permutation(np.arange(10 ** (digits - 1), 10**digits))[: n + len(twice)]
        for reading, which in ((1, range(n)), (2, twice)):
            order = rng.permutation(np.asarray(list(which), dtype=np.int64))
            start = 0 if reading == 1 else n
            looks += [
                Look(reader=reader, reading=reading, line=line + 1, animal=animals[int(i)].id,
                     code=f"{CODE_LETTERS[number]}{codes[start + line]}")
                for line, i in enumerate(order)
            ]  # fmt: skip
    return tuple(looks)


def plan_to_dict(plan: Plan) -> dict[str, object]:
    """The plan as plain JSON values; `plan_from_dict` reads it back."""
    from dataclasses import asdict

    return {"schema": SCHEMA, **asdict(plan)}


def plan_from_dict(data: Mapping[str, object]) -> Plan:
    """
    A plan from `plan_to_dict`.

    Raises
    ------
    InputError
        If it is of another schema or incomplete.
    """
    if data.get("schema") != SCHEMA:
        raise InputError(f"plan: schema {data.get('schema')!r}; needs {SCHEMA}.")
    values: dict[str, Any] = {k: v for k, v in data.items() if k != "schema"}
    try:
        options = dict(values["options"])
        options["aims"] = Aims(**options["aims"])
        for name in ("readers", "measurers"):
            options[name] = tuple(options[name])
        return Plan(
            **values
            | {
                "options": PlanOptions(**options),
                "aims": tuple(Aim(**a) for a in values["aims"]),
                "animals": tuple(Animal(**a) for a in values["animals"]),
                "looks": tuple(Look(**a) for a in values["looks"]),
                "notes": tuple(values["notes"]),
            }
        )
    except (KeyError, TypeError, ValueError) as error:
        raise InputError(
            f"plan: cannot be read ({error}). Use plan.json as `study plan` wrote it."
        ) from error
