"""The command line: help that works, output that pipes, exit status as documented."""

from __future__ import annotations

import json
import os
import shlex
import signal
import subprocess
import sys
import time

import jsonschema
import painted_jaws
import pytest
import typer
from painted_jaws import photo

from crestgauge.cli.__main__ import main
from crestgauge.cli.app import load_commands
from crestgauge.cli.doctor import check_opencv
from crestgauge.cli.terminal import collect_photos, one_line, unused_name
from crestgauge.inference.reading import Reading

ROOT = typer.main.get_command(load_commands())
COMMANDS = sorted(ROOT.commands)


def run(*arguments: object) -> int:
    """One command with the painted networks where it reads photos."""
    words = [str(word) for word in arguments]
    if words[0] == "read":
        words += ["--manifest", str(painted_jaws.manifest()), "--threads", "1"]
    return main(words)


@pytest.mark.parametrize("name", COMMANDS)
def test_every_command_has_help_an_example_and_its_exit_status(name, capsys):
    assert main([name, "--help"]) == 0
    text = capsys.readouterr().out
    assert "Exit status:  0" in text
    assert "Example:  crestgauge " in text
    command = ROOT.commands[name]
    for option in command.params:
        assert getattr(option, "help", None) or option.name == "help", f"{name}: {option.name} has no help"


@pytest.mark.parametrize("name", COMMANDS)
def test_every_example_in_a_help_text_is_a_command_that_exists(name):
    """Each part of a pipe is parsed by the real parser; nothing is run."""
    lines = [
        line.split("Example:")[1] for line in ROOT.commands[name].help.splitlines() if "Example:" in line
    ]
    assert lines
    for line in lines:
        for part in line.split(">")[0].split("|"):
            words = shlex.split(part)
            assert words[0] == "crestgauge"
            context = ROOT.commands[words[1]].make_context(words[1], words[2:])
            context.close()


def test_read_prints_one_line_each_and_writes_every_file(tmp_path, capsys):
    out = tmp_path / "new" / "readings"
    assert run("read", photo("adult"), photo("borderline"), photo("bare"), "--out", out) == 0
    lines = capsys.readouterr().out.splitlines()
    assert [line.split()[:3] for line in lines] == [
        ["adult.png", "clear", "3.5"],
        ["borderline.png", "borderline", "2.5"],
        ["bare.png", "retake", "-"],
    ]
    assert "tooth 5 (m2): dentine 0.5" in lines[0]  # drawn: 5 / 9
    assert lines[1].endswith("possible: 2.5 or 3.5")
    assert "not a jaw" in lines[2]
    names = sorted(path.name for path in out.iterdir())
    assert names == sorted(
        [f"{n}.{kind}" for n in ("adult", "borderline", "bare") for kind in ("reading.json", "overlay.jpg")]
        + ["sheet.html"]
    )
    assert Reading.from_json((out / "adult.reading.json").read_text()).age_class == "3.5"


def test_broken_files_are_named_the_rest_is_read_and_the_status_is_3(tmp_path, capsys):
    (tmp_path / "empty.jpg").write_bytes(b"")
    (tmp_path / "words.jpg").write_text("not a photo")
    (tmp_path / "half.png").write_bytes(photo("bare").read_bytes()[:900])
    status = run("read", tmp_path, photo("bare"), tmp_path / "none.jpg", "--out", tmp_path / "out")
    out, err = capsys.readouterr()
    assert status == 3
    assert [line.split()[:2] for line in out.splitlines()] == [["bare.png", "retake"]]
    for name in ("empty.jpg", "words.jpg", "half.png", "none.jpg"):
        assert sum(name in line for line in err.splitlines()) == 1
    assert "4 of 5 could not be read" in err
    assert "words.jpg" in (tmp_path / "out" / "sheet.html").read_text()


def test_json_on_the_standard_output_is_pure_and_follows_the_schema(capsys):
    assert run("read", photo("adult"), photo("bare"), "--json", "-") == 0
    out, err = capsys.readouterr()
    from importlib.resources import files

    schema = json.loads(files("crestgauge.inference").joinpath("schema/reading-1.json").read_text())
    readings = [json.loads(line) for line in out.splitlines()]
    for reading in readings:
        jsonschema.validate(reading, schema)
    assert [reading["photo"]["file"] for reading in readings] == ["adult.png", "bare.png"]
    assert err.count("\n") == 2  # the lines for people


def test_json_into_a_file_and_quiet(tmp_path, capsys):
    assert run("read", photo("bare"), "--json", tmp_path / "r.jsonl", "--quiet") == 0
    assert capsys.readouterr() == ("", "")
    assert json.loads((tmp_path / "r.jsonl").read_text())["outcome"] == "retake"


@pytest.mark.parametrize(
    "arguments",
    [
        ["read"],
        ["read", "no/such/photo.jpg"],
        ["read", "no/such/*.jpg"],
        ["read", "x.jpg", "--threads", "0"],
        ["read", "x.jpg", "--colour"],
        ["nonsense"],
        [],
    ],
)
def test_wrong_usage_is_2_and_says_so(arguments, capsys):
    assert main(arguments) == 2
    out, err = capsys.readouterr()
    assert "no photo called" in err or "Error" in err or "Usage" in out + err


def test_a_wrong_key_or_wrong_weights_start_nothing(tmp_path, capsys):
    key = tmp_path / "key.toml"
    key.write_text("nonsense = 1")
    assert run("read", photo("bare"), "--criteria", key, "--out", tmp_path / "out") == 2
    assert "key.toml" in capsys.readouterr().err
    assert run("read", photo("bare"), "--weights", "mine") == 2
    assert "no fine weights called 'mine'" in capsys.readouterr().err
    assert not (tmp_path / "out").exists()


def test_a_folder_that_cannot_be_written_is_named(tmp_path, capsys):
    (tmp_path / "file").write_text("")
    assert run("read", photo("bare"), "--out", tmp_path / "file") == 1
    assert str(tmp_path / "file") in capsys.readouterr().err


def test_explain_says_every_step(tmp_path, capsys):
    run("read", photo("borderline"), photo("bare"), "--out", tmp_path, "--json", tmp_path / "all.jsonl", "-q")
    assert main(["explain", str(tmp_path / "borderline.reading.json")]) == 0
    words = capsys.readouterr().out
    reading = Reading.from_json((tmp_path / "borderline.reading.json").read_text())
    for step in reading.steps:
        assert step.why in words
    assert "proposal for a trained person to confirm" in words
    assert main(["explain", str(tmp_path / "all.jsonl")]) == 0
    assert "bare.png" in capsys.readouterr().out


def test_explain_names_files_that_hold_no_reading(tmp_path, capsys):
    bad = tmp_path / "bad.json"
    bad.write_text("{}")
    assert main(["explain", str(bad), str(tmp_path / "none.json")]) == 3
    err = capsys.readouterr().err
    assert "bad.json" in err and "none.json" in err


def test_photos_come_from_files_folders_and_patterns(tmp_path):
    for name in ("b.JPG", "a.heic", "notes.txt"):
        (tmp_path / name).write_bytes(b"x")
    (tmp_path / "sub").mkdir()
    found, nothing = collect_photos([str(tmp_path), str(tmp_path / "*.JPG"), str(tmp_path / "*.gif")])
    assert [path.name for path in found] == ["a.heic", "b.JPG"]
    assert nothing == [str(tmp_path / "*.gif")]
    found, _ = collect_photos([str(tmp_path / "notes.txt")])  # named outright: its content decides
    assert [path.name for path in found] == ["notes.txt"]


def test_two_photos_of_one_name_do_not_overwrite_each_other():
    taken: set[str] = set()
    assert [unused_name(stem, taken) for stem in ("IMG_1", "img_1", "IMG_1")] == [
        "IMG_1",
        "img_1-2",
        "IMG_1-3",
    ]


def test_the_line_of_an_unseen_tooth_has_no_numbers():
    """A retake by the key itself has neither measured value nor limit."""
    from dataclasses import replace

    from crestgauge.inference.reading import Retake

    reading = painted_jaws.result("bare").reading
    item = Retake(reason="tooth_unseen", measured=None, limit=None, advice="Again.")
    assert one_line(replace(reading, retake=(item,))).split("-", 1)[1].strip() == "tooth unseen"


def test_doctor_wants_exactly_one_opencv():
    assert check_opencv(["numpy", "opencv-python-headless"]).good
    both = check_opencv(["OpenCV_Python", "opencv-python-headless"])
    assert not both.good and "opencv-python, opencv-python-headless overwrite each other" in both.found
    assert not check_opencv(["numpy"]).good


WITHOUT_TORCH = """
import sys
sys.modules["torch"] = None
from crestgauge.cli.__main__ import main
for words in (["synth", "--out", "x"], ["train", "toy", "--out", "x"], ["evaluate", "--out", "x"]):
    print(main(words))
"""


def test_synth_train_and_evaluate_say_what_to_install(tmp_path):
    """The train extra is hidden, as on a machine that only reads; in a process of its own."""
    ended = subprocess.run(
        [sys.executable, "-c", WITHOUT_TORCH], capture_output=True, text=True, cwd=tmp_path, check=True
    )
    assert ended.stdout.split() == ["2", "2", "2"]
    assert ended.stderr.count("pip install 'crestgauge[train]'") == 3
    assert not list(tmp_path.iterdir())


def test_ctrl_c_ends_cleanly_and_keeps_what_was_read(tmp_path):
    """A real process gets a real SIGINT after its first photo."""
    photos = []
    for k in range(60):
        path = tmp_path / f"{k:02d}.png"
        path.write_bytes(photo("bare").read_bytes())
        photos.append(str(path))
    command = [sys.executable, "-m", "crestgauge.cli", "read", *photos, "--out", str(tmp_path / "out")]
    command += ["--manifest", str(painted_jaws.manifest()), "--threads", "1"]
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True) as process:
        first = process.stdout.readline()
        assert first.startswith("00.png")
        process.send_signal(signal.SIGINT)
        _, err = process.communicate(timeout=60)
    assert process.returncode == 130
    assert "Stopped" in err and "Traceback" not in err
    assert "00.png" in (tmp_path / "out" / "sheet.html").read_text()
    assert len(list((tmp_path / "out").glob("*.reading.json"))) < 60


def test_a_reader_that_leaves_the_pipe_is_no_error(tmp_path):
    """As `| head -1` does: the rest of the output has nowhere to go."""
    command = [sys.executable, "-m", "crestgauge.cli", "explain", *[str(tmp_path / "r.json")] * 400]
    painted = painted_jaws.result("adult").reading
    (tmp_path / "r.json").write_text(painted.to_json())
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE) as process:
        process.stdout.readline()
        process.stdout.close()
        err = process.stderr.read()
        process.wait(timeout=60)
    assert b"Traceback" not in err
    assert process.returncode == 1  # not everything could be written


def test_version(capsys):
    assert main(["--version"]) == 0
    assert capsys.readouterr().out.startswith("crestgauge 0.")


def test_nothing_of_this_needs_a_terminal_or_a_home(tmp_path):
    """As under a scheduler: no HOME, output not UTF-8 by default."""
    env = {"PATH": os.environ["PATH"], "PYTHONPATH": os.environ.get("PYTHONPATH", ""), "LC_ALL": "C"}
    started = time.monotonic()
    done = subprocess.run(
        [sys.executable, "-m", "crestgauge.cli", "doctor"],
        env=env,
        cwd=tmp_path,
        capture_output=True,
        timeout=60,
    )
    assert b"OpenCV" in done.stdout and done.returncode in (0, 3), done.stderr
    assert time.monotonic() - started < 60
