"""The table of the worked study: its columns, and that the generator still writes them."""

from __future__ import annotations

from collections import Counter

from crestgauge.inference.compare.demo import LABELS, load_animals
from crestgauge.synthetic_data.known_age import ANIMALS, COLUMNS, draw_animals


def test_the_generator_writes_the_columns_of_the_table():
    """One animal of 3.5. Values are not compared: they may change with the generator, the table stays."""
    (animal,) = draw_animals(7, {"3.5": 1})
    assert set(animal) == set(COLUMNS)
    assert tuple(load_animals()[0]) == COLUMNS
    assert animal["known_age"] == "3.5" and abs(float(animal["age_years"]) - 3.5) <= 0.12
    assert animal["key_class"] in LABELS
    for tooth in (4, 5, 6):
        assert animal[f"ratio_{tooth}"] == "gone" or 0 <= float(animal[f"ratio_{tooth}"]) < 20
        assert 0 <= float(animal[f"infundibulum_left_{tooth}"]) <= 1


def test_the_table_is_whole():
    animals = load_animals()
    assert Counter(a["known_age"] for a in animals) == ANIMALS
    assert len({a["id"] for a in animals}) == len(animals)
    assert {a["key_class"] for a in animals} <= {*LABELS, ""}
