"""``crestgauge doctor``: is this installation able to read?"""

from __future__ import annotations

import sys
from collections.abc import Iterable
from dataclasses import dataclass
from importlib import metadata

import typer

from crestgauge.cli.app import EXIT_SOME_FAILED, app

OPENCV_DISTRIBUTIONS = (
    "opencv-python",
    "opencv-python-headless",
    "opencv-contrib-python",
    "opencv-contrib-python-headless",
)
RUNTIME = ("numpy", "onnxruntime", "pillow", "pillow-heif", "rich", "typer")


@dataclass(frozen=True, slots=True)
class Finding:
    """One line of the report: what was looked at, whether it is in order, what was found."""

    what: str
    good: bool
    found: str


def check_opencv(installed: Iterable[str]) -> Finding:
    """
    Exactly one OpenCV distribution may be installed: two write into the same folder and break each other
    silently.

    Parameters
    ----------
    installed : iterable of str
        Names of all installed distributions.
    """
    found = sorted({name.lower().replace("_", "-") for name in installed} & set(OPENCV_DISTRIBUTIONS))
    if len(found) == 1:
        return Finding("OpenCV", True, f"{found[0]} {metadata.version(found[0])}")
    if not found:
        return Finding(
            "OpenCV", False, "none installed; needs opencv-python-headless. Install crestgauge again."
        )
    return Finding(
        "OpenCV",
        False,
        f"{', '.join(found)} overwrite each other; needs one. "
        f"Run: pip uninstall {' '.join(found)}; pip install opencv-python-headless",
    )


def check_versions() -> list[Finding]:
    """Versions of Python and of what the reading needs."""
    findings = [
        Finding("Python", sys.version_info >= (3, 11), f"{sys.version.split()[0]}; needs 3.11 or newer")
    ]
    for name in RUNTIME:
        try:
            findings.append(Finding(name, True, metadata.version(name)))
        except metadata.PackageNotFoundError:
            findings.append(Finding(name, False, "not installed. Install crestgauge again."))
    return findings


def check_weights() -> list[Finding]:
    """Every file of the shipped manifest: its hash, and whether a session of it opens."""
    from crestgauge.inference.errors import WeightsError
    from crestgauge.inference.networks import Network
    from crestgauge.model.weights import load_manifest

    findings = []
    try:
        manifest = load_manifest()
        for entry in manifest.entries:
            Network(entry, threads=1)
            default = " (default)" if manifest.default.get(entry.role) == entry.name else ""
            found = f"{entry.role}{default}, {entry.size / 1e6:.1f} MB, sha256 {entry.sha256[:12]}"
            findings.append(Finding(f"weights {entry.name}", True, found))
        for role in ("coarse", "fine"):
            if role not in manifest.default:
                findings.append(Finding(f"weights, {role}", False, "no default. Install crestgauge again."))
    except WeightsError as error:
        findings.append(Finding("weights", False, str(error)))
    return findings


def check_photo_kinds() -> Finding:
    """Pillow was built with what the five kinds of photo and their colour profiles need."""
    from PIL import features

    needed = {
        "jpg": "JPEG",
        "zlib": "PNG",
        "libtiff": "TIFF",
        "webp": "WebP",
        "littlecms2": "colour profiles",
    }
    missing = [words for name, words in needed.items() if not features.check(name)]
    found = f"this Pillow cannot read: {', '.join(missing)}" if missing else "JPEG, PNG, TIFF, WebP, HEIC"
    return Finding("photo kinds", not missing, found)


@app.command()
def doctor() -> None:
    """
    Check that this installation can read photos.

    Looks at Python, the libraries, that exactly one OpenCV is installed, and that the shipped weights are
    whole and load.

    \b
    Example:  crestgauge doctor
    Exit status:  0 all in order   3 something is not, and the line says what to do
    """
    names = [each.metadata["Name"] for each in metadata.distributions() if each.metadata["Name"]]
    findings = [*check_versions(), check_opencv(names), check_photo_kinds(), *check_weights()]
    for finding in findings:
        typer.echo(f"{'ok ' if finding.good else 'BAD'}  {finding.what}: {finding.found}")
    if not all(finding.good for finding in findings):
        raise typer.Exit(EXIT_SOME_FAILED)
