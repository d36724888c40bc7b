"""The commands as a user types them."""

from __future__ import annotations

import pytest

from crestgauge.cli.__main__ import main


def test_screen(season, manifest, tmp_path, capsys):
    place = [str(season / "meadow0.jpg"), str(season / "text.jpg")]
    arguments = ["screen", *place, "--ledger", str(tmp_path / "l.db"), "--manifest", str(manifest)]
    assert main([*arguments, "--workers", "1", "--out", str(tmp_path / "heaps")]) == 3
    printed = capsys.readouterr()
    assert "2 photos: 1 read now (0 clear, 0 borderline, 1 retake)" in printed.out
    assert "text.jpg: a text file" in printed.err
    assert (tmp_path / "heaps" / "retake.csv").exists()
    assert main([*arguments, "--workers", "1"]) == 3
    assert "0 read now" in (told := capsys.readouterr().out)
    assert "1 failed before" in told
    assert main(["screen", place[0], *arguments[3:], "--workers", "1"]) == 0


@pytest.mark.parametrize(
    ("more", "words"),
    [(["--shard", "4/3"], "needs I/N"), (["--template", "gone.txt"], "cannot be read"), ([], "is not there")],
)
def test_wrong_usage_starts_nothing(more, words, tmp_path, capsys):
    assert main(["screen", str(tmp_path / "gone"), "--ledger", str(tmp_path / "l.db"), *more]) in (1, 2)
    assert words in capsys.readouterr().err
    assert not (tmp_path / "l.db").exists()


def test_card(tmp_path, capsys):
    pytest.importorskip("reportlab")
    path = tmp_path / "card.pdf"
    assert main(["card", str(path), "--paper", "A5", "--specimen", "A-1", "--measured", "97"]) == 0
    printed = capsys.readouterr().out
    assert "scaled the page to 97.0 %" in printed
    assert "2 pages" in printed
    assert path.read_bytes().startswith(b"%PDF")
    assert main(["card"]) in (1, 2)


def test_message_template_is_what_is_filled(capsys):
    from crestgauge.inference.screening.report import default_template

    assert main(["screen-message"]) == 0
    assert capsys.readouterr().out == default_template()
