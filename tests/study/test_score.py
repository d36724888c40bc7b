"""The score finds the biases that were put into the demo study, and tells every row and pair it lacks."""

from __future__ import annotations

import json
import shutil

import numpy as np
import pytest

from crestgauge.cli.__main__ import main
from crestgauge.inference.compare.demo import LABELS
from crestgauge.inference.criteria import load_criteria
from crestgauge.inference.errors import CrestgaugeError
from crestgauge.inference.study.demo import PUT_IN, edge_sigma_mm, shipped_edges
from crestgauge.inference.study.kit import load_study
from crestgauge.inference.study.score import relative_bias, score_study

VERSIONS = {"crestgauge": "0"}


@pytest.fixture(scope="module")
def demo(tmp_path_factory):
    """The demo study as the command writes it."""
    folder = tmp_path_factory.mktemp("study") / "demo"
    assert main(["study", "demo", "--out", str(folder)]) == 0
    return folder


@pytest.fixture(scope="module")
def results(demo):
    return json.loads((demo / "results" / "study.json").read_text(encoding="utf-8"))


def widths(results, quantity):
    return [w for w in results["widths"] if w["quantity"] == quantity]


def pooled(found, name="mean_difference"):
    """Mean over teeth and its standard error, from the 95 % intervals."""
    values = [w["limits"][name] for w in found]
    errors = [(v["high"] - v["low"]) / 4 for v in values]  # 2 x t, t about 2 with 20 to 40 animals
    return np.mean([v["value"] for v in values]), np.sqrt(np.sum(np.square(errors))) / len(values)


@pytest.mark.parametrize(
    ("quantity", "put_in"),
    [
        ("dentine_mm", PUT_IN.tool_dentine_mm),
        ("outer_enamel_mm", PUT_IN.tool_enamel_mm),
        ("inner_enamel_mm", PUT_IN.tool_enamel_mm),
    ],
)
def test_the_width_error_of_the_tool_is_found(results, quantity, put_in):
    """Within three standard errors of what was put in, and clearly different from 0."""
    value, error = pooled(widths(results, quantity))
    assert abs(value - put_in) < 3 * error
    assert abs(value) > 3 * error


def test_the_ratio_is_too_wide_and_its_bias_significant_on_every_tooth(results):
    """Wider dentine over narrower enamel: all three intervals of the relative bias lie above 0."""
    found = widths(results, "ratio")
    assert len(found) == 3
    assert all(w["relative"]["low"] > 0 for w in found)


def test_the_repeat_error_of_the_tool_is_that_of_its_edges(demo):
    """
    SD of a dentine width between photos: sqrt(2) times one edge, each crest with its own errors. 72 crests
    and more give an SD to within 8 %, three of which are allowed.
    """
    filled = load_study([str(demo)])
    values: dict[tuple[str, int, int], list[float]] = {}
    for v in filled.tool:
        if v.quantity == "dentine_mm" and v.value > 0.3:  # thinner ones are cut off at 0.02 mm
            values.setdefault((v.id, v.tooth, v.lobe), []).append(v.value)
    pairs = np.array([v for v in values.values() if len(v) == 2])
    assert len(pairs) > 72
    sd = np.sqrt(np.mean(np.diff(pairs, axis=1) ** 2) / 2)
    assert sd == pytest.approx(np.sqrt(2) * edge_sigma_mm(shipped_edges()), rel=0.25)


def test_the_biased_reader_is_told_from_the_other(results):
    """
    Birch calls 35 % of 1.5 to 3.5 a class too old and 35 % of 5.5 and older one too young. Over 25 and 18
    animals the mean shift has a standard error of about 0.13, so 0.35 +- 0.39; the sign must be right.
    """
    pairs = {p["second"]: p for p in results["report"]["study"]["pairs"] if p["first"] == "known"}

    def shift(name, labels):
        table = np.array(pairs[name]["table"])[[LABELS.index(label) for label in labels]]
        off = np.array([[j - LABELS.index(label) for j in range(len(LABELS))] for label in labels])
        return float((table * off).sum() / table.sum())

    young, old = ("1.5", "2.5", "3.5"), ("5.5", "6.5", "7.5", "8.5+")
    assert 0 < shift("Birch", young) < 0.74 and -0.74 < shift("Birch", old) < 0
    assert pairs["Birch"]["exact"]["value"] < pairs["Alder"]["exact"]["value"]
    assert pairs["Alder"]["bias"]["low"] < 0 < pairs["Alder"]["bias"]["high"]
    second = {p["first"]: p["exact"]["value"] for p in results["repeats"]}
    assert second["Birch"] < second["Alder"]  # Birch is the less repeatable one too


def test_the_second_measurer_is_seen_in_the_gauge_study(results):
    """
    Two people 0.08 mm apart: SD between people 0.08 / sqrt(2) = 0.057 mm, from 6 to 10 jaws by 2 repeats each
    of SD 0.03, that is +- 0.01; none on dentine, where nothing was put in.
    """
    found = {
        (r["quantity"], r["tooth"]): r["by_anova"]["study"]
        for r in results["by_hand"]
        if len(r["readers"]) == 2
    }
    for tooth in (4, 5, 6):
        between = found["outer_enamel_mm", tooth]["reproducibility"]
        assert between == pytest.approx(PUT_IN.second_hand_enamel_mm / np.sqrt(2), abs=0.025)
        assert found["dentine_mm", tooth]["reproducibility"] < 0.02
    assert found["outer_enamel_mm", 4]["n_parts"] == 10


def test_every_spoilt_row_and_every_missing_pair_is_told(results, demo):
    told = {(p["set_name"], p["what"]) for p in results["report"]["problems"]}
    words = " | ".join(what for _, what in told)
    assert "dentine 92: needs 0 to 10" in words
    assert words.count("planned but not measured") == 2
    assert '"old" is no age' in words and "1/2" in words
    assert words.count("could not say: tooth 4 broken") == 1
    pairs = {(p["first"], p["second"]): p for p in results["pairs"]}
    shots = pairs["tool", "tool, again"]
    assert shots["wanted"] - shots["found"] == PUT_IN.retakes
    assert all("photo to be retaken: blurred" in why for _, why in shots["missing"])
    known = pairs["tool", "known"]
    assert known["wanted"] - known["found"] == PUT_IN.no_known_age
    lines = (demo / "results" / "missing.csv").read_text(encoding="utf-8").splitlines()
    assert len(lines) - 1 == sum(p["wanted"] - p["found"] for p in results["pairs"])


def test_page_stands_alone_and_methods_name_versions_and_sources(results, demo):
    page = (demo / "results" / "study.html").read_text(encoding="utf-8")
    assert "<script" not in page and "http" not in page.replace("http-equiv", "")
    assert "proposal for a trained person to confirm" in page
    for words in ("scipy", "seed 6", "[bland]", "[deming]", "[gauge]", "Wilson"):
        assert words in results["methods"]["text"], words
    assert "Bland & Altman 1986" in results["methods"]["sources"]["bland"]


def test_a_half_filled_study_is_scored_as_far_as_it_goes(demo, tmp_path):
    kit = tmp_path / "kit"
    shutil.copytree(demo, kit, ignore=shutil.ignore_patterns("results", "sheets"))
    (kit / "forms" / "callipers.csv").unlink()
    for name in ("calls_alder.csv", "calls_birch.csv"):
        (kit / "forms" / name).unlink()
    made = score_study(load_study([str(kit)]), load_criteria(), created="now", versions=VERSIONS)
    assert made.widths == () and made.by_hand == ()
    found = {(p.first, p.second): p for p in made.pairs}
    assert found["tool", "by hand"].reasons == {"by hand: not measured by hand": 38}
    assert found["tool", "Birch"].reasons == {"Birch: not there": 60}


def test_nothing_filled_in_yet_says_so(tmp_path, capsys):
    kit = tmp_path / "kit"
    assert main(["study", "plan", "--out", str(kit), "--animals", "4", "--no-cards"]) == 0
    assert main(["study", "score", str(kit), "--out", str(tmp_path / "out")]) == 2
    assert "Read the photos and fill in the forms" in capsys.readouterr().err
    assert main(["study", "score", str(tmp_path), "--out", str(tmp_path / "out")]) == 2
    assert "Give the folder that study plan wrote" in capsys.readouterr().err
    for words in ([str(tmp_path / "no")], [str(kit), "--readings", str(tmp_path / "no")]):
        assert main(["study", "score", *words, "--out", str(tmp_path / "out")]) == 2
        assert "is not there; needs" in capsys.readouterr().err
    assert not (tmp_path / "out").exists()


def test_a_reading_of_an_unlisted_photo_and_of_other_weights_is_told(demo, tmp_path):
    path = tmp_path / "readings.jsonl"
    lines = (demo / "readings" / "readings.jsonl").read_text(encoding="utf-8").splitlines()[:8]
    other = json.loads(lines[0])
    other["photo"]["file"] = "holiday.jpg"
    other["versions"]["model"] = "other-1"
    path.write_text("\n".join([*lines, lines[1], json.dumps(other), "{broken"]) + "\n", encoding="utf-8")
    words = " | ".join(p.what for p in load_study([str(demo)], readings=path).problems)
    assert "this photo is in no row of photos.csv" in words
    assert "has a second reading; the first is used" in words
    assert "2 different versions of model are mixed" in words
    assert any(p.id == "readings.jsonl" for p in load_study([str(demo)], readings=path).problems)


def test_relative_bias_of_a_constant_factor_is_that_factor():
    """Every value 1.1 times the other: ln 1.1 each, so 10 %, by hand."""
    found = relative_bias(np.log(np.array([1.1, 1.1, 1.1])))
    assert found.value == pytest.approx(10.0, abs=1e-9) and found.low == pytest.approx(10.0, abs=1e-9)
    assert relative_bias(np.array([0.1])).reason is not None


def test_a_ledger_is_scored_too(tmp_path, demo):
    """Animals, blind calls and readings of the demo, put into a ledger by the ordinary ways."""
    from crestgauge.inference.exchange.tables_in import import_calls, import_specimens
    from crestgauge.inference.ledger.record import PhotoFacts, add_photo, add_reading, link_photo
    from crestgauge.inference.ledger.store import Ledger
    from crestgauge.inference.reading import Reading

    place = str(tmp_path / "s.db")
    with Ledger(place, by="test") as ledger:
        import_specimens(demo / "forms" / "specimens.csv", ledger)
        import_calls(demo / "forms" / "calls_alder.csv", ledger)
        text = (demo / "readings" / "readings.jsonl").read_text(encoding="utf-8")
        for line in text.splitlines():
            reading = Reading.from_json(line)
            sha, animal = reading.photo.sha256, reading.photo.file.split("_")[0]
            with ledger.writing() as connection:
                facts = PhotoFacts(sha256=sha, width=10, height=10, format="JPEG", picture_hash=sha)
                photo = add_photo(connection, ledger, facts)
                link_photo(connection, ledger, sha, animal, source="person")
                add_reading(connection, ledger, photo, reading.to_dict(), reading.to_json())
    callipers = demo / "forms" / "callipers.csv"
    made = score_study(
        load_study([place], callipers=callipers), load_criteria(), created="now", versions=VERSIONS
    )
    assert {s.name for s in made.report.study.sets} == {"known", "cementum", "tool", "Alder"}
    assert [(p.first, p.n) for p in made.repeats] == [("Alder", 19), ("tool", 57)]  # "6 1/2" stays out
    assert len(made.widths) == 12
    with pytest.raises(CrestgaugeError):
        load_study([str(tmp_path / "nothing.db")])
