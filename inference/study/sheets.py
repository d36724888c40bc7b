"""
The sheets of a study as PDF: check list, photo log, a blind sheet for each reader, one for each who measures,
the keeper's key. Edge module: writes files.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from html import escape
from pathlib import Path
from typing import Any, Final

from crestgauge.inference.errors import CardError
from crestgauge.inference.ledger.specimen import AGE_CLASSES
from crestgauge.inference.study.forms import call_form
from crestgauge.inference.study.plan import LOBES, REPEATS, TEETH, Plan
from crestgauge.inference.study.words import CAUTIONS, INSTRUMENT, PROPOSAL, STEPS

PAPERS: Final = ("a4", "letter")
_MARGIN_PT = 40.0
_FONT, _BOLD = "Helvetica", "Helvetica-Bold"


@dataclass(frozen=True, slots=True, kw_only=True)
class Part:
    """A heading, words under it, and a table with column widths as shares of the page."""

    heading: str
    words: Sequence[str] = ()
    header: Sequence[str] = ()
    rows: Sequence[Sequence[str]] = ()
    shares: Sequence[float] = ()
    new_page: bool = False


def write_sheets(plan: Plan, folder: Path, *, paper: str = "letter") -> tuple[str, ...]:
    """
    Write every sheet of a plan into ``folder``; gives the file names.

    Raises
    ------
    CardError
        If reportlab is missing, the paper is unknown, or a file cannot be written.
    """
    if paper not in PAPERS:
        raise CardError(f"paper {paper!r} is unknown; needs one of {', '.join(PAPERS)}.")
    made: dict[str, tuple[str, list[Part]]] = {
        "checklist.pdf": ("Check list", _checklist(plan)),
        "photo_log.pdf": ("Photo log", _photo_log(plan)),
        "keeper_key.pdf": ("Keeper's key of blind codes: not for readers", _key(plan)),
    }
    for reader in plan.options.readers:
        name = call_form(reader).replace("calls_", "reader_").replace(".csv", ".pdf")
        made[_unused(name, made)] = (f"Blind reading: {reader}", _reading(plan, reader))
    for who in plan.measurers:
        name = call_form(who).replace("calls_", "callipers_").replace(".csv", ".pdf")
        made[_unused(name, made)] = (f"By hand: {who}", _callipers(plan, who))
    folder.mkdir(parents=True, exist_ok=True)
    for name, (title, parts) in made.items():
        _write(folder / name, title, plan, parts, paper)
    return tuple(made)


def _unused(name: str, taken: dict[str, Any]) -> str:
    return name if name not in taken else name.replace(".pdf", f"_{len(taken)}.pdf")


def _checklist(plan: Plan) -> list[Part]:
    boxes = [["", step] for step in STEPS]
    return [
        Part(heading="Cautions", header=("", ""), rows=[["!", c] for c in CAUTIONS], shares=(0.05, 0.95)),
        Part(heading="Steps", header=("done", ""), rows=boxes, shares=(0.07, 0.93)),
        Part(heading="Measuring by hand", words=(INSTRUMENT, PROPOSAL)),
    ]


def _photo_log(plan: Plan) -> list[Part]:
    header = (
        "Id",
        "Sex",
        "Side",
        "Wet/dry",
        "Photo 1: file",
        "Day",
        "By",
        "Photo 2: file",
        "Day",
        "By",
        "Note",
    )
    rows = [[a.id, a.sex[:1].upper() if a.sex != "unknown" else "", *[""] * 9] for a in plan.animals]
    shares = (0.11, 0.05, 0.06, 0.07, 0.14, 0.08, 0.06, 0.14, 0.08, 0.06, 0.15)
    words = (
        "Photo 2 is set up anew: jaw, card and phone are put away in between, best for a day. "
        f"Names asked for: {plan.animals[0].id}_1.jpg and {plan.animals[0].id}_2.jpg."
        if plan.animals
        else "",
    )
    return [Part(heading="Two photos of every jaw", words=words, header=header, rows=rows, shares=shares)]


def _reading(plan: Plan, reader: str) -> list[Part]:
    parts = []
    header = ("Line", "Code", "Age class", "Sure? H M L", "Cannot say, because ...", "Day")
    for reading in (1, 2):
        rows = [
            [str(k.line), k.code, "", "", "", ""]
            for k in plan.looks
            if k.reader == reader and k.reading == reading
        ]
        if not rows:
            continue
        words = [
            f"Classes: {', '.join(AGE_CLASSES)} years. Read in this order, alone, without any age, id or "
            "proposal in view. H, M, L: how sure you are."
        ]
        if reading == 2:
            words.append("Not before a week has passed; do not look at the first sheet.")
        parts.append(
            Part(heading=f"Reading {reading}", words=words, header=header, rows=rows,
                 shares=(0.07, 0.13, 0.14, 0.14, 0.38, 0.14), new_page=reading == 2)
        )  # fmt: skip
    return parts


def _callipers(plan: Plan, who: str) -> list[Part]:
    header = ("Id", "Side", "Tooth", "Lobe", "Dentine", "Outer enamel", "Inner enamel", "Note")
    parts = []
    for repeat in range(1, REPEATS + 1):
        rows = [
            [a.id if (tooth, lobe) == (TEETH[0], LOBES[0]) else "", "", str(tooth), str(lobe), "", "", "", ""]
            for a in plan.animals
            if a.gauge or (a.by_hand and who == plan.measurers[0] and repeat == 1)
            for tooth in TEETH
            for lobe in LOBES
        ]
        words = (
            "Widths in mm, tongue side, square to the crest at its middle. Outer: towards the tongue. Inner: "
            'towards the hollow; "gone" where it is worn away. No dentine: 0.',
            "Callipers (make, step): ______________________   Zero checked: ____   Day: __________",
        )
        parts.append(
            Part(heading=f"Repeat {repeat}", words=words, header=header, rows=rows, new_page=repeat > 1,
                 shares=(0.16, 0.07, 0.08, 0.07, 0.14, 0.16, 0.16, 0.16))
        )  # fmt: skip
    return parts


def _key(plan: Plan) -> list[Part]:
    header = ("Line", "Code", "Animal", "Look at")
    what = "photo 1" if plan.options.read_from == "photo" else "the jaw"
    parts: list[Part] = []
    for reader in plan.options.readers:
        for reading in (1, 2):
            rows = [
                [str(k.line), k.code, k.animal, f"{what} of {k.animal}"]
                for k in plan.looks
                if k.reader == reader and k.reading == reading
            ]
            if rows:
                parts.append(
                    Part(heading=f"{reader}, reading {reading}", header=header, rows=rows,
                         shares=(0.1, 0.2, 0.35, 0.35), new_page=bool(parts))
                )  # fmt: skip
    return parts


def _write(path: Path, title: str, plan: Plan, parts: Sequence[Part], paper: str) -> None:
    try:
        from reportlab.lib.pagesizes import A4, LETTER
        from reportlab.lib.styles import ParagraphStyle
        from reportlab.platypus import PageBreak, Paragraph, SimpleDocTemplate, Spacer
    except ImportError as error:
        raise CardError(
            'reportlab is not installed; needed to write the sheets. Run: pip install "crestgauge[card]"'
        ) from error
    size = A4 if paper == "a4" else LETTER
    body = ParagraphStyle("body", fontName=_FONT, fontSize=10, leading=13, spaceAfter=4)
    small = ParagraphStyle("small", parent=body, fontSize=9.5, leading=12, spaceAfter=0)
    head = ParagraphStyle("head", fontName=_BOLD, fontSize=13, leading=16, spaceBefore=8, spaceAfter=4)
    first = ParagraphStyle("first", fontName=_BOLD, fontSize=17, leading=21, spaceAfter=2)
    story: list[Any] = [Paragraph(escape(title), first), Paragraph(escape(plan.title), body)]
    for part in parts:
        if part.new_page:
            story.append(PageBreak())
        story.append(Paragraph(escape(part.heading), head))
        story += [Paragraph(escape(words), body) for words in part.words if words]
        if part.rows:
            story += [_table(part, small, size[0] - 2 * _MARGIN_PT), Spacer(1, 8)]

    def foot(canvas: Any, document: Any) -> None:
        canvas.setFont(_FONT, 8)
        words = f"{plan.title}, seed {plan.options.seed}. {title}. Page {document.page}"
        canvas.drawString(_MARGIN_PT, 24, words)

    document = SimpleDocTemplate(
        str(path), pagesize=size, leftMargin=_MARGIN_PT, rightMargin=_MARGIN_PT, topMargin=_MARGIN_PT,
        bottomMargin=_MARGIN_PT, title=f"{plan.title}: {title}", invariant=1,
    )  # fmt: skip
    try:
        document.build(story, onFirstPage=foot, onLaterPages=foot)
    except OSError as error:
        raise CardError(f"{path}: cannot be written ({error.strerror}). Choose another place.") from error


def _table(part: Part, style: Any, width: float) -> Any:
    """A ruled table whose header is repeated on each page; long words wrap in their cell."""
    from reportlab.lib import colors
    from reportlab.platypus import LongTable, Paragraph

    header = [part.header] if any(part.header) else []
    long_words = any(len(cell) > 40 for row in part.rows for cell in row)
    cells = [[Paragraph(escape(c), style) if long_words else c for c in row] for row in part.rows]
    table = LongTable(
        [*header, *cells], colWidths=[width * share for share in part.shares], repeatRows=len(header)
    )
    rules = [
        ("FONT", (0, 0), (-1, -1), _FONT, 9.5),
        ("GRID", (0, 0), (-1, -1), 0.5, colors.grey),
        ("VALIGN", (0, 0), (-1, -1), "MIDDLE"),
        ("TOPPADDING", (0, 0), (-1, -1), 4),
        ("BOTTOMPADDING", (0, 0), (-1, -1), 4),
    ]
    if header:
        rules += [("FONT", (0, 0), (-1, 0), _BOLD, 8.5), ("BACKGROUND", (0, 0), (-1, 0), colors.whitesmoke)]
    table.setStyle(rules)
    return table
