"""
The PDF, rendered by PDFium (an implementation of ISO 32000 outside this project) and found by the detector.
"""

from __future__ import annotations

import numpy as np
import pytest

from crestgauge.inference.card.detect import find_card
from crestgauge.inference.card.layout import MAX_SPECIMEN_ID
from crestgauge.inference.card.pdf import PAPERS_MM, check_print, write_card
from crestgauge.inference.errors import CardError, InputError

pdfium = pytest.importorskip("pypdfium2")
pytest.importorskip("reportlab")

DPI = 200


def render(path, page=0):
    document = pdfium.PdfDocument(path)
    picture = document[page].render(scale=DPI / 72).to_pil().convert("RGB")
    size = document[page].get_size()
    document.close()
    return np.array(picture), size


@pytest.mark.parametrize("paper", sorted(PAPERS_MM))
def test_true_to_size(tmp_path, paper):
    """
    Page size to 0.1 mm; scale of the printed card DPI / 25.4 px/mm to 0.2 % (PDFium draws whole pixels: 1 in
    1300).
    """
    path = tmp_path / "card.pdf"
    pages = write_card(path, paper=paper, specimen_ids=("A-17",))
    assert pages == (2 if paper == "a5" else 1)
    picture, size = render(path)
    assert np.array(size) * 25.4 / 72 == pytest.approx(PAPERS_MM[paper], abs=0.1)
    view = find_card(picture)
    assert view is not None
    assert len(view.tags) == 8
    assert view.px_per_mm() == pytest.approx(DPI / 25.4, rel=0.002)
    assert view.specimen_id == "A-17"


def test_one_page_per_specimen(tmp_path):
    path = tmp_path / "cards.pdf"
    names = ("A-1", "A-2", "B 3/x")
    assert write_card(path, paper="letter", specimen_ids=names) == 3
    for page, name in enumerate(names):
        view = find_card(render(path, page)[0])
        assert view is not None
        assert view.specimen_id == name


def test_nothing_drawn_over_the_tags_or_off_the_page(tmp_path):
    """
    A margin of 6 mm stays white on every page: printers cannot print closer to the edge (common practice, 4
    to 5 mm).
    """
    for paper in PAPERS_MM:
        path = tmp_path / f"{paper}.pdf"
        for page in range(write_card(path, paper=paper)):
            picture, _ = render(path, page)
            edge = round(6 * DPI / 25.4)
            inside = picture[edge:-edge, edge:-edge]
            assert picture.min(axis=(0, 1, 2)) < 10
            assert (picture < 255).sum() == (inside < 255).sum()


def test_refusals(tmp_path):
    with pytest.raises(CardError, match="needs one of"):
        write_card(tmp_path / "x.pdf", paper="a3")
    with pytest.raises(InputError, match="needs 1 to 40"):
        write_card(tmp_path / "x.pdf", specimen_ids=("y" * (MAX_SPECIMEN_ID + 1),))
    with pytest.raises(CardError, match="cannot be written"):
        write_card(tmp_path / "no" / "x.pdf")


def test_check_print():
    assert check_print(100.3) == (1.003, "100.3 mm of 100: printed true to size.")
    factor, words = check_print(94)
    assert factor == 0.94
    assert "94.0 %" in words
    assert "--card-scale 0.94" in words
    with pytest.raises(CardError, match="needs 75 to 125"):
        check_print(3.9)
