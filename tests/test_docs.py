"""Documents agree with each other: numbers of decisions, links and their headings, lines that can be read."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent
FOLDERS = ("model", "inference", "training", "cli", "synthetic_data", "tests")
DOCUMENTS = ("README.md", "DEVELOPERS.md", "DECISIONS.md", "CHANGELOG.md", "model/MODEL_CARD.md")
NEVER_GIVEN = 42

NUMBER = r"\d+[ab]?"
REFERRED = re.compile(
    rf"\bdecision[\s#]+\[?({NUMBER})|\bdecisions[\s#]+({NUMBER}(?:(?:,|,? and|,? or| to)[\s#]+{NUMBER})*)"
)


def read(name):
    return (ROOT / name).read_text(encoding="utf-8")


def headings(name):
    """Headings without code blocks, whose lines may begin with a # of a shell's comment."""
    return re.findall(r"(?m)^#{1,6} (.+)$", re.sub(r"(?ms)^```.*?^```", "", read(name)))


def anchors(name):
    """What github.com makes of headings: lower case, word characters and hyphens alone, blanks as hyphens."""
    return [re.sub(r"[^\w\- ]", "", heading.lower()).replace(" ", "-") for heading in headings(name)]


def decisions():
    return re.findall(rf"(?m)^## ({NUMBER})\. \S", read("DECISIONS.md"))


def links(name):
    """Targets of links in brackets and of those defined at a document's end, other sites left out."""
    found = re.findall(r"\]\(([^)\s]+)\)|(?m:^\[[^\]]+\]: (\S+)$)", read(name))
    return [a or b for a, b in found if not re.match(r"https?:|mailto:", a or b)]


def test_decisions_are_numbered_one_after_the_other():
    """28a and 28b were written without numbers and keep their place."""
    numbers = decisions()
    last = int(numbers[-1])
    expected = [str(i) for i in range(1, last + 1) if i != NEVER_GIVEN]
    place = expected.index("28") + 1
    assert numbers == [*expected[:place], "28a", "28b", *expected[place:]]


def test_every_decision_that_is_named_exists():
    """Code, tests, cards and documents name decisions by number; of a range its ends are looked up."""
    known = set(decisions())
    paths = [path for folder in FOLDERS for path in sorted((ROOT / folder).rglob("*"))]
    paths += sorted(ROOT.glob("*.md")) + sorted(ROOT.glob("*.toml"))
    named = {
        (number, str(path.relative_to(ROOT)))
        for path in paths
        if path.suffix in (".py", ".md", ".toml")
        for one, several in REFERRED.findall(path.read_text(encoding="utf-8"))
        for number in re.findall(NUMBER, one or several)
    }
    assert {"memory.py", "card.md", "MODEL_CARD.md", "DECISIONS.md"} <= {Path(name).name for _, name in named}
    assert not {(number, name) for number, name in named if number not in known}


def test_every_decision_has_its_line_under_a_topic():
    text = read("DEVELOPERS.md")
    topics = text[text.index("\n## Decisions by topic\n") : text.index("\n## Next\n")]
    assert set(re.findall(rf"\[({NUMBER})\]", topics)) == set(decisions())


def test_numbers_in_brackets_lead_to_the_decision_of_that_number():
    text = read("DEVELOPERS.md")
    defined = dict(re.findall(rf"(?m)^\[({NUMBER})\]: DECISIONS\.md#(\S+)$", text))
    assert set(re.findall(rf"\[({NUMBER})\](?!:)", text)) == set(defined)
    for number, anchor in defined.items():
        assert anchor.startswith(f"{number}-") and anchor in anchors("DECISIONS.md"), number


@pytest.mark.parametrize("name", DOCUMENTS)
def test_links_between_documents_lead_somewhere(name):
    for target in links(name):
        path, _, anchor = target.partition("#")
        found = (ROOT / name).parent / path if path else ROOT / name
        assert found.exists(), f"{name} links to {target}"
        if anchor:
            assert anchor in anchors(found.relative_to(ROOT)), f"{name} links to {target}"


@pytest.mark.parametrize("name", ["DEVELOPERS.md", "DECISIONS.md"])
def test_lines_can_be_read_in_a_terminal(name):
    """At most 120 characters, as these documents ask of themselves; a row of a table cannot be broken."""
    long = [line for line in read(name).splitlines() if len(line) > 120 and not line.startswith("|")]
    assert not long
    assert len(set(anchors(name))) == len(anchors(name)), "two headings of one name share an address"


def test_the_pattern_finds_what_people_write():
    text = "decision 98, 3\n# decisions 63, 68 to 72 and 105); decisions of 7; decision\n# [28a]"
    assert [a or b for a, b in REFERRED.findall(text)] == ["98", "63, 68 to 72 and 105", "28a"]
