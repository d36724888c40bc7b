"""Criteria files: the shipped one loads, and nothing that is wrong with a file is overlooked."""

from __future__ import annotations

import copy
import hashlib
import tomllib
from importlib.resources import files
from pathlib import Path
from typing import Any

import pytest

from crestgauge.inference.criteria import COMMON_PRACTICE, OURS, load_criteria
from crestgauge.inference.criteria.loading import check_criteria, parse_criteria
from crestgauge.inference.errors import CriteriaError

RAW = files("crestgauge.inference.criteria").joinpath("default.toml").read_bytes()
DOCUMENT = tomllib.loads(RAW.decode())


def check(document: dict[str, Any]) -> None:
    """Check an edited document as if it had been read from a file called edited.toml."""
    check_criteria(document, name="edited.toml", sha256="0" * 64)


def places(value: Any, path: tuple[Any, ...] = ()) -> list[tuple[Any, ...]]:
    """Paths of all keys, down to the last table in a list."""
    found = []
    items = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    for key, item in items:
        if isinstance(value, dict):
            found.append((*path, key))
        found += places(item, (*path, key))
    return found


def named(path: tuple[Any, ...]) -> str:
    """The path as messages write it."""
    return "".join(f"[{part}]" if isinstance(part, int) else f".{part}" for part in path).lstrip(".")


def edited(path: tuple[Any, ...]) -> tuple[dict[str, Any], dict[str, Any]]:
    """A copy of the document, and the table in it that holds the key at ``path``."""
    document = copy.deepcopy(DOCUMENT)
    table: Any = document
    for part in path[:-1]:
        table = table[part]
    return document, table


# A key of [sources] that is taken away or renamed shows up where it is used, under the name of the user.
KEYS = [path for path in places(DOCUMENT) if not (path[0] == "sources" and len(path) > 1)]
SOURCES = [path for path in places(DOCUMENT) if path[0] == "sources" and len(path) > 1]


def test_the_default_file_loads_and_names_itself() -> None:
    key = load_criteria()
    assert key.sha256 == hashlib.sha256(RAW.replace(b"\r\n", b"\n")).hexdigest()
    assert key.label == f"{key.id} {key.version} sha256:{key.sha256[:12]}"
    assert key.classes == ("0.5", "1.5", "2.5", "3.5", "4.5", "5.5", "6.5", "7.5", "8.5+")
    assert len(KEYS) > 200  # the walk below does reach into every table


def test_line_ends_do_not_change_the_hash(tmp_path: Path) -> None:
    other = tmp_path / "crlf.toml"
    other.write_bytes(RAW.replace(b"\n", b"\r\n"))
    assert load_criteria(other) == load_criteria()


def test_every_removed_key_is_named() -> None:
    for path in KEYS:
        document, table = edited(path)
        del table[path[-1]]
        with pytest.raises(CriteriaError) as error:
            check(document)
        assert str(error.value).startswith(f"edited.toml: {named(path)}: missing; needs"), path


def test_every_renamed_key_is_named() -> None:
    """Either the old name is said to be missing or the new one to be unknown."""
    for path in KEYS:
        document, table = edited(path)
        table[f"{path[-1]}_"] = table.pop(path[-1])
        with pytest.raises(CriteriaError) as error:
            check(document)
        assert str(error.value).startswith(f"edited.toml: {named(path)}"), path


def test_every_added_key_is_named() -> None:
    for path in KEYS:
        document, table = edited((*path, "more"))
        if not isinstance(table, dict) or path[0] == "sources":
            continue
        table["more"] = 1
        with pytest.raises(CriteriaError, match="unknown key") as error:
            check(document)
        assert str(error.value).startswith(f"edited.toml: {named((*path, 'more'))}: "), path


@pytest.mark.parametrize("wrong", [[], True, {"a": 1}, 1e9, "", float("nan")], ids=str)
def test_every_value_of_a_wrong_type_is_named(wrong: Any) -> None:
    # Lists that may be empty: coarse groups without a published figure, and no other definition in doubt.
    may_be_empty = ("accuracy", "value")
    for path in KEYS:
        document, table = edited(path)
        if type(table[path[-1]]) is type(wrong) and (wrong == [] and path[-1] in may_be_empty):
            continue
        if isinstance(wrong, dict) and isinstance(table[path[-1]], dict):
            continue  # another table: its keys are tested above
        table[path[-1]] = wrong
        with pytest.raises(CriteriaError) as error:
            check(document)
        assert str(error.value).startswith("edited.toml: "), path
        assert str(path[-1]) in str(error.value), path


def test_every_source_is_used_and_every_use_has_a_source() -> None:
    used = {value for path in KEYS if path[-1] == "key" for value in [edited(path)[1]["key"]]}
    mentioned = RAW.decode()
    for path in SOURCES:
        assert path[-1] in used or f"[{path[-1]}]" in mentioned, path
    assert used <= {path[-1] for path in SOURCES} | {COMMON_PRACTICE, OURS}


def test_a_source_that_does_not_exist_is_refused() -> None:
    for path in KEYS:
        if path[-1] == "key":
            document, table = edited(path)
            table["key"] = "nobody1900"
            with pytest.raises(CriteriaError, match="nobody1900"):
                check(document)


@pytest.mark.parametrize(
    ("path", "value", "needs"),
    [
        (("criterion", 3, "threshold"), -1.0, "a number in 0.1 to 10"),
        (("criterion", 3, "threshold"), "1", "a number in 0.1 to 10"),
        (("criterion", 3, "unit"), "mm", "the unit of ratio"),
        (("criterion", 3, "comparison"), "at_most", "one of at_least"),
        (("criterion", 3, "tooth"), 3, "for ratio"),
        (("criterion", 3, "tooth"), 7, "a whole number in 1 to 6"),
        (("criterion", 3, "lobes"), [1, 3], "some of [1, 2]"),
        (("criterion", 3, "lobes"), [1, 1], "each once"),
        (("criterion", 6, "threshold"), 1.5, "a number in 0 to 1"),
        (("criterion", 0, "threshold"), 1.5, "a whole number"),
        (("criterion", 4, "class_if_no"), "4.5", "no gap, no overlap"),
        (("criterion", 4, "class_if_yes"), "5.5", "the class after it"),
        (("criterion", 4, "class_if_yes"), "9.5", "one of"),
        (("options", "borderline_k", "value"), 11, "a number in 0 to 10"),
        (("options", "enamel", "value"), "thick", "one of mean, outer, inner"),
        (("options", "enamel", "choices"), ["mean", "outer"], "'inner'"),
        (("options", "doubt_by_definition", "value"), ["near"], "some of"),
        (("options", "top_class", "value"), "1.5", "one of"),
        (("classes",), ["0.5", "2.5", "1.5", "3.5+"], "youngest first"),
        (("classes",), ["0.5", "1.5"], "ending in +"),
        (("schema",), "crestgauge.criteria/2", "crestgauge.criteria/1"),
        (("id",), "Default Key", "small letters"),
    ],
)
def test_values_out_of_range_are_named(path: tuple[Any, ...], value: Any, needs: str) -> None:
    document, table = edited(path)
    table[path[-1]] = value
    with pytest.raises(CriteriaError) as error:
        check(document)
    assert str(error.value).startswith(f"edited.toml: {named(path)}: ")
    assert needs in str(error.value)


@pytest.mark.parametrize("i", range(len(DOCUMENT["criterion"])))
def test_a_criterion_left_out_is_a_gap(i: int) -> None:
    document = copy.deepcopy(DOCUMENT)
    del document["criterion"][i]
    if i == 1:  # the only one that leads to no new class: without it the key is coarser but has no gap
        check(document)
        return
    with pytest.raises(CriteriaError, match="criterion"):
        check(document)


def test_a_criterion_that_comes_twice_is_refused() -> None:
    document = copy.deepcopy(DOCUMENT)
    document["criterion"].insert(2, document["criterion"][1])
    with pytest.raises(CriteriaError, match="every id once"):
        check(document)


def test_a_coarse_grouping_that_forgets_a_class_is_refused() -> None:
    document = copy.deepcopy(DOCUMENT)
    document["coarse"][0]["group"][3]["classes"].pop()
    with pytest.raises(CriteriaError, match=r"coarse\[0\]\.group"):
        check(document)


@pytest.mark.parametrize(
    ("raw", "words"),
    [(b"\xff\xfe", "not valid TOML"), (b"schema = ", "not valid TOML"), (b"", "schema: missing")],
)
def test_what_is_no_criteria_file_is_refused(raw: bytes, words: str) -> None:
    with pytest.raises(CriteriaError, match=words):
        parse_criteria(raw, name="odd.toml")


def test_a_file_that_cannot_be_read_is_named(tmp_path: Path) -> None:
    with pytest.raises(CriteriaError, match=r"none\.toml: cannot be read"):
        load_criteria(tmp_path / "none.toml")
    with pytest.raises(CriteriaError, match="cannot be read"):
        load_criteria(tmp_path)
