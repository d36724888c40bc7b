"""One namespace, a light import, and documents that say what the code does."""

from __future__ import annotations

import re
import subprocess
import sys
import tomllib
from pathlib import Path

from crestgauge.inference.version import VERSION

ROOT = Path(__file__).resolve().parent.parent
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
SETUPTOOLS = PROJECT["tool"]["setuptools"]
FOLDERS = ("model", "inference", "training", "cli", "synthetic_data")


def test_every_package_of_the_tree_is_listed_and_nothing_else():
    found = {
        "crestgauge." + ".".join(path.parent.relative_to(ROOT).parts)
        for folder in FOLDERS
        for path in (ROOT / folder).rglob("__init__.py")
    }
    assert set(SETUPTOOLS["packages"]) == found
    assert len(SETUPTOOLS["packages"]) == len(found)
    where = {name: name.removeprefix("crestgauge.").replace(".", "/") for name in found}
    assert SETUPTOOLS["package-dir"] == where


def test_no_module_lies_in_a_folder_that_is_no_package():
    for folder in FOLDERS:
        for path in (ROOT / folder).rglob("*.py"):
            assert (path.parent / "__init__.py").exists(), path


def test_every_data_file_is_packaged():
    """Files that code opens through importlib.resources must be in the wheel."""
    patterns = {
        ROOT / name.removeprefix("crestgauge.").replace(".", "/") / pattern
        for name, listed in SETUPTOOLS["package-data"].items()
        for pattern in listed
    }
    packaged = {path for pattern in patterns for path in pattern.parent.glob(pattern.name)}
    for folder in FOLDERS:
        for path in (ROOT / folder).rglob("*"):
            if path.is_file() and path.suffix not in (".py", ".pyc"):
                assert path in packaged, f"{path} is in no package-data pattern"


def python(code: str) -> subprocess.CompletedProcess[str]:
    """Run code without the current folder on the path (-P), as an installed program runs."""
    return subprocess.run(
        [sys.executable, "-P", "-c", code], cwd=ROOT, capture_output=True, text=True, timeout=120
    )


def test_no_top_level_name_is_taken():
    code = f"import importlib.util as u; print([n for n in {FOLDERS!r} if u.find_spec(n)])"
    assert python(code).stdout.strip() == "[]"


HEAVY = "torch torchvision timm segmentation_models_pytorch albumentations onnx onnxscript".split()


def test_reading_and_the_command_line_never_import_torch():
    """Every module of inference and cli, imported in one process."""
    modules = [
        "crestgauge." + ".".join(path.relative_to(ROOT).with_suffix("").parts)
        for folder in ("model", "inference", "cli")
        for path in sorted((ROOT / folder).rglob("*.py"))
        if path.stem not in ("__init__", "__main__", "network")
        and "versions" not in path.parts
        and path.name != "env.py"  # run by the migration tool only
    ]
    code = (
        f"import importlib, sys\nfor name in {modules!r}: importlib.import_module(name)\n"
        f"print([n for n in {HEAVY!r} if n in sys.modules])"
    )
    done = python(code)
    assert done.returncode == 0, done.stderr
    assert done.stdout.strip() == "[]"


def test_help_needs_none_of_the_heavy_parts():
    """Help and wrong usage answer at once: no onnxruntime, no OpenCV."""
    code = (
        "import sys\nfrom crestgauge.cli.__main__ import main\nmain(['--help'])\n"
        "print([n for n in ('onnxruntime', 'cv2', 'torch', 'scipy', 'sqlalchemy') if n in sys.modules])"
    )
    assert python(code).stdout.strip().endswith("[]")


def test_one_version():
    assert PROJECT["project"]["version"] == VERSION
    assert f"## {VERSION}" in (ROOT / "CHANGELOG.md").read_text(encoding="utf-8")


def test_import_direction():
    """model <- inference <- synthetic_data <- training <- cli; everything may use the tree of errors."""
    order = ["model", "inference", "synthetic_data", "training", "cli"]
    for rank, folder in enumerate(order):
        for path in (ROOT / folder).rglob("*.py"):
            for used in re.findall(r"^\s*(?:from|import) crestgauge\.(\w+)(\.\w+)?", path.read_text(), re.M):
                if used == ("inference", ".errors"):
                    continue
                assert order.index(used[0]) <= rank, f"{path} imports crestgauge.{used[0]}"
                assert not (folder == "inference" and used[0] == "cli")


README = (ROOT / "README.md").read_text(encoding="utf-8")


def test_ci_runs_the_test_line_of_the_readme():
    lines = [line for line in README.splitlines() if "/pytest" in line]
    assert len(lines) == 1
    assert lines[0].strip() in (ROOT / ".ci" / "run").read_text(encoding="utf-8")


def test_readme_says_what_must_not_be_missing():
    text = " ".join(README.split())
    for words in (
        "proposal for a trained person to confirm",
        "No photograph of a real deer was used in training",
        "chronic wasting disease",
        "bovine tuberculosis",
        "gloves",
        "Do not post jaws",
        "crestgauge demo",
    ):
        assert words.lower() in text.lower(), words


def test_every_command_stands_in_the_readme():
    import typer

    from crestgauge.cli.app import load_commands

    for name in typer.main.get_command(load_commands()).commands:
        assert f"crestgauge {name}" in README, name


def test_commands_in_the_readme_are_commands_that_exist():
    """Each line of a shell block that begins with crestgauge is parsed by the real parser; nothing is run."""
    import shlex

    import typer

    from crestgauge.cli.app import load_commands

    root = typer.main.get_command(load_commands())
    blocks = re.findall(r"```(?:bash|sh)\n(.*?)```", README, re.S)
    lines = [line for block in blocks for line in block.splitlines() if line.startswith("crestgauge ")]
    assert len(lines) >= 5
    for line in lines:
        for part in line.split(" #")[0].split(">")[0].split("|"):
            words = shlex.split(part)
            root.commands[words[1]].make_context(words[1], words[2:]).close()
